"""Contrasts of curves drawn by hand, against arithmetic and against the analysis."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stanch.curve.records import Curve
from stanch.readings.contrast import contrast
from stanch.readings.definitions import ContrastDefinition, Definitions
from stanch.readings.read import read_well
from stanch.recording.records import Additive, Well
from stanch.virtual.growth import Growth
from stanch.virtual.true_contrasts import TrueWell, true_contrasts
from stanch.virtual.true_readings import true_curve, true_readings

from .curves import Drawn

D = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)
END = 3600.0


def well(name, *additives, activator="tissue factor"):
    return Well(name, activator=activator, additives=tuple(Additive(a) for a in additives))


BASE, BLOCKED = well("base"), well("blocked", "blocker")
STOPPED = well("stopped", "antifibrinolytic")


def sides(courses, end=END):
    """By Well: what a perfect analysis knows."""
    read = true_readings({w.name: c for w, c in courses.items()}, D, end=end)
    return {w.name: TrueWell(w, true_curve(c, 0.0, end), read[w.name]) for w, c in courses.items()}


def one(courses, definition, end=END):
    return true_contrasts(sides(courses, end), [definition], D)[definition.name]


def blocking(kind, **more):
    more = {"block_fraction": None, "block_fraction_sd": None, **more}
    return ContrastDefinition("c", kind, more.pop("reading", "early_modulus"), "base", "blocked", "blocker", **more)


STEEP = Drawn((0, 600, 4000), (0, 600, 600))  # onset 20 s, 500 Pa at 500 s
SHALLOW = Drawn((0, 600, 4000), (0, 120, 120))  # onset 100 s, 100 Pa at 500 s, 116 Pa at 580 s


def test_pairs_with_one_activator_are_read_at_the_base_anchor():
    pair = {BASE: STEEP, BLOCKED: SHALLOW}
    assert one(pair, blocking("difference")).value == pytest.approx(400.0)
    assert one(pair, blocking("difference", report="remainder")).value == pytest.approx(100.0)
    assert one(pair, blocking("ratio")).value == pytest.approx(5.0)
    assert one(pair, blocking("ratio", inverse=True)).value == pytest.approx(0.2)
    assert one(pair, blocking("share")).value == pytest.approx(0.8)
    weak = {BASE: STEEP, BLOCKED: Drawn((0, 600, 4000), (0, 9.6, 9.6))}
    assert one(weak, blocking("difference", report="remainder")).value == pytest.approx(8.0)


def test_wells_with_activators_of_their_own_are_read_at_their_own_anchors():
    pair = {BASE: STEEP, well("blocked", "blocker", activator="contact"): SHALLOW}
    definition = ContrastDefinition("c", "difference", "early_modulus", "base", "blocked", "")
    assert one(pair, definition).value == pytest.approx(500.0 - 116.0)


def test_block_fraction():
    """A blocker that takes away 80 % of 400 Pa leaves 180 Pa; corrected for it the two parts are 400 and 100 Pa."""
    pair = {BASE: STEEP, BLOCKED: Drawn((0, 600, 4000), (0, 216, 216))}
    lot = {"block_fraction": 0.8, "block_fraction_sd": 0.02}
    assert one(pair, blocking("difference", **lot)).value == pytest.approx(400.0)
    assert one(pair, blocking("difference", report="remainder", **lot)).value == pytest.approx(100.0)
    assert one(pair, blocking("share", **lot)).value == pytest.approx(0.8)


def declining(report):
    return ContrastDefinition("c", "decline", None, "base", "stopped", "antifibrinolytic", report=report)


def lysing(rate, start=0.0):
    """Onset at `start` + 20 s, 1000 Pa a second later, then an exponential decline."""
    age = np.arange(0.0, 4000.0, 1.0)
    height = np.where(age < 1, 0.0, 1000.0 * np.exp(-rate * age))
    return Drawn(tuple(start + 20.0 + age), tuple(height))


def test_declines_by_clot_age():
    """Both decline at 0.2 %/min, one of them at 1 %/min more; it sets two minutes later."""
    slow, fast = 0.002 / 60, 0.012 / 60
    pair = {BASE: lysing(fast, start=120.0), STOPPED: lysing(slow)}
    between = 1500.0
    for report, value in {
        "retention": math.exp(-(fast - slow) * between),
        "excess_loss_rate": fast - slow,
        "total_retention": math.exp(-(fast - slow) * 1980.0),
        "shared_decline": 1 - math.exp(-slow * between),
    }.items():
        assert one(pair, declining(report)).value == pytest.approx(value, rel=1e-3), report


def test_a_decline_ends_with_the_last_common_age():
    pair = {BASE: lysing(0.012 / 60, start=120.0), STOPPED: lysing(0.002 / 60)}
    ends = 120.0 + 20.0 + 480.0 + 1300.0
    assert one(pair, declining("retention"), end=ends).value == pytest.approx(math.exp(-0.01 / 60 * 1300), rel=1e-3)
    short = one(pair, declining("retention"), end=ends - 110.0)
    assert short.status == "unavailable"
    assert "at least 20 min" in short.why


def test_bounds():
    never = Drawn((0, 3600), (0, 10))
    late = ContrastDefinition("c", "ratio", "onset", "base", "blocked", "blocker")
    found = one({BASE: never, BLOCKED: SHALLOW}, late)
    assert (found.status, found.low) == ("above", pytest.approx(3540 / 100))
    found = one({BASE: SHALLOW, BLOCKED: never}, late)
    assert (found.status, found.high) == ("below", pytest.approx(100 / 3540))
    assert one({BASE: never, BLOCKED: never}, late).status == "unavailable"
    apart = ContrastDefinition("c", "difference", "onset", "base", "blocked", "blocker")
    found = one({BASE: never, BLOCKED: SHALLOW}, apart)
    assert (found.status, found.low, found.unit) == ("above", pytest.approx(3440.0), "s")
    already = Drawn((0, 3600), (50, 50))
    found = one({BASE: already, BLOCKED: SHALLOW}, apart)
    assert (found.status, found.high) == ("below", pytest.approx(-100.0))
    assert one({BASE: SHALLOW, BLOCKED: already}, late).status == "unavailable"  # it was below the first push at 0 s


def test_what_cannot_be_formed():
    definition = blocking("difference")
    assert "blocked is missing" in one({BASE: STEEP}, definition).why
    extra = well("blocked", "blocker", "something")
    assert "Refused" in one({BASE: STEEP, extra: SHALLOW}, definition).why
    never = Drawn((0, 3600), (0, 10))
    assert one({BASE: never, BLOCKED: SHALLOW}, definition).status == "unavailable"
    liquid = Drawn((0, 3600), (0, 0))
    zero = ContrastDefinition("c", "ratio", "early_modulus", "base", "blocked", "blocker")
    assert one({BASE: STEEP, BLOCKED: liquid}, zero).why == "The denominator is zero."
    assert one({BASE: STEEP, STOPPED: never}, declining("retention")).status == "unavailable"


@pytest.mark.parametrize("seed", range(4))
def test_the_analysis_finds_the_same(seed):
    rng = np.random.default_rng(seed)

    def grown(stiff, lysis):
        start, network = rng.uniform(60, 300), rng.uniform(60, 200)
        return Growth(start, network, 120.0, stiffening_modulus=stiff, lysis_rate=lysis, lysis_start=500.0)

    courses = {BASE: grown(400.0, 3e-4), BLOCKED: grown(20.0, 3e-4), STOPPED: grown(400.0, 0.0)}
    wanted = [
        blocking("difference", block_fraction=0.9, block_fraction_sd=1e-9),
        blocking("ratio"),
        *(declining(r) for r in ("retention", "excess_loss_rate", "total_retention", "shared_decline")),
    ]
    mine = sides(courses)
    theirs = {}
    for name, side in mine.items():
        g = side.curve.modulus
        curve = Curve(side.curve.time, g, g, g, g[None, :], None, None, None, side.curve.time, 0, {})
        theirs[name] = (side.well, curve, read_well(curve, D, seed=0, well=name))
    for definition in wanted:
        found = contrast(definition, theirs[definition.base], theirs[definition.other], D, seed=0)
        own = true_contrasts(mine, [definition], D)["c"]
        assert own.value == pytest.approx(found.estimate.value, rel=2e-3), definition
        assert own.unit == found.estimate.unit
