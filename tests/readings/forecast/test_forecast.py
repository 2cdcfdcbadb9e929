"""Forecasts from growing curves."""

import dataclasses
import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.readings.forecast import targets
from stanch.readings.forecast.forecast import Forecaster, curve_until, forecast, margin_key
from stanch.readings.forecast.phase import PHASES
from stanch.readings.forecast.records import NOT_A_READING, Margin

FINE = np.linspace(0.0, 3600.0, 1801)


@pytest.fixture(scope="module")
def teller(prior):
    return Forecaster(prior, seed=3)


def inside(found, truth):
    return found.estimate.low <= truth <= found.estimate.high


def test_before_any_push_the_prior_speaks_alone(teller, prior):
    found = teller.well(None, "under", 10.0)
    tops = [targets.plateau(prior.time[:121], np.exp(row[None, :121]) - 10.0)[0] for row in prior.library["under"]]
    e = found["plateau"].estimate
    assert e.status == "provisional"
    assert e.value == pytest.approx(np.median(tops), rel=0.15)
    share = np.mean([(e.low <= top <= e.high) for top in tops])
    assert share >= 0.93
    assert found["plateau"].effective == pytest.approx(60.0)
    assert e.why.startswith(NOT_A_READING)


def test_intervals_narrow_as_the_curve_grows_and_most_hold_the_truth(teller, samples, draw, definitions):
    held, widths = [], []
    for seed, one in enumerate(samples(12, 100)):
        truth = one["under"]
        moduli = draw(truth, seed=seed)
        top = targets.plateau(FINE, truth(FINE)[None, :])[0]
        early = targets.early_modulus(FINE, truth(FINE)[None, :], definitions)[0][0]
        for now in (30.0, 600.0, 1500.0):
            found = teller.well(curve_until(moduli, now), "under", now)
            held += [inside(found["plateau"], top), inside(found["early_modulus"], early)]
            e = found["plateau"].estimate
            widths.append((e.high - e.low) / top)
    # Margins are set by hand here and not learnt, so only a gross fault shows; the study of coverage is a slow test.
    assert sum(held) >= 60
    assert len(held) == 72
    first, second, third = np.median(np.reshape(widths, (12, 3)), axis=0)
    assert third < 0.5 * second < 0.25 * first


def test_an_early_modulus_that_lies_behind_is_the_one_seen(teller, growing, draw, definitions):
    truth = growing(400.0, 120.0, 300.0)
    curve = curve_until(draw(truth, seed=2), 1500.0)
    e = teller.well(curve, "under", 1500.0)["early_modulus"].estimate
    onset = targets.early_modulus(FINE, truth(FINE)[None, :], definitions)[1][0]
    assert e.value == pytest.approx(float(truth(np.array([onset + 480.0]))[0]), rel=0.02)
    assert (e.high - e.low) / e.value < 0.1


def test_nothing_after_now_is_looked_at(teller, growing, draw):
    moduli = draw(growing(400.0, 120.0, 300.0), seed=2)
    later = moduli.push_time > 600.0
    assert later.any()
    spoilt = dataclasses.replace(
        moduli, log_modulus=np.where(later, 3.0, moduli.log_modulus), modulus=np.where(later, 1.0, moduli.modulus)
    )
    one, other = (teller.well(curve_until(m, 600.0), "under", 600.0) for m in (moduli, spoilt))
    assert one["plateau"].estimate == other["plateau"].estimate
    assert curve_until(moduli, 600.0).time[-1] <= 600.0


def test_there_is_no_curve_of_three_pushes(growing, draw):
    moduli = draw(growing(400.0, 120.0, 300.0), seed=2)
    assert curve_until(moduli, float(moduli.push_time[2])) is None
    assert curve_until(moduli, float(moduli.push_time[3])) is not None


def test_retention_of_a_pair(teller, growing, draw, definitions):
    for loss in (0.0, 2e-4):
        wells = growing(400.0, 120.0, 300.0, loss), growing(400.0, 120.0, 300.0)
        truth = targets.retention(FINE, *(f(FINE)[None, :] for f in wells), definitions).value[0]
        for now in (300.0, 1200.0, 2000.0):
            curves = tuple(curve_until(draw(f, seed=k), now) for k, f in enumerate(wells))
            found = teller.pair(curves, ("without", "under"), now)
            assert inside(found, truth)
        assert found.estimate.value == pytest.approx(truth, abs=0.05)


def test_a_retention_that_cannot_come_is_not_forecast(teller, draw):
    liquid = draw(lambda t: 0.0 * t, seed=1)
    curve = curve_until(liquid, 3000.0)
    found = teller.pair((curve, curve), ("without", "under"), 3000.0)
    assert found.estimate.status == "unavailable"
    assert found.samples.size == 0


