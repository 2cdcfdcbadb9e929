"""Blood viscosity: Pries, Neuhaus & Gaehtgens 1992 as restated by Secomb & Pries 2013."""

import csv
from pathlib import Path

import pytest

from stanch.mechanics.viscosity import blood_viscosity, relative_viscosity

HERE = Path(__file__).parent


def test_large_tubes() -> None:
    for row in csv.DictReader((HERE / "large_tube.csv").read_text(encoding="utf-8").splitlines()):
        h, printed = float(row["haematocrit"]), float(row["relative_viscosity"])
        assert float(relative_viscosity(h)) == pytest.approx(printed, abs=5.1e-5)
        assert float(relative_viscosity(h, 5e-3)) == pytest.approx(printed, rel=1e-4)


def test_bulk_blood_with_plasma_of_1_2_mpas() -> None:
    assert float(blood_viscosity(0.45)) == pytest.approx(3.84e-3, abs=5e-6)


def test_viscosity_falls_in_narrow_tubes() -> None:
    wide, narrow = (float(relative_viscosity(0.45, d)) for d in (1e-3, 20e-6))
    assert narrow < 0.6 * wide


def test_no_cells_is_plasma() -> None:
    for diameter in (8e-6, 50e-6, 1e-3):
        assert float(relative_viscosity(0.0, diameter)) == pytest.approx(1.0)
