"""The result as JSON: exact structure, surface units, schema, nothing that JSON cannot hold."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from typing import Any

import jsonschema
import numpy as np
import pytest

from stanch.estimate import Estimate
from stanch.readings.assay_schema import AssayText
from stanch.readings.records import Contrast, Reading, WellReadings
from stanch.report.json import as_dict, dumps


def schema(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((files("stanch.schemas") / name).read_text(encoding="utf-8"))
    return found


def test_the_result_keeps_its_schema(result: Any) -> None:
    jsonschema.Draft202012Validator.check_schema(schema("result-1.json"))
    jsonschema.validate(json.loads(dumps(result)), schema("result-1.json"))


def test_the_schema_refuses_a_value_beside_a_bound(result: Any) -> None:
    found = as_dict(result)
    found["wells"][0]["readings"][0] |= {"status": "above", "value": 3.0, "why": "x"}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found, schema("result-1.json"))


def test_top_level_and_reading_keys(result: Any) -> None:
    found = json.loads(dumps(result))
    assert found["schema"] == "stanch.result/1"
    assert found["recording"]["identity"] == "4f" * 32
    assert found["assay"] == {"name": result.assay_name, "hash": result.assay_sha256, "source": "recording"}
    assert [w["name"] for w in found["wells"]] == [w.well.name for w in result.wells]
    wanted = {"name", "label", "value", "low", "high", "systematic", "unit", "status", "why", "frequency_hz"}
    assert set(found["wells"][0]["readings"][0]) == wanted
    assert wanted <= set(found["contrasts"][0])
    wanted = {"key", "text", "probability", "evidence", "caution", "suppressed", "why"}
    assert all(wanted <= set(f) for f in found["findings"])
    assert (found["seed"], found["software"], found["created"]) == (0, "stanch 0.0", "2026-03-01T10:00:00+00:00")


def test_numbers_are_in_surface_units_and_not_rounded(result: Any) -> None:
    found = as_dict(result)
    onset = found["wells"][0]["readings"][0]
    seconds = result.wells[0].readings["onset"].estimate.value
    assert (onset["name"], onset["label"], onset["unit"]) == ("onset", "Onset", "min")
    assert onset["value"] == seconds / 60
    by_name = {c["name"]: c for c in found["contrasts"]}
    assert by_name["retention"]["unit"] == "%"
    assert by_name["platelet share"]["unit"] == "%"
    assert by_name["heparin effect"]["unit"] == "1"
    assert by_name["platelet modulus"]["unit"] == "Pa"
    assert by_name["excess loss rate"]["unit"] == "%/min"
    assert 60 < by_name["retention"]["value"] < 80


def test_censored_and_unavailable_readings_carry_no_value(result: Any) -> None:
    late = Reading("onset", Estimate(None, 3600.0, None, "s", "above", why="Not reached."), np.full(5, np.inf))
    well = replace(result.wells[0], readings=WellReadings("low", (late,)))
    gone = Contrast(
        "x", "ratio", "onset", "a", "b", Estimate.unavailable("1", "The denominator may be zero."), np.empty(0)
    )
    changed = replace(result, wells=(well,), contrasts=(gone,))
    text = dumps(changed)
    jsonschema.validate(json.loads(text), schema("result-1.json"))
    reading = json.loads(text)["wells"][0]["readings"][0]
    assert (reading["value"], reading["low"], reading["high"], reading["status"]) == (None, 60.0, None, "above")
    assert json.loads(text)["contrasts"][0]["why"] == "The denominator may be zero."


def test_no_nan_no_infinity(result: Any) -> None:
    text = dumps(result)
    json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} in the JSON"))
    with pytest.raises(ValueError, match="Out of range"):
        dumps(replace(result, seed=float("nan")))


def test_a_result_without_assay_document(result: Any) -> None:
    bare = replace(result, assay_name=None, assay_sha256=None, assay_source=None, assay_text=None, findings=())
    found = json.loads(dumps(bare))
    assert found["assay"] is None
    jsonschema.validate(found, schema("result-1.json"))


def test_every_output_carries_the_cautions(result: Any) -> None:
    text = " ".join(as_dict(result)["cautions"])
    for part in ("research and assay development", "Not a medical device", "licensed clinicians", "infectious"):
        assert part in text


def test_the_shipped_assay_schema_is_that_of_the_reader_and_admits_the_demo() -> None:
    import tomllib

    shipped = schema("assay-1.json")
    made = AssayText.model_json_schema(by_alias=True)
    assert {k: v for k, v in shipped.items() if k not in ("$schema", "$id", "title")} == {
        k: v for k, v in made.items() if k != "title"
    }
    demo = (files("stanch.virtual") / "demo" / "assay.toml").read_text(encoding="utf-8")
    jsonschema.validate(tomllib.loads(demo), shipped)
