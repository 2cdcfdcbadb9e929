"""Contrasts of wells whose readings are known."""

import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.readings.contrast import contrast
from stanch.readings.definitions import ContrastDefinition, Definitions
from stanch.readings.read import read_well
from stanch.recording.records import Well

D = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)


@pytest.fixture
def side(exact, well):
    def make(name, function, *additives, seed=0, spread=0.0, **facts):
        curve = exact(function, spread=spread, seed=seed, paths=400)
        return well(name, *additives, **facts), curve, read_well(curve, D, seed=seed, well=name)

    return make


def _define(kind, reading, **more):
    return ContrastDefinition("c", kind, reading, "a", "b", more.pop("differs_in", "x"), **more)


def test_ratio_difference_and_share_of_plateaus(side, clot):
    a, b = side("a", clot(400.0)), side("b", clot(100.0), "x")
    for kind, wanted, unit in (("ratio", 4.0, "1"), ("difference", 300.0, "Pa"), ("share", 0.75, "1")):
        found = contrast(_define(kind, "plateau"), a, b, D, seed=1)
        assert found.estimate.value == pytest.approx(wanted, rel=1e-5)
        assert (found.estimate.unit, found.kind, found.key) == (unit, kind, "plateau")
    turned = contrast(_define("ratio", "plateau", inverse=True), a, b, D, seed=1)
    assert turned.estimate.value == pytest.approx(0.25, rel=1e-5)


def test_the_early_modulus_of_both_wells_is_read_at_the_base_wells_anchor(side, clot):
    a, b = side("a", clot(400.0)), side("b", clot(60.0, middle=1100.0), "x")
    anchor = 900.0 - 60.0 * math.log(19.0)
    rest = float(clot(60.0, middle=1100.0)(anchor + 480.0))
    found = contrast(_define("difference", "early_modulus", report="remainder"), a, b, D, seed=1)
    assert found.estimate.value == pytest.approx(rest, rel=1e-3)
    assert b[2]["early_modulus"].estimate.value > 1.05 * rest
    never = side("b", clot(8.0), "x")
    assert never[2]["onset"].estimate.status == "above"
    found = contrast(_define("difference", "early_modulus", report="remainder"), a, never, D, seed=1)
    assert found.estimate.value == pytest.approx(float(clot(8.0)(anchor + 480.0)), rel=1e-3)


def test_a_contrast_hands_on_both_wells_at_the_base_wells_onset(side, clot):
    a, never = side("a", clot(400.0)), side("b", clot(8.0), "x")
    anchor = 900.0 - 60.0 * math.log(19.0)
    for report in ({"kind": "share"}, {"kind": "difference"}, {"kind": "ratio", "inverse": True}):
        found = contrast(_define(report.pop("kind"), "early_modulus", **report), a, never, D, seed=1)
        mine, yours = found.at_base
        assert np.array_equal(mine, a[2]["early_modulus"].samples)
        assert yours == pytest.approx(float(clot(8.0)(anchor + 480.0)), rel=1e-3)
    # Samples before any block correction, and also where the number asked for cannot be formed.
    more = {"block_fraction": 0.8, "block_fraction_sd": 0.02}
    found = contrast(_define("difference", "early_modulus", report="remainder", **more), a, never, D, seed=1)
    assert np.array_equal(found.at_base[1], yours)
    found = contrast(_define("ratio", "early_modulus"), a, side("b", lambda t: 0.0 * t, "x"), D, seed=1)
    assert found.estimate.status == "unavailable"
    assert np.all(found.at_base[1] == 0.0)
    other = side("b", clot(60.0), "x", activator="contact")
    assert contrast(_define("share", "early_modulus", differs_in=""), a, other, D, seed=1).at_base is None
    assert contrast(_define("share", "plateau"), a, never, D, seed=1).at_base is None


def test_wells_with_different_activators_keep_their_own_anchors(side, clot):
    a, b = side("a", clot(400.0)), side("b", clot(60.0, middle=1100.0), "x", activator="contact")
    found = contrast(_define("difference", "early_modulus", report="remainder", differs_in=""), a, b, D, seed=1)
    assert found.estimate.value == pytest.approx(b[2]["early_modulus"].estimate.value, rel=1e-9)
    assert any("not checked" in warning for warning in found.warnings)


