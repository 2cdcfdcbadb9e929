"""``stanch expect``: text, JSON, CSV and picture of what an assay would read."""

from __future__ import annotations

import csv
import io
import json
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from stanch.cli.main import run
from stanch.quantities import UNITS
from stanch.virtual.expectation import expect

DEMO = Path(str(files("stanch.virtual") / "demo" / "scenario.toml"))


def call(capsys, *args):
    with pytest.raises(SystemExit) as left:
        run(["expect", *map(str, args)])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def test_text_json_csv_and_picture_agree(tmp_path, capsys):
    outputs = {name: tmp_path / name for name in ("e.json", "e.csv", "e.svg")}
    code, out, err = call(
        capsys, DEMO, "--json", outputs["e.json"], "--csv", outputs["e.csv"], "--figure", outputs["e.svg"]
    )
    assert (code, err) == (0, "")
    found = expect(DEMO)
    document = json.loads(outputs["e.json"].read_text(encoding="utf-8"))
    with outputs["e.csv"].open(newline="", encoding="utf-8") as source:
        rows = list(csv.DictReader(source))
    assert document["schema"] == "stanch.expectation/1"
    assert document["demo"] is True
    assert "demo" in out.splitlines()[0]
    for well, told in zip(found.wells, document["wells"], strict=True):
        assert well.well.name == told["name"]
        assert well.well.name in out
        for reading, one in zip(well.readings.readings, told["readings"], strict=True):
            unit = UNITS[one["unit"]]
            mine = [r for r in rows if (r["name"], r["well"]) == (reading.key, told["name"])]
            assert {r["place"] for r in mine} == ({x["place"] for x in one["limits"]} or {""})
            if reading.estimate.value is not None:
                assert one["value"] * unit.scale == pytest.approx(reading.estimate.value, rel=1e-12)
                assert float(mine[0]["value"]) == one["value"]
    for contrast, one in zip(found.contrasts, document["contrasts"], strict=True):
        assert one["name"] == contrast.name
        assert (one["value"] is None) == (contrast.estimate.value is None)
        assert len(one["limits"]) == len(found.beside(contrast.name))
    assert [f["key"] for f in document["findings"]] == [f.key for f in found.findings]
    for text in ("it does not predict a patient", "not a medical device"):
        assert text in " ".join(out.split()).lower()
        assert any(text in caution.lower() for caution in document["cautions"])
    assert "probab" not in out
    assert "Antiplatelet drugs." in out
    picture = outputs["e.svg"].read_text(encoding="utf-8")
    assert "demo data" in picture
    assert all(well.well.name in picture for well in found.wells)


def test_json_on_stdout_and_scenario_from_stdin(tmp_path, capsys, monkeypatch):
    assay = tmp_path / "assay.toml"
    assay.write_bytes((DEMO.parent / "assay.toml").read_bytes())

    class Stdin:
        buffer = io.BytesIO(DEMO.read_bytes())

    monkeypatch.setattr(sys, "stdin", Stdin)
    code, out, err = call(capsys, "-", "--assay", assay, "--json", "-")
    assert (code, err) == (0, "")
    assert len(json.loads(out)["wells"]) == 6


def test_what_has_no_value_says_why_and_every_number_has_digits(capsys):
    code, out, _ = call(capsys, DEMO.parents[4] / "examples/patient/scenario.toml")
    assert code == 0
    assert "lies outside the run." in " ".join(out.split())
    assert "0.000000" not in out


def test_the_picture_has_one_title(tmp_path):
    from stanch.figures.expectation import TITLE, expectation_figure

    axes = expectation_figure(expect(DEMO)).axes[0]
    titles = [axes.get_title(loc=place) for place in ("left", "center", "right")]
    assert [title for title in titles if title] == [f"{TITLE} (demo data)"]


def test_a_bitmap(tmp_path, capsys):
    assert call(capsys, DEMO, "--figure", tmp_path / "e.PNG")[0] == 0
    assert (tmp_path / "e.PNG").read_bytes().startswith(b"\x89PNG")


def test_curves_without_an_assay_document(capsys):
    gel = Path(__file__).parents[2] / "examples" / "gel" / "scenario.toml"
    code, out, err = call(capsys, gel)
    assert (code, out) == (2, "")
    assert "--assay FILE" in err


@pytest.mark.parametrize(
    ("args", "code", "message"),
    [
        (["absent.toml"], 3, "readable scenario document"),
        ([DEMO, "--assay", "absent.toml"], 3, "absent.toml"),
        ([DEMO, "--figure", "e.pdf"], 2, ".svg, .png"),
        ([DEMO, "--json", "here.json"], 2, "an existing file"),
        ([DEMO, "--json", "same.json", "--csv", "same.json"], 2, "different files"),
        ([DEMO, "--csv", "nowhere/e.csv"], 2, "no such folder"),
        (["-", "--assay", "-"], 2, "stdin for two documents"),
    ],
)
def test_errors(tmp_path, monkeypatch, capsys, args, code, message):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "here.json").write_text("mine")
    left, out, err = call(capsys, *args)
    assert (left, out) == (code, "")
    assert message in err
    assert err.count("\n") == 1
    assert (tmp_path / "here.json").read_text() == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["here.json"]


def test_a_wrong_scenario_lists_its_faults(tmp_path, capsys):
    bad = tmp_path / "bad.toml"
    bad.write_text(DEMO.read_text(encoding="utf-8").replace("seed = ", "sead = "), encoding="utf-8")
    code, out, err = call(capsys, bad)
    assert (code, out) == (3, "")
    assert "seed: missing" in err
    assert "sead: unknown key" in err


def test_from_blood_through_echoes_to_the_expected_numbers(tmp_path):
    """Both routes to the same readings of one virtual patient: without echoes, and with them."""
    from stanch.pipeline import analyse
    from stanch.virtual.simulate import simulate

    scenario = Path(__file__).parents[2] / "examples" / "patient" / "scenario.toml"
    found = expect(scenario)
    result = analyse(simulate(scenario, tmp_path / "r.h5"), seed=3, threads=1)
    pairs = []
    for well, measured in zip(found.wells, result.wells, strict=True):
        for key in ("onset", "early_modulus", "plateau", "plateau_entry", "steepest_rise"):
            pairs.append((well.readings[key].estimate, measured.readings[key].estimate))
    pairs += [(c.estimate, m.estimate) for c, m in zip(found.contrasts, result.contrasts, strict=True)]
    for true, seen in pairs:
        assert seen.status == true.status == "ok"
        # Three times the half-width of a 95 % interval is six standard deviations.
        half = (seen.high - seen.low) / 2
        assert abs(seen.value - true.value) < 3 * half
        assert half < 0.15 * true.value
    inside = [seen.low <= true.value <= seen.high for true, seen in pairs]
    assert sum(inside) >= len(inside) - 2
    supported = {f.key for f in result.findings if f.outcome == "supports"}
    assert supported == {f.key for f in found.findings if f.outcome == "supports"} == {"fibrin_modulus_low"}
