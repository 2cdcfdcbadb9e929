from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recording_samples import ACQUISITION, FRAME_TIME, FRAMES, GEOMETRY, PLAIN, SAMPLE, SAMPLES, echo_block, layouts

from stanch.errors import IntegrityError, OutputExistsError, RecordingError, UsageError
from stanch.recording.container import Note, WellLayout, create, open_recording, verify
from stanch.recording.records import Additive, SampleFacts, Well

Make = Callable[..., Path]


def test_everything_written_is_read_back(make: Make) -> None:
    with open_recording(make()) as run:
        assert run.sample == SAMPLE
        assert run.acquisition == ACQUISITION
        assert run.geometry == GEOMETRY
        assert run.wells == (replace(PLAIN, activated_at="2026-03-01T08:00:00+00:00"), Well("traces"), Well("curve"))
        assert (run.instrument, run.operator, run.started_at) == ("bench rig", "demo", "2026-03-01T08:00:00+00:00")
        assert run.state == "closed"
        assert run.assay_text == 'schema = "stanch.assay/1"\n'
        assert run.assay_sha256 == hashlib.sha256(b'schema = "stanch.assay/1"\n').hexdigest()
        assert [run.kind(w.name) for w in run.wells] == ["echo", "displacement", "modulus"]
        assert [run.push_count(w.name) for w in run.wells] == [4, 4, 4]
        np.testing.assert_array_equal(run.push_time("traces"), [1, 6, 11, 16])
        np.testing.assert_array_equal(run.frame_time("plain"), FRAME_TIME)
        assert run.frame_time("curve") is None
        np.testing.assert_array_equal(run.read("plain"), [echo_block(i) for i in range(4)])
        assert run.read("plain").dtype == np.int16
        np.testing.assert_array_equal(run.read("traces", 1, 3)[:, -1], [1e-6, 2e-6])
        np.testing.assert_array_equal(run.read("curve"), [0, 10, 20, 30])
        np.testing.assert_array_equal(run.displacement_sd("traces"), np.full((4, FRAMES), 1e-8))
        np.testing.assert_array_equal(run.column("curve", "viscosity"), [0.01] * 4)
        np.testing.assert_array_equal(run.column("curve", "modulus_sd"), [0.5] * 4)
        assert run.column("curve", "loss_modulus") is None
        assert run.displacement_sd("plain") is None
        assert run.frequency("curve") == 1.0
        assert run.frequency("plain") is None
        assert run.geometry_of("plain") == GEOMETRY
        assert run.notes() == (
            Note("Demo data: invented for tests.", None),
            Note("lid closed", "2026-03-01T08:01:00+00:00"),
        )
        time, kelvin = run.temperatures()
        np.testing.assert_array_equal(time, [0, 60])
        np.testing.assert_array_equal(kelvin, [310.15, 310.05])


def test_unknown_facts_are_absent_attributes_and_none(make: Make) -> None:
    path = make(operator=None, assay_text=None, sample=SampleFacts("x"), started_at=None)
    with open_recording(path) as run:
        assert run.operator is None
        assert run.assay_text is None
        assert run.assay_sha256 is None
        assert run.sample.drugs is None
        assert run.wells[1].activator is None
    with h5py.File(path, "r") as file:
        assert "operator" not in file.attrs
        assert set(file["sample"].attrs) == {"sample", "demo"}
        assert "activator" not in file["wells/001"].attrs


def test_blocks_are_the_pushes_in_order(make: Make) -> None:
    with open_recording(make(pushes=7)) as run:
        blocks = list(run.blocks("plain", 3))
        assert [len(b) for b in blocks] == [3, 3, 1]
        np.testing.assert_array_equal(np.concatenate(blocks), run.read("plain"))
        with pytest.raises(UsageError, match="pushes_per_block"):
            list(run.blocks("plain", 0))


def test_acknowledgement_counts_the_pushes_of_a_well(tmp_path: Path) -> None:
    with create(tmp_path / "a.h5", sample=SAMPLE, wells=layouts(), acquisition=ACQUISITION, geometry=None) as writer:
        assert [writer.append("plain", float(i), echo_block(i)) for i in range(3)] == [1, 2, 3]
        assert writer.append("curve", 0.0, 1.0) == 1