def test_what_the_prior_does_not_know_is_not_forecast(teller, draw):
    found = teller.well(None, "some other well", 60.0)["plateau"]
    assert found.estimate.status == "unavailable"
    assert "some other well" in found.estimate.why
    odd = draw(lambda t: 1500.0 * (1.0 + 0.9 * np.sin(t / 60.0)), seed=1)
    found = teller.well(curve_until(odd, 600.0), "under", 600.0)["plateau"]
    assert found.estimate.status == "unavailable"
    assert "no curve of the prior" in found.estimate.why


def test_a_misfit_beyond_what_was_held_out_widens(prior, growing, draw):
    curve = curve_until(draw(growing(400.0, 120.0, 300.0), seed=2), 600.0)
    plain = Forecaster(prior, seed=3).well(curve, "under", 600.0)["plateau"]
    strict = {key: dataclasses.replace(m, misfit=plain.misfit / 2.0) for key, m in prior.margins.items()}
    wide = Forecaster(dataclasses.replace(prior, margins=strict), seed=3).well(curve, "under", 600.0)["plateau"]
    ratio = np.diff(np.log([wide.estimate.low + 10, wide.estimate.high + 10])) / np.diff(
        np.log([plain.estimate.low + 10, plain.estimate.high + 10])
    )
    assert ratio[0] == pytest.approx(math.sqrt(2.0), rel=0.02)
    assert "Widened" in wide.estimate.why


def test_a_curve_that_leaves_its_course_surprises(teller, prior, growing, draw):
    plain = growing(400.0, 120.0, 300.0)

    def turned(t):
        # As the others until ten minutes; then it gains half as much again in three minutes.
        return plain(t) * (1.0 + 0.5 * np.clip((np.asarray(t) - 600.0) / 180.0, 0.0, 1.0))

    seen = {}
    for name, truth in (("plain", plain), ("turned", turned)):
        curve = curve_until(draw(truth, seed=2), 780.0)
        seen[name] = teller.well(curve, "under", 780.0)["plateau"]
    assert seen["plain"].surprise < 2.0
    assert seen["turned"].surprise > 5.0
    # By the surprise alone: the alarm of misfit is turned off.
    deaf = {key: dataclasses.replace(m, misfit=1e9, surprise=3.0) for key, m in prior.margins.items()}
    curve = curve_until(draw(turned, seed=2), 780.0)
    assert (
        "Widened"
        in Forecaster(dataclasses.replace(prior, margins=deaf), seed=3)
        .well(curve, "under", 780.0)["plateau"]
        .estimate.why
    )
    early = teller.well(curve_until(draw(turned, seed=2), 595.0), "under", 595.0)["plateau"]
    assert early.surprise < 2.0
    assert teller.well(None, "under", 10.0)["plateau"].surprise == 0.0


def test_margins_of_the_class_come_before_those_of_all_wells(prior):
    own = {margin_key("plateau", "under", phase): Margin(2.0, 2.0, 3.0, 9.0, 50) for phase in PHASES}
    one, other = (
        Forecaster(dataclasses.replace(prior, margins=m), seed=3).well(None, "under", 10.0)["plateau"].estimate
        for m in (prior.margins, {**prior.margins, **own})
    )
    assert other.high - other.low > one.high - one.low
    none = Forecaster(dataclasses.replace(prior, margins={}), seed=3).well(None, "under", 10.0)["plateau"]
    assert none.estimate.status == "unavailable"


def test_an_interval_goes_no_further_than_twice_the_highest_of_the_library(prior):
    """A margin that would stretch it a thousandfold; the top of the library is read off the candidates."""
    wild = {key: dataclasses.replace(m, up=50.0) for key, m in prior.margins.items()}
    teller = Forecaster(dataclasses.replace(prior, margins=wild), seed=3)
    found = teller.well(None, "under", 10.0)["plateau"]
    (raw, *_) = teller.raw_well(None, "under", 10.0)
    known = np.exp(prior.library["under"]).max() - 10.0
    assert known <= raw.highest <= 1.6 * known
    assert found.samples.max() == found.estimate.high == pytest.approx(2.0 * raw.highest)
    kept = teller.pair((None, None), ("without", "under"), 10.0)
    assert kept.samples.max() <= 2.0 * 1.01


def test_the_same_seed_gives_the_same_forecast(prior, growing, draw):
    curve = curve_until(draw(growing(400.0, 120.0, 300.0), seed=2), 600.0)
    one, other = (forecast(curve, prior, now=600.0, quantity="plateau", well="under", seed=9) for _ in range(2))
    np.testing.assert_array_equal(one.samples, other.samples)
    assert one.ahead > 0.0
    assert one.probability_below(1e9) == 1.0


def test_calls_that_cannot_be_meant(prior):
    with pytest.raises(InputError, match="quantity"):
        forecast(None, prior, now=0.0, quantity="onset", well="under")
    with pytest.raises(InputError, match="partner"):
        forecast(None, prior, now=0.0, quantity="retention", well="under")
    with pytest.raises(InputError, match="now"):
        forecast(None, prior, now=4000.0, quantity="plateau", well="under")
