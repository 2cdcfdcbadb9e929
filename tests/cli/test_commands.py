import csv
import hashlib
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from stanch.cli.main import main, run


def call(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        run(list(args))
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def test_every_command_has_help_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    for name in main.list_commands(None):  # type: ignore[arg-type]
        code, out, _ = call(capsys, name, "--help")
        assert code == 0
        assert f"stanch {name}" in out


def test_analyse_writes_all_outputs_and_leaves_the_recording_alone(
    small_run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = hashlib.sha256(small_run.read_bytes()).hexdigest(), small_run.stat().st_mtime_ns
    outputs = [
        "--json",
        str(tmp_path / "r.json"),
        "--tables",
        str(tmp_path / "t"),
        "--report",
        str(tmp_path / "r.html"),
    ]
    code, out, err = call(capsys, "analyse", str(small_run), *outputs)
    assert (code, err) == (0, "")
    assert "Contrasts" in out
    assert (hashlib.sha256(small_run.read_bytes()).hexdigest(), small_run.stat().st_mtime_ns) == before
    result = json.loads((tmp_path / "r.json").read_text())
    assert result["schema"] == "stanch.result/1"
    assert len(result["wells"]) == 6
    assert sorted(p.name for p in (tmp_path / "t").iterdir()) == [
        "contrasts.csv",
        "curve.csv",
        "pushes.csv",
        "readings.csv",
    ]
    with (tmp_path / "t" / "pushes.csv").open(newline="") as source:
        rows = list(csv.DictReader(source))
    assert len(rows) == 240
    assert list(rows[0])[:4] == ["well", "push", "time_s", "modulus_pa"]
    addresses = set(re.findall(r"https?://[^\s\"'<>]+", (tmp_path / "r.html").read_text()))
    assert all(one.startswith(("http://www.w3.org/", "http://purl.org/dc/")) for one in addresses), addresses

    code, _, err = call(capsys, "analyse", str(small_run), *outputs)
    assert code == 2
    assert "--overwrite" in err
    assert err.count("\n") == 1


def test_json_to_stdout_is_the_only_thing_there(small_run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call(capsys, "analyse", str(small_run), "--json", "-")
    assert code == 0
    assert json.loads(out)["recording"]


def test_same_seed_same_numbers_whatever_the_number_of_threads(small_run: Path) -> None:
    from stanch.pipeline import analyse
    from stanch.report.json import dumps

    one = analyse(small_run, seed=3, threads=1, now="2026-03-01T12:00:00+00:00")
    two = analyse(small_run, seed=3, threads=3, now="2026-03-01T12:00:00+00:00")
    assert dumps(one) == dumps(two)


def test_without_an_assay_document_there_are_curves_and_a_sentence(
    bare_run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = call(capsys, "analyse", str(bare_run))
    assert code == 0
    assert "assay document" in out
    code, out, _ = call(capsys, "analyse", str(bare_run), "--json", "-")
    result = json.loads(out)
    assert result["assay"] is None or result["assay"]["name"] is None
    assert result["wells"][0]["readings"] == []
    assert result["contrasts"] == []


def test_a_calibration_gives_the_systematic_uncertainty(
    small_run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from stanch.mechanics.calibrate import Dimensions, calibrate
    from stanch.recording.container import open_recording

    with open_recording(small_run) as opened:
        assert opened.geometry is not None
        assert opened.acquisition is not None
        frame_time = opened.frame_time("base")
        assert frame_time is not None
        known = calibrate(opened.geometry, opened.acquisition, Dimensions(well_radius=2e-5), frame_time=frame_time[2:])
    record = tmp_path / "calibration.json"
    record.write_text(json.dumps(known.as_dict()))
    code, out, _ = call(capsys, "analyse", str(small_run), "--json", "-", "--calibration", str(record))
    assert code == 0
    plateau = next(r for r in json.loads(out)["wells"][2]["readings"] if r["name"] == "plateau")
    assert 0.001 < plateau["systematic"] < 0.05
    record.write_text(record.read_text().replace("1e-05", "2e-05").replace("2e-05", "3e-05"))
    code, _, err = call(capsys, "analyse", str(small_run), "--json", "-", "--calibration", str(record))
    assert code == 3
    assert "sha256" in err


def test_frames_and_datasets(small_run: Path) -> None:
    pytest.importorskip("pandas")
    pytest.importorskip("xarray")
    import stanch

    result = stanch.analyse(small_run)
    frame = result.to_frame()
    assert {"plateau", "onset", "retention"} <= set(frame["name"])
    dataset = result.to_xarray()
    assert dataset["modulus"].dims == ("well", "time")
    assert dataset["modulus"].attrs["units"] == "Pa"
    assert float(dataset["modulus"].sel(well="base").max()) > 100


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["analyse", "nothing.h5"], 3, "nothing.h5"),
        (["analyse", "."], 3, "directory"),
        (["analyse"], 2, "REC"),
        (["grow"], 2, "grow"),
        (["convert", "x.npz", "--out", "y.h5"], 2, "--map"),
        (["inspect", "empty.h5"], 3, "empty"),
        (["simulate", "bad.toml", "--out", "y.h5"], 3, "schema"),
        (["analyse", "empty.h5", "--assay", "none.toml"], 3, "none.toml"),
        (["analyse", "empty.h5", "--json", "no/r.json"], 2, "folder"),
    ],
)
def test_bad_calls_are_one_line_and_the_right_exit_code(
    args: list[str],
    code: int,
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty.h5").write_bytes(b"")
    (tmp_path / "bad.toml").write_text("name = 'x'\n")
    found, out, err = call(capsys, *args)
    assert found == code
    assert out == ""
    assert err.count("\n") == 1
    assert words in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.toml", "empty.h5"]


@pytest.mark.parametrize("other", [("--truth", "o.h5"), ("--truth", "s.toml"), ("--truth", "no/t.json")])
def test_simulate_refuses_outputs_before_any_work(
    other: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    scenario = Path(__file__).parents[2] / "examples/gel/scenario.toml"
    monkeypatch.chdir(tmp_path)
    Path("s.toml").write_bytes(scenario.read_bytes())
    with pytest.raises(SystemExit) as left:
        run(["simulate", "s.toml", "--out", "o.h5", *other, "--overwrite"])
    assert left.value.code == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["s.toml"]


def test_a_damaged_byte_is_an_integrity_error(
    small_run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = bytearray(small_run.read_bytes())
    for at in range(len(data) // 3, len(data) - len(data) // 3, 9973):
        data[at] ^= 0x55
    damaged = tmp_path / "damaged.h5"
    damaged.write_bytes(bytes(data))
    code, _, err = call(capsys, "analyse", str(damaged))
    assert code == 4
    assert err.count("\n") == 1


def test_streams_in_and_out(bare_run: Path) -> None:
    command = [sys.executable, "-m", "stanch", "analyse", "-", "--json", "-"]
    done = subprocess.run(command, input=bare_run.read_bytes(), capture_output=True, check=True)
    assert json.loads(done.stdout)["wells"][0]["name"] == "plain"


def test_an_interrupt_leaves_nothing(bare_run: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import stanch.pipeline

    def stop(*_args: object, **_options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(stanch.pipeline, "analyse", stop)
    with pytest.raises(SystemExit) as left:
        run(["analyse", str(bare_run), "--json", str(tmp_path / "r.json"), "--tables", str(tmp_path / "t")])
    assert left.value.code == 130
    assert list(tmp_path.iterdir()) == []


def test_a_fault_of_ours_is_one_line_and_exit_code_1(
    bare_run: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import stanch.pipeline

    def fail(*_args: object, **_options: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(stanch.pipeline, "analyse", fail)
    code, _, err = call(capsys, "analyse", str(bare_run))
    assert code == 1
    assert err.startswith("stanch: a fault of ours: ZeroDivisionError")
    assert err.count("\n") == 1


def test_a_report_that_fails_leaves_no_half_output(
    bare_run: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import stanch.report.html

    def fail(*_args: object, **_options: object) -> str:
        raise RuntimeError("no")

    monkeypatch.setattr(stanch.report.html, "render", fail)
    with pytest.raises(SystemExit) as left:
        run(["analyse", str(bare_run), "--tables", str(tmp_path / "t"), "--report", str(tmp_path / "r.html")])
    assert left.value.code == 1
    assert list(tmp_path.iterdir()) == []
