from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import scipy.io

from stanch.errors import RecordingError
from stanch.recording.matlab import check_elements, open_matlab


def saved(compressed: bool) -> bytes:
    sink = io.BytesIO()
    values = {"x": np.arange(7.0), "n": np.array([[1, 2], [3, 4]], np.int16), "s": "text", "c": {"inner": np.eye(2)}}
    scipy.io.savemat(sink, values, do_compression=compressed)
    return sink.getvalue()


@pytest.mark.parametrize("compressed", [False, True])
def test_whole_files_pass(compressed: bool, tmp_path: Path) -> None:
    path = tmp_path / "a.mat"
    path.write_bytes(saved(compressed))
    source = open_matlab(path, "a.mat")
    assert source.array("x").tolist() == list(range(7))
    assert source.array("n").tolist() == [[1, 2], [3, 4]]


def test_a_data_element_of_no_type_is_refused_before_the_parser_sees_it(tmp_path: Path) -> None:
    data = bytearray(saved(compressed=False))
    at = data.index(struct.pack("<II", 9, 56))
    data[at] = 0
    path = tmp_path / "a.mat"
    path.write_bytes(bytes(data))
    with pytest.raises(RecordingError, match="unknown type 0"):
        open_matlab(path, "a.mat")


@pytest.mark.parametrize("compressed", [False, True])
def test_cut_files_are_refused(compressed: bool) -> None:
    data = saved(compressed)
    whole, at = {128}, 128
    while at < len(data):
        at += 8 + struct.unpack("<II", data[at : at + 8])[1]
        whole.add(at)
    for end in set(range(136, len(data) - 1, 13)) - whole:
        with pytest.raises(RecordingError):
            check_elements(data[:end], "a.mat")
