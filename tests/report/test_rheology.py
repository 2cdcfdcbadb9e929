"""With a richer rheology every output states the frequency, and shows the loss tangent and the damping ratio."""

from __future__ import annotations

import csv
import importlib.util
import io
import json
import math
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from stanch.frames import to_frame, to_xarray
from stanch.report.html import render
from stanch.report.json import as_dict, dumps
from stanch.report.tables import tables
from stanch.report.text import summary


@pytest.fixture(scope="module")
def synthetic() -> Any:
    path = Path(__file__).parent / "synthetic.py"
    spec = importlib.util.spec_from_file_location("synthetic_for_rheology", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def plain(synthetic: Any) -> Any:
    return synthetic.make_result()


@pytest.fixture(scope="module")
def rich(synthetic: Any, plain: Any) -> Any:
    return synthetic.with_rheology(plain)


def test_text_names_the_frequency_over_every_column_of_moduli(plain: Any, rich: Any) -> None:
    text = summary(rich)
    assert "storage modulus G' at 100 Hz of a fractional Kelvin-Voigt medium" in text
    assert text.count("value (moduli at 100 Hz)") == 2
    assert "Gel time" in text
    assert "Onset delay" in text
    bare = summary(plain)
    assert "the same at every frequency" in bare
    assert "100 Hz" not in bare


def test_json_states_it_at_every_number(plain: Any, rich: Any) -> None:
    found = json.loads(dumps(rich))
    assert found["rheology"] == {"model": "fractional_kelvin_voigt", "frequency_hz": 100.0}
    numbers = [r for w in found["wells"] for r in w["readings"]] + found["contrasts"]
    assert {n["frequency_hz"] for n in numbers} == {100.0}
    shipped = json.loads((files("stanch.schemas") / "result-1.json").read_text(encoding="utf-8"))
    jsonschema.validate(found, shipped)
    bare = as_dict(plain)
    jsonschema.validate(json.loads(json.dumps(bare)), shipped)
    assert bare["rheology"] == {"model": "kelvin_voigt", "frequency_hz": None}
    assert {r["frequency_hz"] for w in bare["wells"] for r in w["readings"]} == {None}


def test_a_result_without_the_key_still_meets_the_schema(plain: Any) -> None:
    shipped = json.loads((files("stanch.schemas") / "result-1.json").read_text(encoding="utf-8"))
    old = json.loads(dumps(plain))
    del old["rheology"]
    for one in [r for w in old["wells"] for r in w["readings"]] + old["contrasts"]:
        del one["frequency_hz"]
    jsonschema.validate(old, shipped)


def test_tables_carry_loss_tangent_damping_and_frequency(plain: Any, rich: Any) -> None:
    texts = tables(rich)
    for name, text in texts.items():
        rows = list(csv.DictReader(io.StringIO(text)))
        assert rows, name
        assert {row["frequency_hz"] for row in rows} == {"100.0"}, name
    push = list(csv.DictReader(io.StringIO(texts["pushes.csv"])))[60]
    rheology = rich.wells[0].moduli.rheology
    assert float(push["loss_tangent"]) == pytest.approx(math.exp(rheology.log_loss_tangent[60]))
    ratio = float(push["loss_tangent_high"]) / float(push["loss_tangent_low"])
    assert math.log(ratio) == pytest.approx(2 * 1.959964 * rheology.log_loss_tangent_sd[60], rel=1e-6)
    assert float(push["damping_ratio"]) == rheology.damping_ratio[60]
    for name, text in tables(plain).items():
        first = next(csv.DictReader(io.StringIO(text)))
        assert first["frequency_hz"] == "", name
        assert first.get("loss_tangent", "") == "", name


def test_html_shows_both_figures_and_states_the_frequency(plain: Any, rich: Any) -> None:
    page = render(rich)
    assert "Loss tangent at 100 Hz of every well" in page
    assert "Damping ratio of the slowest mode" in page
    assert "nothing is read from it" in page
    assert page.count("Value, moduli at 100 Hz") == 2 + len(rich.wells)
    assert "Modulus G' at 100 Hz (Pa)" in page.replace("&#39;", "'")
    assert "base: gel time 2.4" in page
    bare = render(plain)
    assert "Loss tangent" not in bare
    assert "Damping ratio" not in bare
    assert "100 Hz" not in bare


def test_no_reading_of_the_damping_ratio(rich: Any) -> None:
    for well in as_dict(rich)["wells"]:
        assert "damping_ratio" not in {r["name"] for r in well["readings"]}


def test_frames_carry_them_too(plain: Any, rich: Any) -> None:
    pytest.importorskip("pandas")
    pytest.importorskip("xarray")
    assert set(to_frame(rich)["frequency_hz"]) == {100.0}
    assert to_frame(plain)["frequency_hz"].isna().all()
    dataset = to_xarray(rich)
    assert dataset.attrs["frequency_hz"] == 100.0
    assert {"loss_tangent", "loss_low", "loss_high"} < set(dataset.data_vars)
    assert "loss_tangent" not in to_xarray(plain).data_vars


def test_the_loss_figure_has_a_logarithmic_axis_a_line_at_one_and_a_ring_for_every_gel_time(rich: Any) -> None:
    from stanch.figures.loss_tangent import loss_tangent_figure

    axes = loss_tangent_figure(rich.wells).axes[0]
    assert axes.get_yscale() == "log"
    lines = [line for line in axes.lines if list(line.get_ydata()) == [1.0, 1.0] and len(set(line.get_xdata())) == 2]
    assert any(list(line.get_xdata()) == [0, 1] for line in lines)
    rings = [line for line in axes.lines if line.get_marker() == "o"]
    at = sorted(float(line.get_xdata()[0]) for line in rings)
    assert at == pytest.approx(sorted(w.readings["gel_time"].estimate.value / 60.0 for w in rich.wells))
    assert "100 Hz" in axes.get_title(loc="left")
    assert re.search(r"min", axes.get_xlabel())


def test_no_figure_without_a_richer_rheology(plain: Any) -> None:
    from stanch.figures.damping import damping_figure
    from stanch.figures.loss_tangent import loss_tangent_figure

    assert loss_tangent_figure(plain.wells) is None
    assert damping_figure(plain.wells) is None


def test_running_medians_shorten_at_the_ends() -> None:
    import numpy as np

    from stanch.figures.damping import running_median

    found = running_median(np.array([1.0, 2.0, 30.0, 4.0, 5.0, 6.0]))
    np.testing.assert_array_equal(found, [2.0, 3.0, 4.0, 5.0, 5.5, 5.0])
    assert running_median(np.empty(0)).size == 0


def test_inspection_says_what_moduli_the_document_asks_for() -> None:
    from stanch.report.inspect import _moduli

    text = (files("stanch.virtual") / "demo" / "assay.toml").read_text(encoding="utf-8")
    assert _moduli(text) == "shear modulus of a Kelvin-Voigt medium, the same at every frequency"
    place = text.index("# -----")
    rich = f'{text[:place]}[settings]\nrheology = "zener"\nfrequency = "60 Hz"\n{text[place:]}'
    assert _moduli(rich) == "storage modulus G' at 60 Hz of a Zener medium"
    assert _moduli("no document").startswith("unknown")


def test_a_finding_may_rest_on_a_gel_time(synthetic: Any, rich: Any) -> None:
    from dataclasses import replace

    from stanch.findings.evaluate import evaluate
    from stanch.readings.assay import load_assay
    from stanch.report.view import view

    text = """schema = "stanch.assay/1"
name = "gel"
onset_modulus = "24 Pa"
hold = "9 min"
follow = "28 min"
[settings]
rheology = "fractional_kelvin_voigt"
[[limit]]
of = "gel_time"
well = "low"
kind = "decision"
high = "12 min"
source = "invented"
[[rule]]
key = "late"
group = "factors"
about = "late gelation"
text = "Gelation is late."
minimum_probability = "90 %"
approved_by = "nobody"
evidence = "none"
[[rule.when]]
of = "gel_time"
well = "low"
is = "above"
limit = "decision"
"""
    assay = load_assay(text, "t")
    read = [w.readings for w in rich.wells]
    found, _, _ = evaluate(assay, read, (), ())
    (late,) = [f for f in found if f.key == "late"]
    assert late.outcome == "supports"
    assert late.probability is not None
    assert late.probability > 0.99
    shown = view(replace(rich, assay_text=text, contrasts=(), findings=found))
    (row,) = shown.limits
    assert (row.of, row.well, row.above) == ("Gel time", "low", "above 99 %")
