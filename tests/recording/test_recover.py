from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from recording_samples import FRAMES, echo_block

from stanch.errors import IntegrityError, NothingReadableError, OutputExistsError, RecordingError, UsageError
from stanch.recording.container import open_recording, recover, verify

Make = Callable[..., Path]


def damage(path: Path, name: str, push: int) -> None:
    """Flip one bit in a stored chunk."""
    with h5py.File(path, "r") as file:
        dataset = file[name]
        info = dataset.id.get_chunk_info_by_coord((push, *(0 for _ in dataset.shape[1:])))
    data = bytearray(path.read_bytes())
    data[info.byte_offset + info.size // 3] ^= 8
    path.write_bytes(data)


def test_an_intact_recording_is_copied_whole(make: Make, tmp_path: Path) -> None:
    path = make(close=False)
    data = path.read_bytes()
    report = recover(path, tmp_path / "new.h5")
    assert report.complete
    assert [(w.well, w.committed, w.saved, w.lost) for w in report.wells] == [
        ("plain", 4, 4, ()),
        ("traces", 4, 4, ()),
        ("curve", 4, 4, ()),
    ]
    assert (report.state, report.cut, report.log_lost) == ("recording", False, 0)
    assert "the run has no close: it ends at its last committed push" in str(report)
    assert "well plain: 4 of 4 committed pushes saved" in str(report)
    assert path.read_bytes() == data
    with open_recording(path) as old, open_recording(report.out) as new:
        assert (new.state, new.sample, new.wells, new.notes()) == (old.state, old.sample, old.wells, old.notes())
        assert new.assay_text == old.assay_text
        np.testing.assert_array_equal(new.read("plain"), old.read("plain"))
    with h5py.File(report.out, "r") as file:
        assert file["wells/000/committed"][0] == 4, "opens with plain h5py"


def test_a_close_is_kept(make: Make, tmp_path: Path) -> None:
    report = recover(make(), tmp_path / "new.h5")
    assert report.state == "closed"
    assert "no close" not in str(report)
    with open_recording(report.out) as run:
        assert run.state == "closed"


def test_damaged_pushes_are_left_out_and_named(make: Make, tmp_path: Path) -> None:
    path = make(pushes=8)
    for push in (1, 2, 5):
        damage(path, "wells/000/echo", push)
    damage(path, "wells/001/displacement_sd", 7)
    damage(path, "wells/002/push_time", 0)
    damage(path, "notes/text", 0)
    damage(path, "temperature/temperature", 1)
    report = recover(path, tmp_path / "new.h5")
    assert [w.lost for w in report.wells] == [(1, 2, 5), (7,), (0,)]
    assert report.log_lost == 2
    assert not report.complete
    assert "well plain: 5 of 8 committed pushes saved, damaged and left out: push 1-2, 5" in str(report)
    assert "2 entries of the notes and temperatures were damaged" in str(report)
    assert verify(report.out) == []
    with open_recording(report.out) as run:
        np.testing.assert_array_equal(run.push_time("plain"), [0, 15, 20, 30, 35])
        np.testing.assert_array_equal(run.read("plain"), [echo_block(i) for i in (0, 3, 4, 6, 7)])
        assert run.read("traces").shape == (7, FRAMES)
        assert [n.text for n in run.notes()] == ["lid closed"]


def test_verify_names_every_damage(make: Make) -> None:
    path = make(pushes=8)
    damage(path, "wells/000/echo", 6)
    damage(path, "wells/002/viscosity", 3)
    damage(path, "notes/text", 1)
    problems = verify(path)
    assert len(problems) == 3
    assert "well plain: echo, push 6; got wrong checksum" in problems[0]
    assert "well curve: viscosity, push 3; got wrong checksum" in problems[1]
    assert "notes, entry 1; got wrong checksum" in problems[2]


@pytest.mark.parametrize("close", [True, False])
def test_what_a_cut_leaves_is_saved(make: Make, tmp_path: Path, close: bool) -> None:
    path = make(pushes=40, close=close)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    with pytest.raises(IntegrityError, match="truncated file"):
        open_recording(path)
    report = recover(path, tmp_path / "new.h5")
    assert report.cut == close or report.wells[0].lost
    assert 10 < report.wells[0].saved < 40
    assert report.wells[0].saved + len(report.wells[0].lost) == 40
    with open_recording(report.out) as run:
        for i, block in enumerate(run.read("plain")):
            np.testing.assert_array_equal(block, echo_block(i))


def test_nothing_intact_is_exit_code_5_and_leaves_no_file(make: Make, tmp_path: Path) -> None:
    path = make(pushes=2)
    for push in (0, 1):
        for name in ("wells/000/echo", "wells/001/displacement", "wells/002/modulus"):
            damage(path, name, push)
    with pytest.raises(NothingReadableError, match="got no intact push") as caught:
        recover(path, tmp_path / "new.h5")
    assert caught.value.exit_code == 5
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]


def test_refused_outputs_and_sources_leave_no_file(make: Make, tmp_path: Path) -> None:
    path = make()
    other = make("other.h5")
    with pytest.raises(OutputExistsError):
        recover(path, other)
    with pytest.raises(UsageError, match="the recording itself"):
        recover(path, path, overwrite=True)
    with pytest.raises(RecordingError, match="got a directory"):
        recover(tmp_path, tmp_path / "new.h5")
    (tmp_path / "text.h5").write_text("no")
    with pytest.raises(RecordingError, match="no HDF5 signature"):
        recover(tmp_path / "text.h5", tmp_path / "new.h5")
    assert recover(path, other, overwrite=True).complete
    assert sorted(p.name for p in tmp_path.iterdir()) == ["other.h5", "run.h5", "text.h5"]
