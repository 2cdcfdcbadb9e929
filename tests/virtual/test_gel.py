"""Gels of any linear material: as courses, and stated in a scenario."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stanch.errors import DocumentError
from stanch.virtual.course import Course
from stanch.virtual.gel import Gel
from stanch.virtual.instrument import VirtualWell
from stanch.virtual.material import Material
from stanch.virtual.scenario import parse_scenario

POT = 'pot = "20 Pa"\norder = 0.4'


def test_a_gel_does_not_change():
    gel: Course = Gel(Material(250.0, viscosity=0.07))
    assert gel.modulus([0.0, 3600.0]).tolist() == [250.0, 250.0]
    assert gel.viscosity(0.0) == pytest.approx(0.07, rel=1e-12)
    assert gel.start < -1e6
    assert gel.material(5.0) == gel.material(900.0)
    assert not gel.shift([0.0, 1.0]).any()
    assert gel.detached(0.0) is None
    assert gel.progress([0.0, 1.0]).tolist() == gel.kept([0.0, 1.0]).tolist() == [1.0, 1.0]


def test_half_the_sample_is_a_quarter_of_every_modulus():
    whole = Material(40.0, viscosity=0.1, pot=8.0, order=0.3, branch=60.0, relaxation=2e-3)
    half = Gel(whole).diluted(0.5).substance
    for frequency in (1.0, 100.0, 900.0):
        assert half.storage(frequency) == pytest.approx(whole.storage(frequency) / 4, rel=1e-12)
        assert half.loss(frequency) == pytest.approx(whole.loss(frequency) / 4, rel=1e-12)


def test_a_spring_pot_is_stated_by_the_size_of_its_modulus(scenario):
    gel = scenario({"gel": POT}).well[0].curve.record()
    assert gel.substance.viscosity == gel.substance.equilibrium == 0.0
    assert gel.modulus(0.0) == pytest.approx(20.0 * math.cos(0.2 * math.pi), rel=1e-12)
    assert 2 * math.pi * 100 * gel.viscosity(0.0) == pytest.approx(20.0 * math.sin(0.2 * math.pi), rel=1e-12)
    slow = scenario({"gel": POT + '\nfrequency = "1 Hz"'}).well[0].curve.record()
    assert math.hypot(slow.substance.storage(1.0), slow.substance.loss(1.0)) == pytest.approx(20.0, rel=1e-12)


def test_every_part_of_a_material_can_be_stated(scenario):
    text = 'modulus = "5 Pa"\nviscosity = "10 mPa·s"\nbranch = "30 Pa"\nrelaxation = "2 ms"\n' + POT
    found = scenario({"gel": text}).well[0].curve.record().substance
    assert found == Material(5.0, 0.01, 20.0 / (200 * math.pi) ** 0.4, 0.4, 30.0, 2e-3)
    # What is left out is not there; a plain gel has some viscosity.
    assert scenario({"gel": 'branch = "30 Pa"'}).well[0].curve.record().substance == Material(0.0, branch=30.0)
    assert scenario({"gel": 'modulus = "30 Pa"'}).well[0].curve.record().substance == Material(30.0, 0.05)


@pytest.mark.parametrize(
    ("curve", "message"),
    [
        ('modulus = "0 Pa"', "well[1].curve.modulus: got '0 Pa'; allowed: above 0, or with pot or branch above 0"),
        ('pot = "1 Pa"\norder = 1.0', "well[1].curve.order: got 1.0; allowed: below 1"),
        ('pot = "1 Pa·s"', "well[1].curve.pot: got '1 Pa·s'; allowed: a unit of pressure"),
        ('branch = "1 Pa"\nrelaxation = "0 s"', "well[1].curve.relaxation: got '0 s'; allowed: above 0"),
        ('pot = "1 Pa"\nstart = "5 s"', "well[1].curve.start: unknown key"),
    ],
)
def test_refused(scenario_text, curve, message):
    with pytest.raises(DocumentError) as caught:
        parse_scenario(scenario_text({"gel": curve}))
    assert message in str(caught.value)


def test_the_virtual_well_moves_as_its_material_says(scenario):
    plain, rich = (VirtualWell(scenario({"gel": g}), 0, 1) for g in ('modulus = "20 Pa"\nviscosity = "10 mPa·s"', POT))
    moved = [well.field(5.0)[0].axial for well in (plain, rich)]
    assert np.isfinite(moved[1]).all()
    # A spring-pot of the same size creeps on where the spring has come back.
    shares = [np.abs(m[..., -1]).max() / np.abs(m).max() for m in moved]
    assert abs(shares[1] - shares[0]) > 0.1
