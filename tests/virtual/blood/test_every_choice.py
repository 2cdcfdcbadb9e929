"""Every choice changes what it says, in the direction that it says; and more of a thing does more."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
import pytest

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import ClotCourse
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.records import Composition, Contents

LOW, BASE = DEMO_WELLS["low"], DEMO_WELLS["base"]
CONTACT, NONE = Contents("contact"), Contents("none")
COLD = replace(LOW, temperature=300.15)
LYSED = Composition(tpa=1.8e-6)
STRONG = Composition(platelets=700e12, platelet_function=2.0)


def one(composition: Composition, contents: Contents, **choices: object) -> ClotCourse:
    return courses(composition, [contents], Choices(**choices), duration=3000.0)[0]  # type: ignore[arg-type]


def start(c: ClotCourse) -> float:
    return c.start


def late_start(c: ClotCourse) -> float:
    """When half of the platelets that will pull do."""
    return float(np.interp(0.5 * c.contraction[-1], c.contraction, c.time))


def late_modulus(c: ClotCourse) -> float:
    return float(c.modulus(2000.0))


def least_kept(c: ClotCourse) -> float:
    return float(c.kept(2900.0))


def least_held(c: ClotCourse) -> float:
    return float(c.detachment.min())


def step(c: ClotCourse) -> float:
    return c.detached(2900.0) or 0.0


def early_tangent(c: ClotCourse) -> float:
    """Loss tangent at 1 Hz of the clot half a minute after the gel point."""
    return c.material(c.start + 30.0).loss_tangent(1.0)


def storage_early(c: ClotCourse) -> float:
    return float(c.modulus(c.start + 30.0))


HEPARIN = Composition(heparin=3e5)
RISES = "+"
FALLS = "-"
EFFECTS: list[tuple[str, object, object, Composition, Contents, Callable[[ClotCourse], float], str]] = [
    ("meizothrombin_clots", False, True, Composition(), LOW, start, FALLS),
    ("meizothrombin_activates", False, True, Composition(), LOW, late_start, FALLS),
    ("gel_share", 0.15, 0.25, Composition(), LOW, start, RISES),
    ("concentration_exponent", 1.5, 2.5, Composition(fibrinogen=0.9), LOW, late_modulus, FALLS),
    ("concentration_exponent", 1.5, 2.5, Composition(fibrinogen=4.0), LOW, late_modulus, RISES),
    ("platelet_law", "multiply", "add", Composition(fibrinogen=0.8), LOW, late_modulus, RISES),
    ("cross_linked_lysis", 0.2, 0.9, LYSED, LOW, least_kept, FALLS),
    ("macroglobulin_reach", 0.0, 1.0, LYSED, LOW, least_kept, RISES),
    ("adhesion", 50.0, 100.0, Composition(platelet_function=1.2), LOW, least_held, RISES),
    ("detachment_step", 1e-5, 3e-4, STRONG, LOW, step, RISES),
    ("detachment_relief", 0.2, 0.8, STRONG, LOW, least_held, FALLS),
    ("rheology", "critical_gel", "kelvin_voigt", Composition(), LOW, early_tangent, FALLS),
    ("frequency", 10.0, 300.0, Composition(), LOW, lambda c: c.material(2000.0).loss_tangent(1.0), "0"),
    ("tissue_factor_in_plasma", False, True, Composition(), LOW, start, FALLS),
    ("contact_trace", 0.01, 0.05, Composition(), NONE, start, FALLS),
    ("resting_membrane", 0.01, 0.1, Composition(), CONTACT, start, FALLS),
    ("platelet_surface", False, True, Composition(platelets=20e12), LOW, start, RISES),
    ("heparin_scale", 0.1, 0.3, HEPARIN, LOW, start, RISES),
    ("heparin_on_meizothrombin", False, True, HEPARIN, LOW, start, RISES),
    ("neutraliser_excess", 0.0, 0.5, Composition(), BASE, start, RISES),
    ("q10", 1.5, 3.0, Composition(), COLD, start, RISES),
]


def test_every_choice_is_here() -> None:
    assert {row[0] for row in EFFECTS} == {f.name for f in fields(Choices)}


@pytest.mark.parametrize("row", EFFECTS, ids=lambda row: f"{row[0]}-{row[6]}")
def test_a_choice_does_what_it_says(
    row: tuple[str, object, object, Composition, Contents, Callable[[ClotCourse], float], str],
) -> None:
    name, less, more, composition, contents, of, sign = row
    first, second = (of(one(composition, contents, **{name: value})) for value in (less, more))
    assert math.isfinite(first)
    assert math.isfinite(second)
    if sign == "0":  # of a Kelvin-Voigt sample the frequency at which it is stated changes nothing
        assert first == second
    else:
        assert (second > first * 1.005) if sign == RISES else (second < first * 0.995)


def test_the_stated_frequency_is_that_of_the_modulus() -> None:
    for frequency in (10.0, 300.0):
        c = one(Composition(), LOW, rheology="critical_gel", frequency=frequency)
        for t in (c.start + 20.0, c.start + 300.0, 2500.0):
            assert c.material(t).storage(frequency) == pytest.approx(float(c.modulus(t)), rel=1e-9)
            assert c.material(t).loss(frequency) == pytest.approx(2 * math.pi * frequency * float(c.viscosity(t)))


def test_materials_of_a_critical_gel_have_no_steps() -> None:
    c = one(Composition(tpa=2e-6), BASE, rheology="critical_gel")
    s = 1j * 2 * math.pi * np.array([1.0, 100.0])
    for middle in (c.start, c.start + 120.0, 900.0, 1800.0):
        near, far = (
            np.abs(c.material(middle + h).relaxance(s) - c.material(middle - h).relaxance(s)) for h in (1e-4, 1e-2)
        )
        assert np.all(near < 0.05 * far + 1e-9 * np.abs(c.material(middle).relaxance(s)))


DOSES: list[tuple[str, list[float], Contents, Callable[[ClotCourse], float], str]] = [
    ("heparin", [0.0, 1e5, 3e5, 6e5], LOW, start, RISES),
    ("antithrombin", [0.3, 0.6, 1.0, 1.6], LOW, start, RISES),
    ("fibrinogen", [0.6, 1.2, 2.4, 4.8], LOW, late_modulus, RISES),
    ("platelets", [0.0, 30e12, 100e12, 400e12], LOW, late_modulus, RISES),
    ("platelet_function", [0.0, 0.5, 1.0, 1.5], LOW, late_modulus, RISES),
    ("haematocrit", [0.2, 0.35, 0.5, 0.65], LOW, late_modulus, FALLS),
    ("dilution", [0.0, 0.3, 0.6, 0.8], LOW, late_modulus, FALLS),
    ("tpa", [1e-7, 5e-7, 1e-6, 1.4e-6], LOW, least_kept, FALLS),
    ("antiplasmin", [0.8, 1.0, 1.2, 1.6], LOW, least_kept, RISES),
]


@pytest.mark.parametrize("row", DOSES, ids=lambda row: row[0])
def test_more_does_more(row: tuple[str, list[float], Contents, Callable[[ClotCourse], float], str]) -> None:
    name, values, contents, of, sign = row
    plain = Composition(tpa=1.2e-6) if name == "antiplasmin" else Composition()
    found = [of(one(replace(plain, **{name: v}), contents)) for v in values]  # type: ignore[arg-type]
    assert np.all(np.diff(found) > 0) if sign == RISES else np.all(np.diff(found) < 0)
