"""Every hold judged: the smallest one, availability, time saved, and edges."""

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.hold import hold_study
from stanch.verify.intervals import share_interval

OPTIONS = {"resamples": 100}


def _sample(n=60, seed=0):
    rng = np.random.default_rng(seed)
    top = rng.normal(6, 0.5, n)
    early = top[:, None] - 0.5 + rng.normal(0, 1, n)[:, None] * [0.3, 0.15, 0.05]
    return np.exp(early), np.exp(top), np.zeros(n, bool)


def test_the_smallest_hold_is_that_below_which_the_limit_is_passed():
    early, top, none = _sample()
    found = hold_study(early, top, none, (1, 2, 3), allowed=40.0, **OPTIONS)
    highs = [h.accuracy.ninety.high for h in found.holds]
    assert highs[0] > 40 > highs[1] > highs[2]
    assert (found.smallest, found.stopped_at, found.outcome) == (2.0, 1.0, "met")
    strict = hold_study(early, top, none, (1, 2, 3), allowed=1.0, **OPTIONS)
    assert (strict.smallest, strict.stopped_at, strict.outcome) == (None, 3.0, "not met")
    assert hold_study(early, top, none, (1, 2, 3), **OPTIONS).outcome == "no limit stated"


def test_a_longer_hold_that_fails_ends_the_claim():
    early, top, none = _sample()
    found = hold_study(early[:, ::-1], top, none, (1, 2, 3), allowed=40.0, **OPTIONS)
    assert found.smallest is None
    assert found.stopped_at == 3.0
    assert found.outcome == "undecided"


def test_holds_may_be_given_in_any_order():
    early, top, none = _sample()
    plain = hold_study(early, top, none, (1, 2, 3), allowed=40.0, **OPTIONS)
    turned = hold_study(early[:, [2, 0, 1]], top, none, (3, 1, 2), allowed=40.0, **OPTIONS)
    assert [h.accuracy for h in plain.holds] == [h.accuracy for h in turned.holds]
    assert turned.smallest == plain.smallest


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_the_unit_of_the_modulus_does_not_matter(scale):
    early, top, none = _sample()
    plain = hold_study(early, top, none, (1, 2, 3), limits=(300.0,), **OPTIONS)
    other = hold_study(scale * early, scale * top, none, (1, 2, 3), limits=(300.0 * scale,), **OPTIONS)
    for a, b in zip(plain.holds, other.holds):
        assert b.accuracy.ninety.value == pytest.approx(a.accuracy.ninety.value, rel=1e-6)
        assert b.decisions[0].counts == a.decisions[0].counts
        assert b.slope == pytest.approx(a.slope)


def test_missing_readings_lower_the_availability_and_are_left_out():
    early, top, none = _sample()
    early[:45, 2] = np.nan
    found = hold_study(early, top, none, (1, 2, 3), allowed=40.0, **OPTIONS)
    assert found.holds[2].available == share_interval(15, 60, level=0.9)
    assert found.holds[2].accuracy.n == 15
    assert found.skipped == (3.0,)
    assert found.smallest == 2.0


def test_time_saved_is_plateau_entry_minus_onset_and_hold():
    early, top, none = _sample()
    onset = np.full(60, 4.0)
    entry = 4.0 + np.linspace(10, 30, 60)
    late = entry > 30
    found = hold_study(
        early, top, none, (1, 2, 3), onset=onset, entry=np.minimum(entry, 30), entry_open=late, **OPTIONS
    )
    exact = np.sort(entry - 4.0)[29]
    assert [h.saved.value for h in found.holds] == pytest.approx([exact - 1, exact - 2, exact - 3])
    assert found.holds[0].saved.unit == "min"
    assert hold_study(early, top, none, (1, 2, 3), **OPTIONS).holds[0].saved.value is None