def test_a_pair_that_differs_in_anything_else_is_refused(side, clot):
    found = contrast(_define("ratio", "onset"), side("a", clot()), side("b", clot(), "x", "y"), D, seed=1)
    assert found.estimate.status == "unavailable"
    assert "only one well has y" in found.estimate.why
    assert found.samples.size == 0


@pytest.mark.parametrize("missing", [None, ("well", None, None)])
def test_a_missing_well(side, clot, missing):
    found = contrast(_define("ratio", "onset"), side("a", clot()), missing, D, seed=1)
    assert found.estimate.status == "unavailable"
    assert "Well b" in found.estimate.why


def test_a_denominator_that_may_be_zero_gives_the_difference(side, clot, exact, well):
    a = side("a", clot(400.0))
    curve = exact(clot(3.0), paths=400)
    curve.paths[:] = np.maximum(curve.paths - 3.2 * np.random.default_rng(1).random((400, 1)), 0.0)
    b = (well("b", "x"), curve, read_well(curve, D, seed=1))
    found = contrast(_define("ratio", "early_modulus"), a, b, D, seed=1)
    assert found.estimate.status == "unavailable"
    assert "denominator" in found.estimate.why
    assert found.offered.unit == "Pa"
    wanted = float(clot(400.0)(900.0 - 60.0 * math.log(19.0) + 480.0)) - 1.4
    assert found.offered.value == pytest.approx(wanted, abs=0.3)


def test_a_clot_that_never_sets_gives_a_bound(side, clot):
    never, sets = side("a", clot(5.0)), side("b", clot(400.0), "x")
    found = contrast(_define("ratio", "onset"), never, sets, D, seed=1)
    onset = 900.0 - 60.0 * math.log(19.0)
    assert found.estimate.status == "above"
    assert found.estimate.low == pytest.approx(3540.0 / onset, rel=1e-3)
    turned = contrast(_define("ratio", "onset", inverse=True), never, sets, D, seed=1)
    assert turned.estimate.status == "below"
    assert turned.estimate.high == pytest.approx(onset / 3540.0, rel=1e-3)
    both = contrast(_define("ratio", "onset"), never, side("b", clot(5.0), "x"), D, seed=1)
    assert both.estimate.status == "unavailable"


def test_bounds_survive_a_few_paths_that_never_set(side, clot, exact, well):
    curve = exact(clot(), paths=400)
    curve.paths[:12] = 0.0
    some = (well("a"), curve, read_well(curve, D, seed=1))
    assert some[2]["onset"].estimate.high is None
    found = contrast(_define("ratio", "onset"), some, side("b", clot(5.0), "x"), D, seed=1)
    assert found.estimate.status == "unavailable"
    assert "only as a bound" in found.estimate.why
    turned = contrast(_define("ratio", "onset", inverse=True), some, side("b", clot(5.0), "x"), D, seed=1)
    assert turned.estimate.status == "above"
    assert turned.estimate.low == 0.0


def test_block_correction_stands_beside_the_raw_number(side, clot):
    base, true_rest, b = 400.0, 100.0, 0.8
    seen = (1.0 - b) * base + b * true_rest
    a, blocked = side("a", clot(base)), side("b", clot(seen), "x")
    more = {"block_fraction": b, "block_fraction_sd": 0.02}
    for report, raw, corrected in ((None, base - seen, base - true_rest), ("remainder", seen, true_rest)):
        found = contrast(_define("difference", "plateau", report=report, **more), a, blocked, D, seed=1)
        assert found.raw.value == pytest.approx(raw, rel=1e-4)
        assert found.estimate.value == pytest.approx(corrected, abs=2.0)
        width = found.estimate.high - found.estimate.low
        assert width == pytest.approx(2 * 1.96 * 0.02 / b * (base - true_rest), rel=0.15)
    share = contrast(_define("share", "plateau", **more), a, blocked, D, seed=1)
    assert share.estimate.value == pytest.approx(0.75, abs=5e-3)


