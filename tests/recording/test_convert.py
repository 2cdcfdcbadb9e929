from __future__ import annotations

import copy
import sys
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import scipy.io
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import DocumentError, InputError, OutputExistsError, RecordingError, StanchError, UnitError
from stanch.recording.container import open_recording, verify
from stanch.recording.convert import convert

PUSHES, FRAMES, SAMPLES = 5, 7, 11
ECHO = np.random.default_rng(0).integers(-3000, 3000, (PUSHES, FRAMES, SAMPLES), dtype=np.int16)
TIMES = np.arange(PUSHES) * 6.0 + 2.0
MAP = """
schema = "stanch.map/1"
[recording]
sample = "gel series"
notes = ["demo data"]
[acquisition]
sampling_rate = "40 MHz"
centre_frequency = "9 MHz"
sound_speed = "1575 m/s"
density = "1055 kg/m^3"
frame_interval = "125 us"
frames_before_push = 2
push_duration = "200 us"
push_time = "push_time"
first_sample_depth = "-1.0 mm"
[[well]]
name = "plain"
echo = "plain"
"""
CURVE_MAP = """
schema = "stanch.map/1"
[recording]
sample = "rheometer"
[[well]]
name = "clot"
modulus = "modulus"
viscosity = "viscosity [mPa·s]"
push_time = "time"
frequency = "1 Hz"
"""


def source(folder: Path, kind: str) -> Path:
    """The same arrays in each form."""
    path = folder / f"source.{kind.split('-')[0]}"
    arrays = {"plain": ECHO, "push_time": TIMES}
    if kind == "npz":
        np.savez(path, **arrays)
    elif kind == "npz-compressed":
        np.savez_compressed(path, **arrays)
    elif kind == "mat-5":
        scipy.io.savemat(path, arrays)
    elif kind == "mat-7.3":
        with h5py.File(path, "w", userblock_size=512) as file:
            for name, array in arrays.items():
                # MATLAB keeps vectors as matrices and stores the axes backwards.
                file[name] = np.atleast_2d(array).T
        head = b"MATLAB 7.3 MAT-file, Platform: GLNXA64".ljust(124) + b"\x00\x02IM"
        with path.open("r+b") as stream:
            stream.write(head)
    else:
        with h5py.File(path, "w") as file:
            for name, array in arrays.items():
                file[name] = array
    return path


def write_map(folder: Path, text: str = MAP) -> Path:
    path = folder / "map.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("kind", ["npz", "npz-compressed", "mat-5", "mat-7.3", "h5", "hdf5"])
def test_every_form_of_arrays_gives_the_same_recording(tmp_path: Path, kind: str) -> None:
    given_file = source(tmp_path, kind)
    data = given_file.read_bytes()
    path = convert(given_file, write_map(tmp_path), tmp_path / "run.h5x")
    assert given_file.read_bytes() == data
    assert verify(path) == []
    with open_recording(path) as run:
        assert run.state == "closed"
        np.testing.assert_array_equal(run.read("plain"), ECHO)
        np.testing.assert_array_equal(run.push_time("plain"), TIMES)
        np.testing.assert_allclose(run.frame_time("plain"), np.array([-2, -1, 1, 2, 3, 4, 5]) * 125e-6, rtol=1e-15)
        assert run.notes()[0].text == "demo data"
        assert run.identity() == "".join(IDENTITY)


IDENTITY: list[str] = []


