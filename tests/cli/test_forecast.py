"""``stanch forecast``, ``stanch learn`` and ``stanch population``."""

import csv
import dataclasses
import io
import json
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from stanch.cli.main import _run
from stanch.outlook import look_ahead
from stanch.readings.forecast.store import shipped_prior
from stanch.recording.container import WellLayout, create, open_recording
from stanch.recording.records import SampleFacts
from stanch.report.outlook import outlook_text
from stanch.verify.reading import read_table
from stanch.virtual.blood.expect import courses
from stanch.virtual.blood.population import draw
from stanch.virtual.population_table import demo_bench, read_all

INTERVAL = 15.0


@pytest.fixture(scope="module")
def write(tmp_path_factory):
    """Writes the finished moduli of a virtual patient, up to a number of pushes."""
    bench = demo_bench()
    made = courses(draw("healthy", 1, seed=1)[0].composition, bench.contents)
    folder = tmp_path_factory.mktemp("forecast")

    def build(name, pushes, *, closed=True, assay=True, change=lambda well: well, only=None, ended=None):
        path = folder / name
        wells = [(change(w), c) for w, c in zip(bench.wells, made) if only is None or w.name in only]
        writer = create(
            path,
            sample=SampleFacts("demo-healthy-0001", demo=True),
            wells=[WellLayout(w, "modulus", None) for w, _ in wells],
            acquisition=None,
            geometry=None,
            assay_text=bench.assay.text if assay else None,
        )
        rng = np.random.default_rng(4)
        for k in range(pushes):
            time = INTERVAL * (k + 1)
            for well, course in wells:
                if time > (ended or {}).get(well.name, time):
                    continue
                modulus = float(course.modulus(time))
                sd = 0.5 + 0.01 * modulus
                writer.append(well.name, time, modulus + sd * rng.standard_normal(), modulus_sd=sd)
        writer.close() if closed else writer.abandon()
        return path

    return build


@pytest.fixture(scope="module")
def ended(write):
    return write("ended.h5", 60)


def answer(capsys, *args):
    code = _run([str(a) for a in args])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_a_forecast_says_that_it_is_none_of_the_readings_and_where_it_comes_from(capsys, ended):
    code, out, _ = answer(capsys, "forecast", ended, "--at", "5 min")
    assert code == 0
    assert "Forecasts, not readings" in out
    assert "virtual population" in out
    assert "does not predict a patient" in out
    assert "Not a medical device" in out
    assert "5.0 min" in out


def test_invented_data_are_marked_unless_the_name_says_so(ended):
    outlook = look_ahead(ended, shipped_prior(), at=[180.0])
    assert outlook.demo
    assert "[demo data]" not in outlook_text(outlook)
    assert "sample-12  [demo data]" in outlook_text(dataclasses.replace(outlook, sample="sample-12"))
    assert "[demo data]" not in outlook_text(dataclasses.replace(outlook, sample="sample-12", demo=False))


def test_a_past_time_is_seen_as_it_was_then(capsys, write, ended):
    running = write("running.h5", 24, closed=False)
    code, then, _ = answer(capsys, "forecast", ended, "--at", "6 min", "--json", "-")
    assert code == 0
    code, live, _ = answer(capsys, "forecast", running, "--at", "6 min", "--json", "-")
    assert code == 0
    then, live = json.loads(then), json.loads(live)
    assert then["forecasts"] == live["forecasts"]
    assert then["recording"]["identity"] == live["recording"]["identity"]


def test_the_json_holds_estimates_in_si_units(capsys, ended, tmp_path):
    out = tmp_path / "f.json"
    code, _, _ = answer(capsys, "forecast", ended, "--at", "3 min", "--at", "10 min", "--json", out)
    assert code == 0
    whole = json.loads(out.read_text("utf-8"))
    assert whole["schema"] == "stanch.forecast/1"
    assert whole["demo"] is True
    assert whole["prior"]["origin"] == "virtual population"
    assert len(whole["prior"]["sha256"]) == 64
    assert whole["prior"]["same_definitions"] is True
    entries = whole["forecasts"]
    assert {e["at_s"] for e in entries} == {180.0, 600.0}
    assert {e["key"] for e in entries} == {"early_modulus", "plateau", "retention"}
    assert {e["estimate"]["status"] for e in entries} <= {"provisional", "unavailable"}
    assert any(e["other"] == "base + antifibrinolytic" for e in entries)
    assert answer(capsys, "forecast", ended, "--json", out)[0] == 2