def test_declines(side):
    rate = 0.005 / 60.0
    loss = lambda t: 300.0 / (1.0 + np.exp(-(t - 600.0) / 40.0)) * np.exp(-rate * t)  # noqa: E731
    kept = lambda t: 250.0 / (1.0 + np.exp(-(t - 600.0) / 40.0))  # noqa: E731
    a, b = side("a", loss), side("b", kept, "x")
    wanted = {"retention": np.exp(-rate * 1500.0), "excess_loss_rate": rate, "shared_decline": 0.0}
    for report, value in wanted.items():
        found = contrast(_define("decline", None, report=report), a, b, D, seed=1)
        assert found.estimate.value == pytest.approx(value, rel=2e-3, abs=1e-4 if report == "shared_decline" else 0.0)
        assert found.key == report
        assert found.ages == (480.0, 1980.0)
    assert contrast(_define("decline", None), a, b, D, seed=1).key == "retention"


def test_a_clot_lost_before_the_comparison_has_no_retention(side):
    """It read about 100 %: next to nothing over next to nothing."""
    grown = lambda t: 300.0 / (1.0 + np.exp(-(t - 600.0) / 40.0))  # noqa: E731
    a, b = side("a", lambda t: np.where(t < 950.0, grown(t), 0.0)), side("b", grown, "x")
    for report in ("retention", "excess_loss_rate"):
        found = contrast(_define("decline", None, report=report), a, b, D, seed=1)
        assert found.estimate.status == "unavailable"
        assert "total retention" in found.estimate.why
    total = contrast(_define("decline", None, report="total_retention"), a, b, D, seed=1)
    assert total.estimate.high < 0.01


def test_a_common_gain_error_cancels_in_ratios_only(exact, well, clot):
    sides = []
    for name, top, additives in (("a", 400.0, ()), ("b", 100.0, ("x",))):
        curve = exact(clot(top), paths=400)
        sides.append((well(name, *additives), curve, read_well(curve, D, seed=1, systematic=0.04)))
    wanted = {"ratio": 0.0, "share": 0.0, "difference": 0.04}
    for kind, systematic in wanted.items():
        assert contrast(_define(kind, "plateau"), *sides, D, seed=1).estimate.systematic == systematic


def test_clocks_of_both_wells_enter(exact, well, clot):
    curve, late = exact(clot(), paths=400), exact(clot(middle=910.0), paths=400)
    a = (well("a"), curve, read_well(curve, D, seed=1))
    b = (well("b", "x"), late, read_well(late, D, seed=2, activation_offset=10.0))
    found = contrast(_define("ratio", "early_modulus"), a, b, D, seed=1)
    assert found.estimate.value == pytest.approx(1.0, rel=1e-4)


def test_provisional_readings_make_provisional_contrasts(exact, well, clot):
    curve = exact(clot(), end=1250.0, paths=400)
    a, b = ((well(n, *x), curve, read_well(curve, D, seed=1, complete=False)) for n, x in (("a", ()), ("b", ("x",))))
    assert contrast(_define("ratio", "early_modulus"), a, b, D, seed=1).estimate.status == "provisional"
    assert contrast(_define("ratio", "onset"), a, b, D, seed=1).estimate.status == "ok"


def test_a_block_fraction_without_its_uncertainty_is_refused() -> None:
    with pytest.raises(InputError, match="both or neither"):
        ContrastDefinition("c", "difference", "early_modulus", "a", "b", "blocker", block_fraction=0.9)


def test_a_contrast_of_times_says_that_an_activation_is_uncertain_by_an_unknown_amount(exact, clot):
    definition = ContrastDefinition("x", "difference", "onset", "a", "b", "")
    for sd, told in ((None, 1), (0.0, 0)):
        sides = []
        for name in ("a", "b"):
            curve = exact(clot(), spread=0.05)
            sides.append((Well(name, activation_sd=sd), curve, read_well(curve, D, seed=1)))
        found = contrast(definition, *sides, D, seed=1)
        assert sum("activation time of a and b is unknown" in w for w in found.warnings) == told
