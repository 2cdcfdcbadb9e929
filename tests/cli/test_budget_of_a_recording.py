"""``stanch verify budget`` with a recording: the settings of its table are moved and the recording analysed again."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stanch.cli.main import run

TABLE = """# demo data
name,value,uncertainty,kind,unit,sensitivity
density,1045,3,random,kg/m3,
repeatability,0,2,random,Pa,1
"""


def call(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        run(list(args))
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def test_budget_of_a_recording(small_run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table, result = tmp_path / "inputs.csv", tmp_path / "b.json"
    table.write_text(TABLE, encoding="utf-8")
    of = ["--design", "pipeline", "--recording", str(small_run), "--well", "base", "--reading", "plateau"]
    code, out, err = call(
        capsys, "verify", "budget", str(table), *of, "--draws", "10", "--unit", "Pa", "--json", str(result)
    )
    assert (code, err) == (0, "")
    assert "First order against runs" in out
    found = json.loads(result.read_text(encoding="utf-8"))
    (check,) = found["numbers"]["runs"]
    assert check["agrees"] is True
    parts = {c["input"]: c["part"] for c in found["numbers"]["results"]["y"]["contributions"]}
    value = found["numbers"]["results"]["y"]["value"]
    # Density scales the modulus.
    assert parts["density"] / value == pytest.approx(3 / 1045, rel=1e-3)


def test_what_a_recording_needs(small_run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = tmp_path / "inputs.csv"
    table.write_text(TABLE, encoding="utf-8")
    start = ["verify", "budget", str(table), "--design", "pipeline"]
    assert call(capsys, *start)[0] == 2
    assert call(capsys, *start, "--recording", str(small_run))[0] == 2
    code, _, err = call(capsys, *start, "--recording", str(small_run), "--reading", "plateau", "--model", "2")
    assert code == 2
    assert "--model" in err
    code, _, err = call(capsys, *start, "--recording", str(small_run), "--reading", "plateau", "--well", "none")
    assert code == 3
    assert "base + blocker" in err
