"""Virtual donors and patients: what is drawn is what is stated."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.virtual.blood.distributions import CAUSES, DISTURBANCES, HEALTHY, PATIENT, UNUSABLE, spread
from stanch.virtual.blood.population import PATIENT_KINDS, draw, serial
from stanch.virtual.blood.records import FACTORS, Composition
from stanch.virtual.faults import Fault


def value(patient, key):
    c = patient.composition
    return c.factor(key.removeprefix("factor ")) if key.startswith("factor ") else getattr(c, key)


@pytest.mark.parametrize(("kind", "rows"), [("healthy", HEALTHY), ("heparin", PATIENT)])
def test_shares_of_a_large_draw_lie_where_the_distributions_say(kind, rows):
    people = draw(kind, 2500, seed=20)
    for row in rows:
        found = np.array([value(p, row.key) for p in people if row.sex in ("", p.sex)])
        for share in (0.025, 0.25, 0.5, 0.75, 0.975):
            below = int((found <= float(row.quantile(share))).sum())
            # Six standard deviations of a binomial share: one draw in 10^9.
            assert abs(below - share * found.size) < 6 * math.sqrt(share * (1 - share) * found.size), (row.key, share)


@pytest.mark.parametrize("row", [*HEALTHY, *PATIENT], ids=lambda row: f"{row.key} {row.sex}")
def test_a_published_range_is_the_central_95_percent(row):
    # Truncation lies outside the range and takes little.
    assert row.least <= row.low < row.high <= row.most
    assert float(row.quantile(0.0)) >= row.least
    assert float(row.quantile(1.0)) <= row.most
    if row.origin == "published" and not math.isinf(row.most):
        assert float(row.quantile(0.025)) == pytest.approx(row.low, rel=0.02)
        assert float(row.quantile(0.975)) == pytest.approx(row.high, rel=0.02)


def test_values_move_together_as_their_shared_causes_say():
    keys = ("factor II", "factor X", "fibrinogen", "factor VIII", "platelets")
    people = draw("healthy", 2500, seed=3)
    logs = np.array([[math.log(value(p, key)) for key in keys] for p in people])
    np.testing.assert_allclose(np.corrcoef(logs.T), spread(keys), atol=0.1)
    assert spread(keys)[0, 1] == pytest.approx(0.6 * 0.6 + 0.4 * 0.4)


def test_the_correlation_of_every_population_can_be_one():
    for rows in (HEALTHY, PATIENT):
        keys = tuple(row.key for row in rows)
        assert np.linalg.eigvalsh(spread(keys)).min() > 0
    known = {row.key for row in HEALTHY}
    assert all(key in known for cause in CAUSES.values() for key in cause)
    assert {f"factor {name}" for name in FACTORS} <= known


def test_the_same_seed_gives_the_same_people_and_a_longer_draw_begins_with_the_shorter():
    assert draw("mixture", 5, seed=4) == draw("mixture", 9, seed=4)[:5]
    assert draw("mixture", 5, seed=4) != draw("mixture", 5, seed=5)
    assert draw("healthy", 0, seed=1) == ()


def test_samples_of_a_donor_differ_by_the_stated_variation_within_people():
    donors = serial("healthy", 600, 2, seed=8)
    assert [pair[0] for pair in donors] == list(draw("healthy", 600, seed=8))
    for row in HEALTHY:
        if row.sex or row.form != "lognormal":
            continue
        logs = np.log([[value(p, row.key) for p in pair] for pair in donors])
        within = float(np.sqrt(np.mean((logs[:, 0] - logs[:, 1]) ** 2) / 2))
        # A standard deviation from 600 differences is known to 3 % (1 SD).
        assert within == pytest.approx(row.within, rel=0.15), row.key
        between = float(np.std(logs.mean(axis=1)))
        assert between > within


def test_each_kind_has_its_disturbance_and_no_other():
    ordinary = draw("healthy", 1, seed=1)[0]
    assert ordinary.disturbed == {}
    for kind, changes in DISTURBANCES.items():
        for patient in draw(kind, 40, seed=6):
            assert patient.kind == kind
            assert patient.subject.startswith("demo-")
            assert set(patient.disturbed) == {change.words for change in changes}
            c = patient.composition
            assert (c.heparin > 0) == (kind == "heparin")
            assert (c.dilution > 0) == (kind == "dilution")
            assert (c.fibrinogen < 1.5) == (kind == "low fibrinogen") or kind == "healthy"
            assert (c.platelets < 100e12) == (kind == "low platelets")
            assert (c.tpa > 5e-7) == (kind == "lysis")


def test_mixtures_have_two_or_three_disturbances():
    names = {words.words: kind for kind, changes in DISTURBANCES.items() for words in changes}
    counts = [len({names[words] for words in p.disturbed}) for p in draw("mixture", 200, seed=6)]
    assert set(counts) == {2, 3}


def test_a_flaw_is_told_by_facts_and_faults_that_a_scenario_can_hold():
    from pydantic import TypeAdapter

    from stanch.virtual.scenario_tables import SampleTable

    patients = draw("unusable", 8, seed=2)
    assert {next(iter(p.disturbed)) for p in patients} == {flaw.name for flaw in UNUSABLE}
    for patient in patients:
        assert patient.facts or patient.fault
        SampleTable(sample=patient.subject, **patient.facts)
        if patient.fault:
            TypeAdapter(Fault).validate_python(dict(patient.fault))


@given(kind=st.sampled_from(PATIENT_KINDS), seed=st.integers(0, 10**6))
@settings(derandomize=True, deadline=None, max_examples=60)
def test_every_draw_is_a_composition_that_blood_can_have(kind, seed):
    for patient in draw(kind, 2, seed):
        assert isinstance(patient.composition, Composition)
        assert dataclasses.replace(patient.composition) == patient.composition


@pytest.mark.parametrize(("kind", "count", "what"), [("tired", 1, "kind"), ("healthy", -1, "count")])
def test_what_cannot_be_drawn_is_refused(kind, count, what):
    with pytest.raises(InputError, match=what):
        draw(kind, count, seed=1)
