"""Courses of the demo's wells: what is shared, and the targets that virtual blood was calibrated against."""

from __future__ import annotations

import math
from functools import cache
from importlib.resources import files

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.readings.assay import load_assay
from stanch.recording.records import Additive, Well
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import clot_course
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.population import draw
from stanch.virtual.blood.records import Composition, Contents
from stanch.virtual.blood.thrombin import thrombin_course
from stanch.virtual.true_contrasts import TrueWell, true_contrasts
from stanch.virtual.true_readings import true_curve, true_readings

ASSAY = load_assay((files("stanch.virtual") / "demo" / "assay.toml").read_text("utf-8"), where="assay.toml")
HOUR = 3600.0


@cache
def read(**composition: float) -> dict[tuple[str, str], float]:
    """True readings by (key, well) and contrasts by (name, "") of an hour [SI]; nan where there is none."""
    return read_blood(Composition(**composition))


def read_blood(composition: Composition) -> dict[tuple[str, str], float]:
    """The same of a whole composition."""
    made = dict(zip(DEMO_WELLS, courses(composition, tuple(DEMO_WELLS.values())), strict=True))
    known = true_readings(made, ASSAY.definitions(), end=HOUR)
    wells = {
        w.name: TrueWell(
            Well(w.name, w.activator, tuple(Additive(a) for a in w.additives)),
            true_curve(made[w.name], 0.0, HOUR),
            known[w.name],
        )
        for w in ASSAY.wells
    }
    out = {(key, name): one for name, found in known.items() for key, one in found.items()}
    out |= {(name, ""): one for name, one in true_contrasts(wells, ASSAY.contrasts, ASSAY.definitions()).items()}
    return {key: math.nan if one.value is None else one.value for key, one in out.items()}


def limits(of: str, well: str = "") -> tuple[float, float]:
    """Innermost of the demo's limits."""
    mine = [x for x in ASSAY.limits if x.of == of and (x.well or "") == well]
    low = max((x.low for x in mine if x.low is not None), default=-math.inf)
    return low, min((x.high for x in mine if x.high is not None), default=math.inf)


WELL_INSIDE = [
    ("onset", "base"),
    ("onset", "low"),
    ("onset", "low + neutraliser"),
    ("early_modulus", "base"),
    ("fibrin modulus", ""),
    ("platelet modulus", ""),
]


@pytest.mark.parametrize(("of", "well"), WELL_INSIDE)
def test_normal_blood_lies_well_inside_the_demos_limits(of: str, well: str) -> None:
    low, high = limits(of, well)
    span = math.log(high / low)
    place = math.log(read()[of, well] / low) / span
    assert 0.2 < place < 0.8


def test_normal_blood_keeps_its_modulus() -> None:
    for name in ("retention", "retention, platelets blocked"):
        assert read()[name, ""] > limits(name)[0] + 0.05
    assert read()["shared decline", ""] < limits("shared decline")[1] - 0.05
    assert read()["heparin effect", ""] == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("changed", "below", "margin"),
    [
        ({"fibrinogen": 1.0}, [("early_modulus", "base"), ("fibrin modulus", "")], 0.9),
        ({"platelets": 40e12}, [("early_modulus", "base"), ("platelet modulus", "")], 0.96),
    ],
)
def test_what_is_low_falls_below(changed: dict[str, float], below: list[tuple[str, str]], margin: float) -> None:
    for key in below:
        assert read(**changed)[key] < margin * limits(*key)[0]


def test_few_platelets_leave_the_fibrin_part() -> None:
    assert read(platelets=40e12)["fibrin modulus", ""] == pytest.approx(read()["fibrin modulus", ""], rel=0.02)


def test_added_tpa_lyses_and_that_of_healthy_blood_hardly_does() -> None:
    assert read(tpa=3e-6)["retention", ""] < 0.5
    none, normal = (courses(Composition(tpa=t), [DEMO_WELLS["base"]])[0] for t in (0.0, 7e-8))
    assert 0.99 < normal.modulus(HOUR) / none.modulus(HOUR) < 1


def test_heparin_delays_the_low_well_alone() -> None:
    found = read(heparin=3e5)
    assert found["onset", "low"] > 1.3 * read()["onset", "low"]
    assert found["onset", "low + neutraliser"] == pytest.approx(read()["onset", "low + neutraliser"], rel=1e-9)


def test_courses_are_those_of_single_wells() -> None:
    wells = (DEMO_WELLS["low"], Contents("contact"), DEMO_WELLS["base + both"])
    choices = Choices(meizothrombin_clots=False, rheology="critical_gel")
    made = courses(Composition(tpa=1e-6), wells, choices, duration=900.0, step=3.0)
    t = np.linspace(0.0, 900.0, 61)
    for one, contents in zip(made, wells, strict=True):
        drive = thrombin_course(Composition(tpa=1e-6), contents, choices, duration=900.0, step=3.0)
        alone = clot_course(Composition(tpa=1e-6), contents, drive, choices)
        np.testing.assert_array_equal(one.modulus(t), alone.modulus(t))
        assert (one.start, one.choices) == (alone.start, choices)


def test_wells_with_equal_cascades_share_thrombin() -> None:
    base, blocked, kept = (courses(Composition(), tuple(DEMO_WELLS.values())))[2:5]
    assert base.thrombin is blocked.thrombin
    assert base.thrombin is kept.thrombin


def test_no_activator_clots_late() -> None:
    quiet, active = courses(Composition(), [Contents("none"), DEMO_WELLS["low"]])
    assert quiet.start > 3 * active.start


@pytest.mark.parametrize(("duration", "step"), [(600.0, 0.0), (1.0, 2.0), (math.inf, 2.0)])
def test_times_that_cannot_be_are_refused(duration: float, step: float) -> None:
    with pytest.raises(InputError):
        courses(Composition(), [Contents()], duration=duration, step=step)


def test_a_duration_that_is_no_multiple_of_the_step_is_covered() -> None:
    one = courses(Composition(), [DEMO_WELLS["base"]], duration=301.0, step=2.0)[0]
    assert np.isfinite(one.modulus(301.0))


def test_the_demo_documents_wells_are_the_ones_here() -> None:
    assert list(DEMO_WELLS) == [w.name for w in ASSAY.wells]
    blocks = {c.block_fraction for c in ASSAY.contrasts if c.block_fraction is not None}
    assert blocks == {DEMO_WELLS["base + blocker"].block_fraction}


def test_most_healthy_donors_lie_inside_the_reference_limits() -> None:
    limited = [x for x in ASSAY.limits if x.kind == "reference"]
    assert len(limited) == 5

    def inside(composition: Composition) -> bool:
        found = read_blood(composition)
        return all(
            (-math.inf if x.low is None else x.low)
            <= found[x.of, x.well or ""]
            <= (math.inf if x.high is None else x.high)
            for x in limited
        )

    assert sum(inside(donor.composition) for donor in draw("healthy", 24, seed=7)) >= 19
