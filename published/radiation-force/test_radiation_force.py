"""Radiation force and heating: Palmeri et al. 2005, Nyborg 1965 (as cited in open reviews)."""

import csv
from pathlib import Path

import pytest

from stanch.mechanics.waves import NEPER_PER_METRE, heating, power_law_attenuation, radiation_force
from stanch.quantities import UNITS

HERE = Path(__file__).parent


def test_neper() -> None:
    assert pytest.approx(11.5129255, abs=5e-8) == NEPER_PER_METRE
    assert UNITS["dB/cm"].scale == pytest.approx(NEPER_PER_METRE, rel=1e-12)


def test_table() -> None:
    for row in csv.DictReader((HERE / "force.csv").read_text(encoding="utf-8").splitlines()):
        alpha = float(power_law_attenuation(float(row["frequency_mhz"]) * 1e6))
        assert alpha == pytest.approx(float(row["attenuation_np_per_m"]), abs=5.1e-5)
        assert alpha / NEPER_PER_METRE == pytest.approx(float(row["attenuation_db_per_cm"]), abs=5.1e-5)
        force = float(radiation_force(alpha, float(row["intensity_w_per_cm2"]) * 1e4, 1580.0))
        assert force == pytest.approx(float(row["force_n_per_m3"]), rel=3e-5)


def test_heating_of_one_push() -> None:
    assert float(heating(27.4, 1e7, 1e-3, 1055.0, 3600.0)) == pytest.approx(0.144, abs=5e-4)
