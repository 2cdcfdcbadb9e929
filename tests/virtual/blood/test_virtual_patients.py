"""From blood to findings: a reduced run of ``benchmarks/virtual_patients.py``, and that both of its routes agree."""

import importlib.util
import math
import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).parents[3] / "benchmarks" / "virtual_patients.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("virtual_patients_study", STUDY)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.fixture(scope="module")
def short(study):
    return [row for kind in study.KINDS for row in study.short_route(kind, 3, 0)]


@pytest.mark.slow
def test_no_finding_opposes_the_truth_and_no_interval_is_refuted(study, short):
    findings = [row for row in short if row.what == "finding" and row.truth is not None]
    assert {row.truth for row in findings} == {0.0, 1.0}
    assert [r.name for r in findings if (r.status == "supports", r.truth) == (True, 0.0)] == []
    assert [r.name for r in findings if (r.status == "does_not_support", r.truth) == (True, 1.0)] == []
    # Readings of one run hang together, so the exact p of independent ones is only held against gross faults.
    total = study.coverage(short)
    assert sum(row["inside"] for row in total) > 0.85 * sum(row["intervals"] for row in total)


@pytest.mark.slow
def test_stated_probabilities_hold_against_limits_about_the_truth(study, short):
    for row in study.calibration(short, "limit"):
        if row["statements"] >= 30:
            assert row["low"] - 0.15 <= row["stated"] <= row["high"] + 0.15, row


@pytest.mark.slow
def test_both_routes_agree(study):
    rows = study.short_route("mixture", 3, 1) + study.long_route("mixture", 3, 1, pushes=60)
    table = study.routes(rows)
    findings = [row for row in table if row["what"] == "finding"]
    assert len(findings) >= 8
    assert sum(row["opposed"] for row in findings) == 0
    numbers = [row for row in table if row["what"] != "finding" and row["pairs"]]
    assert len(numbers) >= 10
    spread = math.sqrt(sum(row["pairs"] * row["rms"] ** 2 for row in numbers) / sum(row["pairs"] for row in numbers))
    assert spread < 2.0


def test_the_comparison_of_routes_would_tell(study):
    a = study.Row("traces", 0, "healthy", "reading", "plateau: base", "ok", None, 100.0, 98.0, 102.0, 100.0)
    b = study.replace(a, route="echoes", low=108.0, high=112.0, value=110.0)
    assert study.routes([a, b])[0]["rms"] == pytest.approx(10.0 / (math.sqrt(2.0) * 4.0 / 3.92))


@pytest.mark.parametrize("kind", ["healthy", "lysis"])
def test_the_truth_is_that_of_the_readings_written_apart(study, kind):
    """The study takes the truth from the analysis' own definitions; ``virtual`` has a second version of them."""
    from stanch.virtual.blood.expect import DEMO_WELLS, courses
    from stanch.virtual.true_contrasts import known_wells, true_contrasts

    made = dict(zip(DEMO_WELLS, courses(study.patient_of(kind, 4, 0), tuple(DEMO_WELLS.values())), strict=True))
    wells, contrasts, _ = study.outcome({name: study.exact(c, 12.0, 3590.0) for name, c in made.items()}, 1, 0.94)
    definitions = study._assay().definitions()
    known = known_wells(study._records(), made, dict.fromkeys(made, (12.0, 3590.0)), definitions)
    for name, well in wells.items():
        for key in ("onset", "early_modulus", "plateau", "plateau_entry", "steepest_rise", "remaining"):
            mine, apart = well[key].estimate, known[name].readings[key]
            assert mine.status == apart.status, (name, key)
            if apart.value is not None:
                assert mine.value == pytest.approx(apart.value, rel=2e-3), (name, key)
    for name, apart in true_contrasts(known, study._assay().contrasts, definitions).items():
        mine = contrasts[name].estimate
        assert mine.status == apart.status, name
        if apart.value is not None:
            assert mine.value == pytest.approx(apart.value, rel=5e-3, abs=1e-5), name
