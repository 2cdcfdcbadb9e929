"""Published values of the mechanics and of the echo bound, computed again."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal

import numpy as np

from stanch.selfcheck.records import Check
from stanch.selfcheck.values import rows

__all__ = ["physics"]


def physics() -> Iterator[Check]:
    """Eigenvalues, dispersion, response to a push, pin amplitude, bound of displacement.

    Yields
    ------
    Check
    """
    yield from _eigenvalues()
    yield from _dispersion()
    yield from _response()
    yield from _pin()
    yield from _bound()


def _half_digit(text: str) -> float:
    """Half a unit of the last digit printed, and a little for the binary number."""
    return 0.51 * 10.0 ** -len(text.partition(".")[2])


def _eigenvalues() -> Iterator[Check]:
    from stanch.mechanics.mesh import axial_knots, radial_knots
    from stanch.mechanics.stokes import KrylovSpace, StokesOperator

    slug = "closed-well-eigenvalues"
    a = 1e-3
    tops: dict[str, Literal["rigid", "slip", "free"]] = {"rigid": "rigid", "slip": "slip", "free": "free"}
    for row in rows(slug, "eigenvalues.csv"):
        tall = float(row["height_over_radius"])
        operator = StokesOperator.of_well(
            radial_knots(a, 0.2 * a), axial_knots(tall * a, 0.2 * a, 0.4 * a), tops[row["top"]]
        )
        space = KrylovSpace(operator, operator.force(0.2 * a, 0.6 * a, 0.45 * tall * a))
        space.extend(40)
        lowest = space.table(40, np.array([0.5 * tall * a]), [operator.beam(0.1 * a, 0)])[0][0] * a**2
        expected = float(row["kappa_a2"])
        name = f"lowest Stokes eigenvalue, {row['top']} top, height/radius {row['height_over_radius']}"
        yield Check("mechanics", name, slug, expected, float(lowest), expected * float(row["relative_tolerance"]))


def _dispersion() -> Iterator[Check]:
    from stanch.mechanics.waves import phase_speed

    slug = "kelvin-voigt-dispersion"
    for row in rows(slug, "dispersion.csv"):
        modulus, viscosity, frequency = (float(row[k]) for k in ("modulus_pa", "viscosity_pa_s", "frequency_hz"))
        text = row["speed_m_per_s"]
        name = f"shear wave speed [m/s], {row['modulus_pa']} Pa, {row['viscosity_pa_s']} Pa·s, {row['frequency_hz']} Hz"
        yield Check(
            "mechanics",
            name,
            slug,
            float(text),
            float(phase_speed(modulus, viscosity, frequency, 1060.0)),
            _half_digit(text),
        )


def _response() -> Iterator[Check]:
    from stanch.mechanics.one_dimensional import free_wall_table, zero_flux_table
    from stanch.mechanics.response import trace
    from stanch.recording.records import Acquisition, Geometry

    slug = "push-response"
    geometry = Geometry(3e-3, 6e-3, 3e-3, math.sqrt(2) * 0.25e-3, 1e-3, 1e-7)
    acquisition = Acquisition(40e6, 9e6, 1575.0, 1060.0, 1e-3, 1, 0.0)
    tables = {"A": free_wall_table, "B": zero_flux_table}
    for row in rows(slug, "response.csv"):
        table = tables[row["case"]](geometry, depth=np.zeros(1), rows=300)
        medium = float(row["modulus_pa"]), float(row["viscosity_pa_s"])
        found = float(trace(table, *medium, 2e4, acquisition, np.array([2e-3]))[0]) * 1e6
        expected = float(row["at_2_ms_um"])
        name = f"movement 2 ms after the push began [um], case {row['case']}, {row['modulus_pa']} Pa"
        yield Check("mechanics", name, slug, expected, found, max(1e-3 * abs(expected), 2e-4))


def _pin() -> Iterator[Check]:
    from stanch.mechanics.pin import modulus_from_amplitude

    slug = "pin-amplitude"
    for row in rows(slug, "amplitude.csv"):
        found = float(modulus_from_amplitude(float(row["amplitude"])))
        name = f"modulus of a pin amplitude of {row['amplitude']} [Pa]"
        yield Check("mechanics", name, slug, float(row["modulus_pa"]), found, 5.1e-5)


def _bound() -> Iterator[Check]:
    from stanch.echo.bound import delay_sd_flat

    slug = "displacement-bound"
    for row in rows(slug, "bound.csv"):
        centre = float(row["centre_frequency_mhz"]) * 1e6
        snr = 10 ** (float(row["snr_db"]) / 20)
        gate = float(row["gate_periods"]) / centre
        found = float(delay_sd_flat(centre, float(row["bandwidth"]), gate, float(row["coherence"]), snr)) * 1e9
        text = row["delay_sd_ns"]
        name = f"least scatter of a delay [ns], {row['centre_frequency_mhz']} MHz, {row['snr_db']} dB"
        yield Check("echo", name, slug, float(text), found, 0.6 * 10.0 ** -len(text.split(".")[1]))
