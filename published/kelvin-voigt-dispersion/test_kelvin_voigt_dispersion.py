"""Kelvin-Voigt dispersion: Chen, Fatemi & Greenleaf 2004 after Oestreicher 1951 (real closed forms)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from stanch.mechanics.waves import phase_speed, shear_attenuation

HERE = Path(__file__).parent
DENSITY = 1060.0
ROWS = list(csv.DictReader((HERE / "dispersion.csv").read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['modulus_pa']} {r['viscosity_pa_s']} {r['frequency_hz']}")
def test_table(row: dict[str, str]) -> None:
    medium = [float(row[key]) for key in ("modulus_pa", "viscosity_pa_s", "frequency_hz")]
    # Half a unit of the last digit printed.
    assert float(phase_speed(*medium, DENSITY)) == pytest.approx(float(row["speed_m_per_s"]), abs=5.1e-7)
    assert float(shear_attenuation(*medium, DENSITY)) == pytest.approx(float(row["attenuation_np_per_m"]), abs=5.1e-6)


def test_real_closed_forms() -> None:
    g, e, f = np.meshgrid([1.0, 50.0, 3000.0], [0.004, 0.1, 1.0], [20.0, 300.0])
    w = 2 * np.pi * f
    size = np.sqrt(g**2 + (w * e) ** 2)
    speed = np.sqrt(2 * size**2 / (DENSITY * (g + size)))
    loss = np.sqrt(DENSITY * w**2 * (size - g) / (2 * size**2))
    assert phase_speed(g, e, f, DENSITY) == pytest.approx(speed, rel=1e-9)
    assert shear_attenuation(g, e, f, DENSITY) == pytest.approx(loss, rel=1e-7)


def test_elastic_limit() -> None:
    for row in csv.DictReader((HERE / "elastic.csv").read_text(encoding="utf-8").splitlines()):
        g = float(row["modulus_pa"])
        assert float(phase_speed(g, 0.0, 100.0, DENSITY)) == pytest.approx(float(row["speed_m_per_s"]), abs=5.1e-6)
        assert float(shear_attenuation(g, 0.0, 100.0, DENSITY)) == 0.0


def test_liquid_limit() -> None:
    w, eta = 2 * np.pi * 80.0, 0.004
    speed = float(phase_speed(0.0, eta, 80.0, DENSITY))
    assert speed == pytest.approx(np.sqrt(2 * w * eta / DENSITY), rel=1e-9)
    assert float(shear_attenuation(0.0, eta, 80.0, DENSITY)) == pytest.approx(w / speed, rel=1e-9)