def test_opening_and_reading_change_neither_bytes_nor_times(make: Make) -> None:
    for close in (True, False):
        path = make(f"{close}.h5", close=close)
        os.chmod(path, 0o444)
        before, data = os.stat(path), path.read_bytes()
        with open_recording(path) as run:
            run.read("plain")
            run.identity()
        assert verify(path) == []
        after = os.stat(path)
        assert path.read_bytes() == data
        assert (after.st_mtime_ns, after.st_ctime_ns, after.st_size) == (
            before.st_mtime_ns,
            before.st_ctime_ns,
            before.st_size,
        )


def test_a_run_without_a_close_says_so(make: Make) -> None:
    with open_recording(make(close=False)) as run:
        assert run.state == "recording"
        assert run.push_count("plain") == 4


def test_an_error_inside_the_context_leaves_the_run_unclosed(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"

    def fail() -> None:
        with create(path, sample=SAMPLE, wells=layouts(), acquisition=ACQUISITION, geometry=None) as writer:
            writer.append("curve", 0.0, 1.0)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fail()
    with open_recording(path) as run:
        assert (run.state, run.push_count("curve")) == ("recording", 1)


READ_BESIDE = """
import sys
from stanch.recording.container import open_recording
with open_recording(sys.argv[1]) as run:
    for line in sys.stdin:
        run.refresh()
        print(run.state, run.push_count("plain"), len(run.read("plain")), run.identity()[:8], flush=True)
"""


def test_another_process_follows_a_recording_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    writer = create(path, sample=SAMPLE, wells=layouts(), acquisition=ACQUISITION, geometry=None)
    command = [sys.executable, "-c", READ_BESIDE, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as reader:
        assert reader.stdin
        assert reader.stdout
        seen = []
        for i in range(40):
            writer.append("plain", float(i), echo_block(i))
            if i % 10 == 9:
                print("go", file=reader.stdin, flush=True)
                seen.append(reader.stdout.readline().split())
        writer.close()
        print("go", file=reader.stdin, flush=True)
        seen.append(reader.stdout.readline().split())
        reader.stdin.close()
    assert [s[:3] for s in seen] == [["recording", str(n), str(n)] for n in (10, 20, 30, 40)] + [["closed", "40", "40"]]
    assert len({s[3] for s in seen}) == 4
    assert seen[3][3] == seen[4][3]


def test_plain_h5py_reads_the_layout_without_this_package(make: Make) -> None:
    path = make()
    with h5py.File(path, "r") as file:
        assert file.attrs["schema"] == b"stanch.recording/1"
        assert file["wells/000"].attrs["name"] == b"plain"
        echo = file["wells/000/echo"]
        assert echo.shape == (4, FRAMES, SAMPLES)
        assert echo.chunks == (1, FRAMES, SAMPLES)
        assert (echo.shuffle, echo.compression, echo.compression_opts, echo.fletcher32) == (True, "gzip", 1, True)
        np.testing.assert_array_equal(echo[2], echo_block(2))
        assert file["wells/000/committed"][0] == 4
        assert file["closed"][0] == 1
    assert path.read_bytes()[8] == 3, "superblock version 3, readable by HDF5 1.10"


@pytest.mark.parametrize("dtype", ["int16", "int32", "float32"])
def test_every_echo_number_type_round_trips(tmp_path: Path, dtype: str) -> None:
    data = (np.random.default_rng(1).normal(size=(3, FRAMES, 5)) * 1e4).astype(dtype)
    layout = WellLayout(Well("w"), "echo", FRAME_TIME, sample_count=5, dtype=dtype)
    with create(tmp_path / "a.h5", sample=SAMPLE, wells=[layout], acquisition=ACQUISITION, geometry=None) as writer:
        for i in range(3):
            writer.append("w", float(i), data[i])
    with open_recording(tmp_path / "a.h5") as run:
        assert run.read("w").dtype == np.dtype(dtype)
        np.testing.assert_array_equal(run.read("w"), data)


def test_iq_echoes_have_a_last_axis_of_two(tmp_path: Path) -> None:
    acquisition = replace(ACQUISITION, echo_form="iq", demodulation_frequency=9e6)
    layout = WellLayout(Well("w"), "echo", FRAME_TIME, sample_count=5)
    with create(tmp_path / "a.h5", sample=SAMPLE, wells=[layout], acquisition=acquisition, geometry=None) as writer:
        writer.append("w", 0.0, np.ones((FRAMES, 5, 2), dtype=np.int16))
        with pytest.raises(RecordingError, match=r"got shape \(8, 5\); allowed: shape \(8, 5, 2\)"):
            writer.append("w", 1.0, np.ones((FRAMES, 5), dtype=np.int16))
    with open_recording(tmp_path / "a.h5") as run:
        assert run.read("w").shape == (1, FRAMES, 5, 2)


names = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=30).filter(
    lambda t: t == t.strip() and unicodedata.normalize("NFC", t).strip() == unicodedata.normalize("NFC", t) != ""
)
facts = st.text(st.characters(exclude_categories=("Cc", "Cs")), max_size=40)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    st.lists(names, min_size=1, max_size=3, unique_by=lambda t: unicodedata.normalize("NFC", t)),
    st.one_of(st.none(), facts),
    st.one_of(st.none(), st.lists(facts, max_size=3).map(tuple)),
    st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=4),
)
def test_round_trip_of_any_text_and_number(
    tmp_path_factory: Any, wells: list[str], text: str | None, drugs: tuple[str, ...] | None, moduli: list[float]
) -> None:
    def nfc(value: str) -> str:
        return unicodedata.normalize("NFC", value)

    path = tmp_path_factory.mktemp("any") / "a.h5"
    made = [Well(n, activator=text, additives=(Additive("a", lot=text),)) for n in wells]
    written = [WellLayout(w, "modulus", None) for w in made]
    sample = SampleFacts("s", site=text, drugs=drugs)
    with create(path, sample=sample, wells=written, acquisition=None, geometry=None) as writer:
        for i, modulus in enumerate(moduli):
            writer.append(wells[0], float(i), modulus)
    with open_recording(path) as run:
        assert [w.name for w in run.wells] == [nfc(n) for n in wells]
        assert run.sample.drugs == (None if drugs is None else tuple(nfc(d) for d in drugs))
        assert run.sample.site == run.wells[0].activator == run.wells[0].additives[0].lot
        assert run.sample.site == (None if text is None else nfc(text))
        np.testing.assert_array_equal(run.read(nfc(wells[0])), moduli)
    assert verify(path) == []