@pytest.fixture(autouse=True, scope="module")
def _identity(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("first")
    np.savez(folder / "a.npz", plain=ECHO, push_time=TIMES)
    with open_recording(convert(folder / "a.npz", write_map(folder), folder / "a.h5")) as run:
        IDENTITY.append(run.identity())


def test_a_single_npy(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", ECHO)
    text = MAP.replace('push_time = "push_time"', f"push_time = {TIMES.tolist()}").replace(
        'echo = "plain"', 'echo = "array"'
    )
    with open_recording(convert(tmp_path / "a.npy", write_map(tmp_path, text), tmp_path / "run.h5")) as run:
        np.testing.assert_array_equal(run.read("plain"), ECHO)
        np.testing.assert_array_equal(run.push_time("plain"), TIMES)


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.permutations(["push", "frame", "sample"]))
def test_any_order_of_axes(tmp_path_factory: pytest.TempPathFactory, axes: list[str]) -> None:
    folder = tmp_path_factory.mktemp("axes")
    order = [["push", "frame", "sample"].index(axis) for axis in axes]
    np.savez(folder / "a.npz", plain=ECHO.transpose(order), push_time=TIMES)
    text = MAP + f"axes = {axes!r}\n"
    with open_recording(convert(folder / "a.npz", write_map(folder, text), folder / "run.h5")) as run:
        np.testing.assert_array_equal(run.read("plain"), ECHO)


@pytest.mark.parametrize(
    ("dtype", "kept"),
    [
        *(("i1", "int16"), ("u1", "int16"), ("<i2", "int16"), (">i2", "int16"), ("u2", "int32"), ("i4", "int32")),
        *(("i8", "int32"), ("f2", "float32"), ("f4", "float32"), ("f8", "float32")),
    ],
)
def test_echo_number_types(tmp_path: Path, dtype: str, kept: str) -> None:
    data = (ECHO % 100).astype(dtype)
    np.savez(tmp_path / "a.npz", plain=data, push_time=TIMES)
    with open_recording(convert(tmp_path / "a.npz", write_map(tmp_path), tmp_path / "run.h5")) as run:
        assert run.dtype("plain") == np.dtype(kept)
        np.testing.assert_array_equal(run.read("plain"), data)


def test_complex_echoes_become_pairs(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", plain=ECHO + 2j, push_time=TIMES)
    with pytest.raises(InputError, match=r'got complex numbers; .* write echo_form = "iq"'):
        convert(tmp_path / "a.npz", write_map(tmp_path), tmp_path / "run.h5")
    text = MAP.replace("[[well]]", 'echo_form = "iq"\ndemodulation_frequency = "9 MHz"\n[[well]]')
    with open_recording(convert(tmp_path / "a.npz", write_map(tmp_path, text), tmp_path / "run.h5")) as run:
        np.testing.assert_array_equal(run.read("plain")[..., 0], ECHO)
        np.testing.assert_array_equal(run.read("plain")[..., 1], 2)


@pytest.mark.parametrize("form", ["semicolon", "tab", "comma", "parquet"])
def test_modulus_curves_from_tables(tmp_path: Path, form: str) -> None:
    minutes, modulus, viscosity = [0.0, 0.5, 1.25], [0.001, 0.25, 1.5], [4.0, 5.5, 6.0]
    names = ["time [min]", "modulus [kPa]", "viscosity"]
    if form == "parquet":
        pyarrow = pytest.importorskip("pyarrow")
        parquet = pytest.importorskip("pyarrow.parquet")
        path = tmp_path / "a.parquet"
        parquet.write_table(pyarrow.table(dict(zip(names, (minutes, modulus, viscosity), strict=True))), path)
    else:
        delimiter = {"semicolon": ";", "tab": "\t", "comma": ","}[form]
        rows = [delimiter.join(map(str, row)) for row in zip(minutes, modulus, viscosity, strict=True)]
        text = "# made for a test\n\n" + "\n".join([delimiter.join(names), *rows]) + "\n"
        path = tmp_path / "a.csv"
        path.write_bytes(b"\xef\xbb\xbf" + (text if form == "comma" else text.replace(".", ",")).encode())
    with open_recording(convert(path, write_map(tmp_path, CURVE_MAP), tmp_path / "run.h5")) as run:
        np.testing.assert_allclose(run.push_time("clot"), [0, 30, 75])
        np.testing.assert_allclose(run.read("clot"), [1, 250, 1500])
        np.testing.assert_allclose(run.column("clot", "viscosity"), [0.004, 0.0055, 0.006])
        assert run.frequency("clot") == 1.0
        assert run.kind("clot") == "modulus"
        assert run.acquisition is None


DISPLACEMENT_MAP = MAP.replace(
    'push_time = "push_time"', 'push_time = "start [s]"\nframe_times = "frame [us]"'
).replace('frame_interval = "125 us"\n', "")


def tidy(folder: Path, drop: int = -1) -> Path:
    rows = ["well;start;frame;movement [um];sd [um]"]
    for well in ("a", "b"):
        for push in range(3):
            for frame in range(4):
                value = push + frame / 10 + (well == "b") * 100
                rows.append(f"{well};{push * 6};{(frame - 1) * 125};{value};{0.02}".replace(".", ","))
    if drop >= 0:
        del rows[drop]
    path = folder / "traces.csv"
    path.write_text("\n".join(rows))
    return path


def test_displacements_from_a_tidy_table(tmp_path: Path) -> None:
    well = 'displacement = "movement"\ndisplacement_sd = "sd"\nrows = { well = "b" }\n'
    text = DISPLACEMENT_MAP.replace('echo = "plain"\n', well)
    with open_recording(convert(tidy(tmp_path), write_map(tmp_path, text), tmp_path / "run.h5")) as run:
        np.testing.assert_allclose(run.frame_time("plain"), [-125e-6, 0, 125e-6, 250e-6])
        np.testing.assert_allclose(run.push_time("plain"), [0, 6, 12])
        np.testing.assert_allclose(run.read("plain"), (np.arange(3)[:, None] + np.arange(4) / 10 + 100) * 1e-6)
        np.testing.assert_allclose(run.displacement_sd("plain"), np.full((3, 4), 20e-9))


def test_displacements_from_columns_side_by_side(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    path.write_text("t [ms]\tp0 [um]\tp1 [um]\n-0.1\t0\t0\n0.1\t1\t2\n0.2\t3\t4\n")
    text = DISPLACEMENT_MAP.replace('"start [s]"', '[0, "1 min"]').replace('"frame [us]"', '"t"')
    text = text.replace('echo = "plain"', 'displacement = ["p0", "p1"]')
    with open_recording(convert(path, write_map(tmp_path, text), tmp_path / "run.h5")) as run:
        np.testing.assert_allclose(run.push_time("plain"), [0, 60])
        np.testing.assert_allclose(run.read("plain"), [[0, 1e-6, 3e-6], [0, 2e-6, 4e-6]])


def test_displacement_arrays_with_units(tmp_path: Path) -> None:
    movement = np.random.default_rng(1).normal(size=(PUSHES, FRAMES))
    np.savez(tmp_path / "a.npz", d=movement.T, push_time=TIMES, f=np.arange(FRAMES) * 100.0 - 150)
    text = MAP.replace('frame_interval = "125 us"', 'frame_times = "f [us]"')
    text = text.replace('echo = "plain"', 'displacement = "d [um]"\naxes = ["frame", "push"]')
    with open_recording(convert(tmp_path / "a.npz", write_map(tmp_path, text), tmp_path / "run.h5")) as run:
        np.testing.assert_allclose(run.read("plain"), movement * 1e-6, rtol=1e-15)
        np.testing.assert_allclose(run.frame_time("plain"), (np.arange(FRAMES) * 100 - 150) * 1e-6)


def test_the_assay_document_is_embedded(tmp_path: Path) -> None:
    (tmp_path / "assay.toml").write_text('schema = "stanch.assay/1"\nname = "ä"\n', encoding="utf-8")
    text = MAP.replace("[acquisition]", 'assay = "assay.toml"\n[acquisition]')
    with open_recording(convert(source(tmp_path, "npz"), write_map(tmp_path, text), tmp_path / "run.h5")) as run:
        assert run.assay_text == 'schema = "stanch.assay/1"\nname = "ä"\n'
    with pytest.raises(DocumentError, match=r"recording.assay; got none.toml: No such file"):
        convert(
            tmp_path / "source.npz", write_map(tmp_path, text.replace("assay.toml", "none.toml")), tmp_path / "b.h5"
        )


def bad_array(**arrays: Any) -> dict[str, Any]:
    return {"plain": ECHO, "push_time": TIMES, **arrays}


NAN = ECHO.astype(np.float32)
NAN[3, 1, 1] = np.nan
BAD_SOURCES: list[tuple[str, dict[str, Any], str, str]] = [
    (
        "order",
        bad_array(plain=ECHO.transpose(1, 0, 2)),
        MAP,
        'got shape .7, 5, 11. read as .push, frame, sample.; .*write axes = ."frame", "push", "sample".',
    ),
    (
        "short times",
        bad_array(push_time=TIMES[:-1]),
        MAP,
        "3 axes .push, frame, sample. with 4 along push. Check push_time",
    ),
    ("two axes", bad_array(plain=ECHO[0]), MAP, r"got shape \(7, 11\)"),
    ("nan", bad_array(plain=NAN), MAP, "well plain, push 3: echo; got NaN or infinity"),
    ("backwards", bad_array(push_time=TIMES[::-1]), MAP, "push 1: push_time; got 20 s after 26 s"),
    ("time nan", bad_array(push_time=TIMES * np.nan), MAP, "push 0: push_time; got nan"),
    ("missing array", {"push_time": TIMES}, MAP, "well plain: echo; got plain; allowed: push_time. Name an array"),
    ("text", bad_array(plain=np.array(["a"])), MAP, "echo; got <U1; allowed: numbers"),
    ("empty", bad_array(plain=ECHO[:0]), MAP, "echo; got an empty array"),
    ("few frames", bad_array(plain=ECHO[:, :2]), MAP, "got 2 frames; allowed: more than frames_before_push = 2"),
    ("large", bad_array(plain=ECHO.astype(np.int64) * 10**9), MAP, "allowed: counts that fit int32"),
    ("objects", bad_array(plain=np.array([{}])), MAP, "got pickled objects, which can run code"),
    (
        "unit",
        bad_array(),
        MAP.replace('"push_time"', '"push_time [Pa]"'),
        "got push_time .Pa. in Pa; allowed: a unit of time",
    ),
    ("rows", bad_array(), MAP + "rows = { a = 'b' }\n", "rows only with a source of columns"),
]


@pytest.mark.parametrize(("arrays", "text", "said"), [b[1:] for b in BAD_SOURCES], ids=[b[0] for b in BAD_SOURCES])
def test_a_source_that_does_not_fit_leaves_nothing(
    tmp_path: Path, arrays: dict[str, Any], text: str, said: str
) -> None:
    np.savez(tmp_path / "a.npz", **arrays)
    with pytest.raises(InputError, match=said) as caught:
        convert(tmp_path / "a.npz", write_map(tmp_path, text), tmp_path / "run.h5")
    assert caught.value.exit_code == 3
    assert "\n" not in str(caught.value)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.npz", "map.toml"]


BAD_TABLES: list[tuple[str, str, str]] = [
    ("unit", "time [s];modulus;viscosity\n0;1;1\n", "modulus; got modulus; allowed: a name with a unit of pressure"),
    ("empty cell", "time [s];modulus [Pa];viscosity\n0;;1\n", "line 2, column modulus .Pa.; got an empty cell"),
    ("nan", "time [s];modulus [Pa];viscosity\n0;NaN;1\n", "got NaN; allowed: a finite number"),
    ("thousands", "time [s];modulus [Pa];viscosity\n0;1.234,5;1\n", "got 1.234,5; allowed: .* without thousands"),
    ("ragged", "time [s];modulus [Pa];viscosity\n0;1\n", "line 2; got 2 cells; allowed: 3, as in the header"),
    ("no header", "0;1;2\n1;2;3\n", "header; got 0;1;2; allowed: names"),
    ("twice", "time [s];time [s];viscosity\n0;1;2\n", "header; got time .s. twice"),
    ("no rows", "time [s];modulus [Pa];viscosity\n", "an empty array"),
    ("blank", "\n\n", "no line with data"),
    ("backwards", "time [s];modulus [Pa];viscosity\n1;1;1\n0;1;1\n", "push 1: push_time; got 0 s after 1 s"),
    ("quotes", 'time [s];modulus [Pa];viscosity\n0;"1;1\n', "allowed: delimited text"),
    ("zero byte", "time [s];modulus [Pa];viscosity\n0;\0;1\n", "got zero bytes"),
]


@pytest.mark.parametrize(("table", "said"), [b[1:] for b in BAD_TABLES], ids=[b[0] for b in BAD_TABLES])
def test_a_table_that_does_not_fit_leaves_nothing(tmp_path: Path, table: str, said: str) -> None:
    (tmp_path / "a.csv").write_text(table)
    with pytest.raises((RecordingError, UnitError), match=said) as caught:
        convert(tmp_path / "a.csv", write_map(tmp_path, CURVE_MAP), tmp_path / "run.h5")
    assert caught.value.exit_code == 3
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "map.toml"]


def test_tidy_tables_with_uneven_pushes_are_refused(tmp_path: Path) -> None:
    text = DISPLACEMENT_MAP.replace('echo = "plain"', 'displacement = "movement"\nrows = { well = "a" }')
    with pytest.raises(RecordingError, match="got pushes of different length"):
        convert(tidy(tmp_path, drop=6), write_map(tmp_path, text), tmp_path / "run.h5")
    with pytest.raises(RecordingError, match=r"rows; got .*allowed: values that occur"):
        convert(tidy(tmp_path), write_map(tmp_path, text.replace('"a" }', '"c" }')), tmp_path / "run.h5")


@pytest.mark.parametrize("ending", ["npz", "npy", "mat", "h5", "hdf5", "csv", "parquet", "xlsx"])
@pytest.mark.parametrize(
    "data", [b"", b"PK\x03\x04 nothing", b"\x93NUMPY\x01\x00\xff\xff{", b"MATLAB 7.3", b"\x00" * 600]
)
def test_what_is_no_source_is_one_line(tmp_path: Path, ending: str, data: bytes) -> None:
    if ending == "parquet":
        pytest.importorskip("pyarrow")
    path = tmp_path / f"a.{ending}"
    path.write_bytes(data)
    with pytest.raises(StanchError) as caught:
        convert(path, write_map(tmp_path), tmp_path / "run.h5")
    assert caught.value.exit_code == 3
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "run.h5").exists()
    if not data:
        assert "got an empty file" in str(caught.value)
    elif ending == "xlsx":
        assert "got the ending .xlsx; allowed: .npz" in str(caught.value)


def test_a_missing_source_and_a_directory(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="got No such file"):
        convert(tmp_path / "a.npz", write_map(tmp_path), tmp_path / "run.h5")
    with pytest.raises(RecordingError, match="got a directory"):
        convert(tmp_path, write_map(tmp_path), tmp_path / "run.h5")


def test_data_in_another_file_are_refused(tmp_path: Path) -> None:
    (tmp_path / "secret.bin").write_bytes(bytes(ECHO.nbytes))
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["push_time"] = TIMES
        external = [(str(tmp_path / "secret.bin"), 0, ECHO.nbytes)]
        file.create_dataset("plain", ECHO.shape, dtype=ECHO.dtype, external=external)
    with pytest.raises(RecordingError, match="got data in another file"):
        convert(tmp_path / "a.h5", write_map(tmp_path), tmp_path / "run.h5")


def test_parquet_without_pyarrow_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    (tmp_path / "a.parquet").write_bytes(b"PAR1")
    with pytest.raises(RecordingError, match=r"pyarrow is not installed; .*pip install .stanch\[tables\]"):
        convert(tmp_path / "a.parquet", write_map(tmp_path), tmp_path / "run.h5")


def test_an_existing_output_is_kept_unless_overwritten(tmp_path: Path) -> None:
    given_file, chart = source(tmp_path, "npz"), write_map(tmp_path)
    out = tmp_path / "run.h5"
    out.write_text("mine")
    with pytest.raises(OutputExistsError):
        convert(given_file, chart, out)
    assert out.read_text() == "mine"
    with pytest.raises(DocumentError):
        convert(given_file, write_map(tmp_path, "schema = 1"), out, overwrite=True)
    assert out.read_text() == "mine", "a failed conversion does not destroy what it would replace"
    write_map(tmp_path)
    assert open_recording(convert(given_file, chart, out, overwrite=True)).state == "closed"


def test_a_map_given_as_data(tmp_path: Path) -> None:
    import tomllib

    document = tomllib.loads(MAP)
    kept = copy.deepcopy(document)
    with open_recording(convert(source(tmp_path, "npz"), document, tmp_path / "run.h5")) as run:
        assert run.identity() == IDENTITY[0]
    assert document == kept
