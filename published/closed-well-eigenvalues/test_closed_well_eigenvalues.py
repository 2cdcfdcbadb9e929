"""Stokes eigenvalues of cylindrical wells: Bessel zeros (DLMF 10.21) and two earlier numerical routes."""

import csv
from pathlib import Path

import numpy as np
import pytest

from stanch.mechanics.mesh import axial_knots, radial_knots
from stanch.mechanics.one_dimensional import free_wall_table, zero_flux_table
from stanch.mechanics.stokes import KrylovSpace, StokesOperator
from stanch.mechanics.waves import critical_viscosity, lowest_ringing_modulus, ringing_frequency
from stanch.recording.records import Geometry

HERE = Path(__file__).parent
DENSITY = 1060.0
TABLES = {"A": free_wall_table, "B": zero_flux_table}


def _rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((HERE / name).read_text(encoding="utf-8").splitlines()))


def _well(radius: float) -> Geometry:
    return Geometry(radius, 2 * radius, radius, 0.2 * radius, 0.5 * radius, 0.1 * radius)


def _lowest(top: str, slenderness: float, count: int = 1) -> np.ndarray:
    a = 1e-3
    operator = StokesOperator.of_well(radial_knots(a, 0.2 * a), axial_knots(slenderness * a, 0.2 * a, 0.4 * a), top)
    space = KrylovSpace(operator, operator.force(0.2 * a, 0.6 * a, 0.45 * slenderness * a))
    space.extend(40)
    eigenvalue, _, _ = space.table(40, np.array([0.5 * slenderness * a]), [operator.beam(0.1 * a, 0)])
    return np.asarray(eigenvalue[:count] * a**2)


@pytest.mark.parametrize("row", _rows("eigenvalues.csv"), ids=lambda r: f"{r['case']} {r['height_over_radius']}")
def test_closed_wells(row: dict[str, str]) -> None:
    found = _lowest(row["top"], float(row["height_over_radius"]))[0]
    assert found == pytest.approx(float(row["kappa_a2"]), rel=float(row["relative_tolerance"]))


def test_higher_values_of_the_closed_well() -> None:
    assert _lowest("rigid", 1.0, 4) == pytest.approx([46.636, 84.329, 91.639, 124.846], abs=1e-3)


def test_a_long_closed_well_tends_to_the_second_bessel_zero() -> None:
    assert _lowest("rigid", 12.0)[0] == pytest.approx(26.37461643, rel=3e-3)


@pytest.mark.parametrize("row", _rows("bessel.csv"), ids=lambda r: r["case"])
def test_bessel_zeros(row: dict[str, str]) -> None:
    table = TABLES[row["case"]](_well(3e-3))
    printed = [row[f"x{k}"] for k in range(1, 5) if row[f"x{k}"]]
    for value, text in zip(np.sqrt(table.eigenvalue) * 3e-3, printed):
        digits = len(text.split(".")[1])
        assert value == pytest.approx(float(text), abs=0.51 * 10.0**-digits)
    first = {"A": 5.783185963, "B": 26.37461643}[row["case"]]
    assert table.eigenvalue[0] * 9e-6 == pytest.approx(first, rel=1e-9)


@pytest.mark.parametrize("row", _rows("frequencies.csv"), ids=lambda r: f"{r['radius_mm']} mm {r['modulus_pa']} Pa")
def test_first_mode_frequencies(row: dict[str, str]) -> None:
    for case, build in TABLES.items():
        table = build(_well(float(row["radius_mm"]) * 1e-3))
        found = float(ringing_frequency(float(row["modulus_pa"]), table.eigenvalue[0], DENSITY))
        assert found == pytest.approx(float(row[f"{case.lower()}_hz"]), rel=5e-6)


@pytest.mark.parametrize("row", _rows("damping.csv"), ids=lambda r: f"{r['quantity']} {r['given']}")
def test_critical_damping(row: dict[str, str]) -> None:
    function = {"critical_viscosity": critical_viscosity, "lowest_ringing_modulus": lowest_ringing_modulus}
    for case, build in TABLES.items():
        printed = row[case.lower()]
        if printed:
            value = float(function[row["quantity"]](float(row["given"]), build(_well(3e-3)).eigenvalue[0], DENSITY))
            assert value == pytest.approx(float(printed), abs=0.51 * 10.0 ** -len(printed.split(".")[1]))