def test_existing_output_is_refused_and_kept(make: Make) -> None:
    path = make()
    data = path.read_bytes()
    with pytest.raises(OutputExistsError, match="got an existing file") as caught:
        create(path, sample=SAMPLE, wells=layouts(), acquisition=ACQUISITION, geometry=None)
    assert caught.value.exit_code == 2
    assert path.read_bytes() == data
    create(path, sample=SAMPLE, wells=layouts(), acquisition=ACQUISITION, geometry=None, overwrite=True).close()
    assert path.read_bytes() != data


def test_output_in_no_folder_or_on_a_folder_is_refused(tmp_path: Path) -> None:
    for path, said in ((tmp_path / "none" / "a.h5", "no such folder"), (tmp_path, "a directory")):
        with pytest.raises(UsageError, match=said):
            create(path, sample=SAMPLE, wells=layouts(), acquisition=ACQUISITION, geometry=None)
    assert list(tmp_path.iterdir()) == []


class TestRefusedOnOpening:
    def refuse(self, path: Path, said: str, kind: type[Exception] = RecordingError, code: int = 3) -> None:
        with pytest.raises(kind, match=said) as caught:
            open_recording(path)
        assert caught.value.exit_code == code  # type: ignore[attr-defined]
        assert "\n" not in str(caught.value)

    def test_missing(self, tmp_path: Path) -> None:
        self.refuse(tmp_path / "none.h5", "got No such file or directory")

    def test_directory(self, tmp_path: Path) -> None:
        self.refuse(tmp_path, "got a directory; allowed: a recording file")

    def test_empty(self, tmp_path: Path) -> None:
        (tmp_path / "a.h5").touch()
        self.refuse(tmp_path / "a.h5", "got an empty file")

    def test_text(self, tmp_path: Path) -> None:
        (tmp_path / "a.h5").write_text("time;modulus\n")
        self.refuse(tmp_path / "a.h5", "got no HDF5 signature")

    def test_foreign_hdf5(self, tmp_path: Path) -> None:
        with h5py.File(tmp_path / "a.h5", "w") as file:
            file["echo"] = np.zeros(3)
        self.refuse(tmp_path / "a.h5", "schema; got nothing; allowed: stanch.recording/1")

    @pytest.mark.parametrize(
        ("schema", "said"),
        [
            ("stanch.recording/2", "got stanch.recording/2; allowed: stanch.recording/1 or older. Update"),
            ("stanch.recording/0", "or older"),
            ("other/1", "Read foreign data with convert"),
        ],
    )
    def test_schema(self, make: Make, schema: str, said: str) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            file.attrs["schema"] = schema
        self.refuse(path, said)

    def test_cut(self, make: Make) -> None:
        path = make()
        data = path.read_bytes()
        for part in (0.999, 0.5, 0.1):
            path.write_bytes(data[: int(len(data) * part)])
            self.refuse(path, "got a truncated file", IntegrityError, 4)
        path.write_bytes(data[:20])
        self.refuse(path, "recording", IntegrityError, 4)

    def test_missing_required_fact(self, make: Make) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            del file["acquisition"].attrs["density"]
        self.refuse(path, "acquisition@density; got nothing")

    def test_fact_of_another_form(self, make: Make) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            file["sample"].attrs["haematocrit"] = "high"
        self.refuse(path, "sample@haematocrit; got .*allowed: one finite number")

    def test_fact_that_is_not_allowed(self, make: Make) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            file["sample"].attrs["role"] = "pet"
        self.refuse(path, "sample@role; got pet; allowed: patient")

    def test_naive_time(self, make: Make) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            file["wells/000"].attrs["activated_at"] = "2026-03-01T08:00:00"
        self.refuse(path, "wells/000@activated_at.*this time is naive")

    def test_counter_beyond_the_data(self, make: Make) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            file["wells/000/committed"][...] = (9, -10)
        self.refuse(path, "well plain, push 4; got nothing; allowed: 9 pushes", IntegrityError, 4)

    def test_counter_without_its_complement(self, make: Make) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            file["wells/000/committed"][0] = 2
        self.refuse(path, "committed; got .2, -5.; allowed: a count n and -1 - n", IntegrityError, 4)

    def test_assay_that_is_not_the_one_stored(self, make: Make) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            file["assay"][0] = 65
        self.refuse(path, "assay; got SHA-256", IntegrityError, 4)

    def test_echo_of_another_shape(self, make: Make) -> None:
        path = make()
        with h5py.File(path, "r+") as file:
            del file["wells/000/echo"]
            file["wells/000/echo"] = np.zeros((4, SAMPLES, FRAMES), dtype=np.int16)
        self.refuse(path, r"well plain: echo; got shape \(4, 24, 8\)")


