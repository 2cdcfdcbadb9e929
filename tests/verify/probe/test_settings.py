"""Effect of pushing: settings against statsmodels, the trend against SciPy, and the account."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import ttost_paired

from stanch.errors import InputError, UsageError
from stanch.verify import protocol
from stanch.verify.probe import exposure, probe_effect
from stanch.verify.table import Numbers, Table

SETTINGS = [(3.0, 1.0), (3.0, 2.0), (6.0, 2.0), (12.0, 1.0)]


def _data(slope=-0.05, seed=0, donors=8, noise=0.02):
    rng = np.random.default_rng(seed)
    name = np.repeat([f"d{k}" for k in range(donors)], len(SETTINGS))
    t, f = (np.tile([s[k] for s in SETTINGS], donors) for k in (0, 1))
    y = np.exp(np.repeat(rng.normal(6, 0.3, donors), len(SETTINGS)) + slope * f**2 / t + rng.normal(0, noise, t.size))
    return y, name, t, f


def test_exposure_by_hand():
    assert exposure([3.0, 6.0], [2.0, 2.0]).tolist() == pytest.approx([4 / 3, 4 / 6])
    assert exposure([3.0], [2.0], measure="sound").tolist() == pytest.approx([2 / 3])
    with pytest.raises(InputError, match="above 0"):
        exposure([0.0], [1.0])


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10_000))
def test_settings_are_paired_against_the_gentlest(seed):
    y, name, t, f = _data(seed=seed, noise=0.05)
    found = probe_effect(y, name, t, f, margin=1.1)
    assert found.gentlest == (12.0, 1.0)
    assert [(one.interval, one.force) for one in found.settings] == [(3.0, 1.0), (6.0, 2.0), (3.0, 2.0)]
    table = np.log(y).reshape(8, 4)
    edge = np.log(1.1)
    assert found.settings[-1].ratio.p == pytest.approx(ttost_paired(table[:, 1], table[:, 3], -edge, edge)[0], rel=1e-8)


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.integers(0, 10_000))
def test_the_trend_is_the_mean_of_the_donors_own_slopes(seed):
    y, name, t, f = _data(seed=seed)
    found = probe_effect(y, name, t, f, in_use=(3.0, 2.0))
    own = [stats.linregress((f**2 / t)[name == n], np.log(y)[name == n]).slope for n in np.unique(name)]
    test = stats.ttest_1samp(own, 0).confidence_interval(0.95)
    assert (found.slope.low, found.slope.high) == pytest.approx((test.low, test.high))
    assert found.against_none.value == pytest.approx(np.exp(np.mean(own) * 4 / 3))


def test_verdicts():
    still = probe_effect(*_data(0.0), margin=1.1)
    assert (still.outcome_settings, still.outcome_trend) == ("met", "met")
    moved = probe_effect(*_data(-0.3), margin=1.1)
    assert (moved.outcome_settings, moved.outcome_trend) == ("not met", "not met")
    assert probe_effect(*_data()).outcome_settings == "no limit stated"


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_units_of_reading_and_force_do_not_matter(scale):
    y, name, t, f = _data()
    plain, other = probe_effect(y, name, t, f), probe_effect(scale * y, name, t, scale * f)
    assert other.against_none.value == pytest.approx(plain.against_none.value, rel=1e-9)
    assert other.settings[0].ratio.difference.low == pytest.approx(plain.settings[0].ratio.difference.low, rel=1e-9)


def test_replicates_and_missing_settings():
    y, name, t, f = _data()
    twice = probe_effect(np.r_[y * 1.01, y / 1.01], np.r_[name, name], np.r_[t, t], np.r_[f, f])
    assert twice.against_none.value == pytest.approx(probe_effect(y, name, t, f).against_none.value)
    keep = ~((name == "d0") & (t == 12.0))
    fewer = probe_effect(y[keep], name[keep], t[keep], f[keep])
    assert [one.donors for one in fewer.settings] == [7, 7, 7]


def test_one_donor_has_no_trend_and_says_why():
    y, name, t, f = (v[:4] for v in _data())
    found = probe_effect(y, name, t, f, margin=1.1)
    assert found.trend is None
    assert "No trend" in found.against_none.why
    assert (found.outcome_settings, found.outcome_trend) == ("undecided", "undecided")


@pytest.mark.parametrize(
    ("y", "t", "words"), [([1.0] * 4, [3.0] * 4, "two or more"), ([0.0, 1, 1, 1], [3.0, 6, 3, 6], "above zero")]
)
def test_what_cannot_be_compared_is_refused(y, t, words):
    with pytest.raises(InputError, match=words):
        probe_effect(y, list("aabb"), t, [1.0] * 4)


def test_the_account():
    y, name, t, f = _data(0.0)
    table = Table.of({"d": name, "onset": y / 2, "top": y, "t": t, "f": f})
    options = {"sample": "d", "interval": "t", "force": "f"}
    found = protocol("probe")(table, onset="onset", plateau="top", allowed_onset=1.1, allowed_plateau=1.1, **options)
    assert [v.outcome for v in found.verdicts] == ["met"] * 4
    assert len(found.pictures) == 4
    assert all(p.caption and p.alt for p in found.pictures)
    json.dumps(found.numbers, default=lambda b: b.as_dict(), allow_nan=False)
    bare = protocol("probe")(table, plateau="top", **options)
    assert any("nothing is claimed" in w for w in bare.warnings)


def test_options_that_belong_together():
    table = Table.of({"d": ["a"], "y": [1.0], "t": [3.0]})
    for more, words in (({}, "neither"), ({"plateau": "y", "interval_in_use": 3.0}, "both or neither")):
        with pytest.raises(UsageError, match=words):
            protocol("probe")(table, sample="d", **more)


def test_bounds_are_refused():
    y, name, t, f = _data()
    late = Numbers(y, np.zeros(y.size, bool), np.arange(y.size) == 3)
    with pytest.raises(InputError, match="refused"):
        protocol("probe")(
            Table.of({"d": name, "o": late, "t": t, "f": f}), sample="d", onset="o", interval="t", force="f"
        )