def test_knowing_nothing_is_no_better_than_the_spread():
    rng = np.random.default_rng(3)
    top = np.exp(rng.normal(6, 0.4, 80))
    noise = np.exp(rng.normal(6, 0.4, (80, 1)))
    found = hold_study(noise, top, np.zeros(80, bool), (5,), **OPTIONS).holds[0]
    assert found.accuracy.left.value == pytest.approx(1.0, abs=0.03)
    whole = hold_study(top[:, None], top, np.zeros(80, bool), (5,), **OPTIONS).holds[0]
    assert whole.accuracy.left.value < 1e-9
    assert whole.correlation.value == pytest.approx(1.0)
    assert "Inflated" in whole.correlation.why


def test_the_correlation_is_inflated_by_the_spread_of_samples_but_the_error_is_not():
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 0.1, 400)

    def both(spread):
        top = rng.normal(6, spread, 400)
        return hold_study(np.exp(top + noise)[:, None], np.exp(top), np.zeros(400, bool), (5,), **OPTIONS).holds[0]

    narrow, wide = both(0.2), both(1.0)
    assert wide.correlation.value - narrow.correlation.value > 0.08
    assert wide.accuracy.ninety.value == pytest.approx(narrow.accuracy.ninety.value, rel=0.25)


def test_a_constant_early_reading_is_said_to_predict_nothing():
    early, top, none = _sample()
    early[:, 0] = 5.0
    found = hold_study(early, top, none, (1, 2, 3), allowed=40.0, **OPTIONS)
    assert found.holds[0].accuracy is None
    assert "differ" in found.holds[0].why


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"limits": (0.0,)}, "above 0"),
        ({"allowed": -1.0}, "above 0 %"),
        ({"holds": (1, 2)}, "by 2 holds"),
        ({"plateau": np.full(60, np.nan)}, "four or more"),
        ({"donor": np.full(60, "a")}, "three or more donors"),
    ],
)
def test_what_cannot_be_judged_is_refused(change, words):
    early, top, none = _sample()
    given = {"plateau": top, "holds": (1, 2, 3), **change}
    with pytest.raises(InputError, match=words):
        hold_study(early, given.pop("plateau"), none, given.pop("holds"), **given)


def test_four_curves_have_numbers_but_no_limits():
    early, top, none = _sample(4)
    found = hold_study(early, top, none, (1, 2, 3), allowed=40.0, **OPTIONS)
    assert all(h.accuracy.ninety.high is None for h in found.holds if h.accuracy)
    assert found.outcome == "undecided"


def test_predictions_may_be_kept_of_the_hold_claimed_alone():
    early, top, none = _sample()
    early[5, 1] = np.nan
    every = hold_study(early, top, none, (1, 2, 3), allowed=40.0, **OPTIONS)
    few = hold_study(early, top, none, (1, 2, 3), allowed=40.0, predictions=False, **OPTIONS)
    assert [h.predicted.size for h in few.holds] == [0, 60, 0]
    np.testing.assert_array_equal(few.holds[1].predicted, every.holds[1].predicted)
    assert [h.accuracy for h in few.holds] == [h.accuracy for h in every.holds]


@pytest.mark.slow
def test_a_hundred_thousand_curves_with_open_plateaus():
    rng = np.random.default_rng(3)
    n = 100_000
    top = rng.normal(6, 0.5, n // 2).repeat(2) + rng.normal(0, 0.1, n)
    early = np.exp(top - 0.5 + rng.normal(0, 0.1, n))[:, None]
    hidden = top > 6.4 + rng.normal(0, 0.3, n)
    seen = np.exp(np.where(hidden, top - 0.05, top))
    onset, entry = np.zeros(n), rng.uniform(10, 40, n)
    found = hold_study(
        early, seen, hidden, (5,), donor=np.arange(n // 2).repeat(2), onset=onset, entry=entry, entry_open=hidden
    )
    one = found.holds[0]
    assert one.accuracy.ninety.low < one.accuracy.ninety.value < one.accuracy.ninety.high
    assert one.accuracy.ninety.high - one.accuracy.ninety.low < 0.02 * one.accuracy.ninety.value
    assert one.saved.low < one.saved.value < one.saved.high