def test_wrong_checksum_names_well_and_push(make: Make) -> None:
    path = make()
    with h5py.File(path, "r") as file:
        info = file["wells/000/echo"].id.get_chunk_info_by_coord((2, 0, 0))
    data = bytearray(path.read_bytes())
    data[info.byte_offset + info.size // 2] ^= 1
    path.write_bytes(data)
    with open_recording(path) as run:
        np.testing.assert_array_equal(run.read("plain", 0, 2), [echo_block(0), echo_block(1)])
        with pytest.raises(IntegrityError, match="well plain: echo, push 2; got wrong checksum") as caught:
            run.read("plain")
        assert caught.value.exit_code == 4
    assert [p.split("; got")[0] for p in verify(path)] == [f"{path}: well plain: echo, push 2"]


def test_push_times_running_backwards_are_refused_on_reading(make: Make) -> None:
    path = make()
    with h5py.File(path, "r+") as file:
        file["wells/000/push_time"][2] = 1.0
    with open_recording(path) as run, pytest.raises(RecordingError, match="push 2: push_time; got 1 s after 5 s"):
        run.push_time("plain")


def test_nan_in_a_file_is_refused_on_reading(make: Make) -> None:
    path = make()
    with h5py.File(path, "r+") as file:
        file["wells/001/displacement"][3, 1] = np.nan
        file["wells/002/viscosity"][1] = np.inf
    with open_recording(path) as run:
        with pytest.raises(RecordingError, match="well traces, push 3; got NaN or infinity"):
            run.read("traces")
        with pytest.raises(RecordingError, match="well curve: viscosity; got NaN or infinity"):
            run.column("curve", "viscosity")


def test_wrong_arguments_of_a_recording_name_the_choices(make: Make) -> None:
    with open_recording(make()) as run:
        with pytest.raises(RecordingError, match="got plane; allowed: plain, traces, curve"):
            run.read("plane")
        with pytest.raises(UsageError, match="got 0 to 9; allowed: a range within 0 to 4"):
            run.read("plain", 0, 9)
        with pytest.raises(UsageError, match="got speed; allowed: viscosity, loss_modulus, modulus_sd"):
            run.column("curve", "speed")
    with pytest.raises(UsageError, match="got closed"):
        run.read("plain")
