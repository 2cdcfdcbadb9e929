"""``stanch rheology``, and an analysis with a richer rheology from echoes to readings."""

import json
import math
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from stanch.cli.main import run
from stanch.rival_media import picked, speaks_from


def call(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        run(list(args))
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def finite(node: Any) -> bool:
    if isinstance(node, dict):
        return all(finite(v) for v in node.values())
    if isinstance(node, list):
        return all(finite(v) for v in node)
    return not isinstance(node, float) or math.isfinite(node)


def test_the_demo_speaks_for_the_medium_it_was_made_of(
    small_run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The virtual sample is a spring and a dashpot: a spring-pot alone cannot pass for it."""
    out_file = tmp_path / "media.json"
    args = ("rheology", str(small_run), "--well", "base", "--models", "kelvin_voigt,spring_pot", "--pushes", "14")
    code, out, err = call(capsys, *args, "--json", str(out_file))
    assert (code, err) == (0, "")
    assert "speak for Kelvin-Voigt, before spring-pot: probability above 99 %" in out
    assert "1 Hz lies outside that" in out
    assert "Not a medical device" in out
    assert max(len(line) for line in out.splitlines() if line.startswith("  ") and " Hz  " in line) <= 100
    found = json.loads(out_file.read_text())
    assert finite(found)
    shipped = json.loads((files("stanch.schemas") / "media-1.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(shipped)
    jsonschema.validate(found, shipped)
    for broken in ({"schema": "stanch.media/2"}, {"wells": []}, {"frequency_hz": 0.0}, {"more": 1}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(found | broken, shipped)
    assert (found["schema"], found["frequency_hz"]) == ("stanch.media/1", 100.0)
    (well,) = found["wells"]
    assert (well["name"], len(well["push"]), len(well["time_s"])) == ("base", 14, 14)
    assert well["run"]["model"] == "kelvin_voigt"
    assert well["run"]["probability"]["kelvin_voigt"] > 0.99
    assert 0.0 < well["run"]["from_s"] < 1200.0
    low, high = well["run"]["informed_band_hz"]
    assert 1.0 < low < high < 4000.0
    first, second = well["models"][0]["states"]
    assert (first["frequency_hz"], second["frequency_hz"]) == (100.0, 1.0)
    assert second["informed"] is False
    assert first["informed"] is (low <= 100.0 <= high)
    # A Kelvin-Voigt modulus is that of every frequency, its loss tangent proportional to frequency.
    assert second["modulus_pa"][-1] == pytest.approx(first["modulus_pa"][-1])
    assert second["loss_tangent"][-1] == pytest.approx(first["loss_tangent"][-1] / 100.0)
    # A spring-pot's loss tangent is the same at every frequency, its modulus is not.
    one, two = well["models"][1]["states"]
    assert two["loss_tangent"][-1] == pytest.approx(one["loss_tangent"][-1])
    assert two["modulus_pa"][-1] < 0.8 * one["modulus_pa"][-1]
    code, _, err = call(capsys, *args, "--json", str(out_file))
    assert code == 2
    assert "--overwrite" in err


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (("--well", "nowhere"), 3, "nowhere"),
        (("--models", "zener"), 2, "two or more"),
        (("--models", "zener,jelly"), 2, "jelly"),
        (("--frequency", "5 Pa"), 3, "unit of frequency"),
        (("--frequency", "0 Hz"), 2, "more than zero"),
    ],
)
def test_calls_that_cannot_be_meant(
    bare_run: Path, capsys: pytest.CaptureFixture[str], args: tuple[str, ...], code: int, words: str
) -> None:
    found, out, err = call(capsys, "rheology", str(bare_run), *args)
    assert (found, out) == (code, "")
    assert words in err


def test_a_recording_of_finished_moduli_has_nothing_to_compare(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from stanch.recording.container import create
    from stanch.recording.layout import WellLayout
    from stanch.recording.records import SampleFacts, Well

    path = tmp_path / "m.h5"
    layout = [WellLayout(Well("w"), "modulus", None)]
    with create(path, sample=SampleFacts("s"), wells=layout, acquisition=None, geometry=None) as writer:
        for k in range(6):
            writer.append("w", 10.0 * k, 5.0 + k)
    code, _, err = call(capsys, "rheology", str(path))
    assert code == 5
    assert "finished moduli" in err


def test_an_analysis_with_a_richer_rheology_runs_from_echoes_to_readings(
    small_run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from importlib.resources import files

    text = (files("stanch.virtual") / "demo" / "assay.toml").read_text("utf-8")
    place = text.index("# -----")
    rich = f'{text[:place]}[settings]\nrheology = "kelvin_voigt"\n\n{text[place:]}'
    assay = tmp_path / "rich.toml"
    found = {}
    for model in ("kelvin_voigt", "fractional_kelvin_voigt"):
        assay.write_text(rich.replace("kelvin_voigt", model), encoding="utf-8")
        args = ("--assay", str(assay), "--json", "-")
        code, out, err = call(capsys, "analyse", str(small_run), *args)
        assert (code, err) == (0, "")
        result = json.loads(out)
        assert finite(result)
        found[model] = {w["name"]: {r["name"]: r for r in w["readings"]} for w in result["wells"]}
        assert result["rheology"]["model"] == model
    plain, richer = found["kelvin_voigt"]["base"], found["fractional_kelvin_voigt"]["base"]
    assert plain["gel_time"]["status"] == "unavailable"
    assert richer["gel_time"]["status"] in ("ok", "below")
    assert richer["gel_time"]["frequency_hz"] == 100.0
    # The medium holds that of the sample as a special case, so the moduli stay what they were.
    assert richer["plateau"]["value"] == pytest.approx(plain["plateau"]["value"], rel=0.03)
    assert richer["onset"]["value"] == pytest.approx(plain["onset"]["value"], abs=0.3)


def test_from_when_on_the_pushes_speak() -> None:
    time = np.arange(10.0)
    ahead = np.array([0.0, 0.0, -3.0, 1.0, 3.0, 4.0, 4.0, 4.0, 4.0, 4.0])
    evidence = {"spring_pot": np.zeros(10), "zener": ahead}
    # Sums up to each push: 0 0 -3 -2 1 5 ...; odds of 19 need more than ln 19 = 2.94.
    assert speaks_from(time, evidence) == 5.0
    assert speaks_from(time, {"spring_pot": np.zeros(10), "zener": 0.1 * ahead}) is None
    assert speaks_from(time, {"spring_pot": np.zeros(10), "zener": np.full(10, np.nan)}) is None
    frozen = np.ones((10, 10))
    assert speaks_from(time, evidence, frozen) is None
    assert speaks_from(time, {"spring_pot": np.zeros(10), "zener": 3.0 + ahead * 0.0}, frozen) == 0.0


def test_picked_pushes_keep_what_they_share() -> None:
    from stanch.echo.records import Displacement

    n = 6
    link = np.exp(-np.abs(np.subtract.outer(np.arange(n), np.arange(n))) / 3.0)
    row = np.arange(n, dtype=float)
    table = np.tile(row[:, None], (1, n))
    whole = Displacement(
        row, 1e-3 * np.arange(1, n + 1), table, table, table, row, table, np.zeros(n), table, row, row, link, row, row,
        table, table, np.zeros(n), np.arange(n), "drawn",
    )  # fmt: skip
    part = picked(whole, np.array([1, 4]))
    assert part.push_time.tolist() == [1.0, 4.0]
    assert part.value.shape == (2, n)
    assert part.frame_time.size == n
    assert part.link is not None
    assert part.link[0, 1] == link[1, 4]


@pytest.mark.slow
def test_gel_time_and_onset_delay_of_a_critical_gel_come_back_through_echoes(tmp_path: Path) -> None:
    """Two wells of the demo's blood whose clot is a critical gel: truth no further away than an interval is wide.

    The sample keeps a little dashpot beside its spring-pot, which no model of three parameters has, so that errors lie
    somewhat beyond what the intervals say.
    """
    import tomllib
    from importlib.resources import files

    from stanch.pipeline import analyse
    from stanch.readings.assay import load_assay
    from stanch.virtual.scenario import Scenario
    from stanch.virtual.simulate import simulate

    folder = files("stanch.virtual") / "demo"
    data: dict[str, Any] = tomllib.loads((folder / "scenario.toml").read_text("utf-8"))
    data["run"].update(pushes=70, push_interval="8 s")
    data["acquisition"].update(late_frames=12, last_frame="100 ms")
    data["well"] = [w for w in data["well"] if w["name"] in ("base", "base + blocker")]
    data["blood"].setdefault("choices", {})["rheology"] = "critical_gel"
    data.pop("fault", None)
    data["folder"] = str(folder)
    path, truth_path = tmp_path / "gel.h5", tmp_path / "truth.json"
    simulate(Scenario.model_validate(data), path, truth=truth_path)
    text = (folder / "assay.toml").read_text("utf-8")
    place = text.index("# -----")
    rich = f'{text[:place]}[settings]\nrheology = "fractional_kelvin_voigt"\n\n{text[place:]}'
    result = analyse(path, load_assay(rich, "rich"))
    truth = {w["name"]: w["readings"] for w in json.loads(truth_path.read_text())["wells"]}
    for well in result.wells:
        assert well.readings is not None
        for key in ("gel_time", "onset_delay", "onset"):
            e = well.readings[key].estimate
            assert e.value is not None
            assert e.low is not None
            assert e.high is not None
            assert abs(e.value - truth[well.well.name][f"{key}_s"]) < e.high - e.low, (well.well.name, key)