def test_without_a_time_it_is_the_last_push(capsys, ended):
    code, out, _ = answer(capsys, "forecast", ended, "--json", "-")
    assert code == 0
    assert {e["at_s"] for e in json.loads(out)["forecasts"]} == {900.0}


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--at", "5"), "--at"),
        (("--at", "5 Pa"), "--at"),
        (("--at", "2 h"), "at"),
        (("--at", "-5 min"), "at"),
        (("--at", "0 min"), "at"),
        (("--at", "20 min"), "up to the last push at 15 min"),
        (("--prior", "none.npz"), "no such file"),
    ],
)
def test_what_cannot_be_is_said(capsys, ended, args, said):
    code, _, err = answer(capsys, "forecast", ended, *args)
    assert code == 3
    assert said in err


def test_a_damaged_prior_gives_one_line_and_no_file(capsys, ended, tmp_path):
    whole = Path(str(files("stanch.readings.forecast").joinpath("data", "demo-assay.prior.npz"))).read_bytes()
    flipped = bytearray(whole)
    flipped[len(whole) // 2] ^= 255
    out = tmp_path / "f.json"
    for name, content in (("cut", whole[:5000]), ("flipped", bytes(flipped)), ("text", b"hello"), ("empty", b"")):
        (tmp_path / name).write_bytes(content)
        code, said, err = answer(capsys, "forecast", ended, "--prior", tmp_path / name, "--json", out)
        assert code == 3
        assert said == ""
        assert "damaged, or no prior" in err
        assert len(err.strip().splitlines()) == 1
        assert not out.exists()
    with np.load(io.BytesIO(whole)) as stored:
        other = {**stored, "sha256": np.array("0" * 64)}
    np.savez_compressed(tmp_path / "hash.npz", **other)
    code, _, err = answer(capsys, "forecast", ended, "--prior", tmp_path / "hash.npz", "--json", out)
    assert code == 4
    assert "another hash" in err
    assert not out.exists()


def test_a_well_of_another_activator_is_matched_to_none(capsys, write):
    odd = write("odd.h5", 24, change=lambda w: dataclasses.replace(w, activator="some clay") if w.name == "base" else w)
    code, out, _ = answer(capsys, "forecast", odd, "--json", "-")
    assert code == 0
    told = {(e["key"], e["well"]): e["estimate"] for e in json.loads(out)["forecasts"]}
    for key in ("early_modulus", "plateau", "retention"):
        assert told[key, "base"]["status"] == "unavailable"
        assert "no well like some clay" in told[key, "base"]["why"]
    assert told["plateau", "base + blocker"]["status"] == "provisional"
    code, out, _ = answer(capsys, "forecast", odd)
    assert "amounts and lots are not compared" in " ".join(out.split())


def test_one_well_alone_has_no_retention(capsys, write):
    code, out, _ = answer(capsys, "forecast", write("one.h5", 24, only=("base",)), "--json", "-")
    assert code == 0
    assert [(e["key"], e["well"]) for e in json.loads(out)["forecasts"]] == [
        ("early_modulus", "base"),
        ("plateau", "base"),
    ]


def test_a_well_whose_pushes_ended_is_forecast_from_its_last_push(capsys, write):
    path = write("partly.h5", 40, ended={"base + blocker": 300.0})
    code, out, _ = answer(capsys, "forecast", path, "--at", "10 min", "--json", "-")
    assert code == 0
    at = {e["well"]: e["at_s"] for e in json.loads(out)["forecasts"] if e["key"] == "plateau"}
    assert at["base"] == 600.0
    assert at["base + blocker"] == 300.0


def test_other_definitions_than_the_priors_are_told_of(capsys, ended, tmp_path):
    assay = tmp_path / "assay.toml"
    assay.write_text(demo_bench().assay.text.replace('hold = "9 min"', 'hold = "5 min"'), "utf-8")
    code, out, _ = answer(capsys, "forecast", ended, "--assay", assay)
    assert code == 0
    assert "other definitions" in " ".join(out.split())


def test_before_the_first_push_nothing_can_be_read(capsys, ended, tmp_path):
    out = tmp_path / "f.json"
    code, said, err = answer(capsys, "forecast", ended, "--at", "5 s", "--json", out)
    assert code == 5
    assert said == ""
    assert "No push was committed" in err
    assert not out.exists()


def test_a_forecast_needs_an_assay_document(capsys, write):
    code, _, err = answer(capsys, "forecast", write("bare.h5", 8, assay=False))
    assert code == 3
    assert "assay document" in err


def test_too_few_runs_teach_nothing(capsys, ended, tmp_path):
    code, _, err = answer(capsys, "learn", tmp_path / "p.npz", ended)
    assert code == 3
    assert "at least 80" in err
    assert not (tmp_path / "p.npz").exists()


def test_a_recording_shows_only_what_came_until_a_time(ended):
    with open_recording(ended) as found:
        found.show_until(100.0)
        assert found.push_count("base") == 6
        assert found.push_time("base")[-1] == 90.0
        assert found.read("base").shape == (6,)
        assert found.state == "recording"
        found.refresh()
        assert found.push_count("base") == 60
        assert found.state == "closed"


def test_a_table_of_virtual_patients(capsys, tmp_path):
    out = tmp_path / "people.csv"
    args = ("population", out, "--kind", "healthy=2", "--kind", "low platelets=1", "--seed", 7)
    code, said, _ = answer(capsys, *args)
    assert code == 0
    assert "3 invented samples" in said
    note, *lines = out.read_text("utf-8").splitlines()
    assert note.startswith("# demo data")
    assert "does not predict a patient" in note
    rows = list(csv.DictReader(lines))
    assert read_table(out).demo
    assert {"tPA [nmol/L]", "factor Xa inhibitor [nmol/L]", "factor VIII [%]", "C1 inhibitor [%]"} <= set(rows[0])
    people = [*draw("healthy", 2, 7), *draw("low platelets", 1, 7)]
    assert [row["subject"] for row in rows] == [p.subject for p in people]
    for row, patient in zip(rows, people):
        assert float(row["platelets [10^9/L]"]) == pytest.approx(patient.composition.platelets * 1e-12, rel=1e-5)
        truth = read_all(demo_bench(), patient.composition)
        assert float(row["base: onset [min]"]) == pytest.approx(truth["base: onset"].value / 60, rel=1e-5)
        assert float(row["platelet share [%]"]) == pytest.approx(100 * truth["platelet share"].value, rel=1e-5)
    assert answer(capsys, *args)[0] == 2
    code, again, _ = answer(capsys, "population", "-", *args[2:])
    assert code == 0
    assert again == out.read_text("utf-8")


def test_serial_samples_share_a_subject_and_processes_change_nothing(capsys):
    args = ("population", "-", "--kind", "heparin=2", "--serial", 2)
    code, out, _ = answer(capsys, *args)
    assert code == 0
    assert [row["sample"] for row in csv.DictReader(out.splitlines()[1:])] == ["1", "2", "1", "2"]
    assert answer(capsys, *args, "--processes", 2)[1] == out


@pytest.mark.parametrize("kind", ["healthy", "healthy=", "healthy=x", "healthy=0"])
def test_a_kind_needs_a_count(capsys, tmp_path, kind):
    code, _, err = answer(capsys, "population", tmp_path / "p.csv", "--kind", kind)
    assert code == 2
    assert "KIND=COUNT" in err


def test_an_unknown_kind_is_refused(capsys, tmp_path):
    code, _, err = answer(capsys, "population", tmp_path / "p.csv", "--kind", "tired=3")
    assert code == 3
    assert "low fibrinogen" in err
