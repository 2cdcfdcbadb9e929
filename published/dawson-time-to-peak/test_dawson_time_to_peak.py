"""Time to peak without walls, from the maximum of Dawson's integral (derived for this project)."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.special import dawsn

from stanch.mechanics.waves import DAWSON_PEAK, DAWSON_PEAK_AT, impulse_movement, modulus_from_peak_time, peak_time

HERE = Path(__file__).parent


def test_constants() -> None:
    assert pytest.approx(0.924138873005, abs=5e-13) == DAWSON_PEAK_AT
    assert pytest.approx(0.541044224635, abs=5e-13) == DAWSON_PEAK
    # D' = 1 - 2 x D vanishes at the maximum.
    assert 1 - 2 * DAWSON_PEAK_AT * dawsn(DAWSON_PEAK_AT) == pytest.approx(0.0, abs=1e-14)
    assert dawsn(DAWSON_PEAK_AT) == pytest.approx(DAWSON_PEAK, rel=1e-14)
    assert math.sqrt(2) * DAWSON_PEAK_AT == pytest.approx(1.30692972771, abs=1e-11)


def test_table() -> None:
    for row in csv.DictReader((HERE / "time_to_peak.csv").read_text(encoding="utf-8").splitlines()):
        a = math.sqrt(2) * float(row["push_sd_mm"]) * 1e-3
        g, rho = float(row["modulus_pa"]), float(row["density_kg_per_m3"])
        found = float(peak_time(g, a, rho))
        assert found * 1e3 == pytest.approx(float(row["time_to_peak_ms"]), abs=5.1e-5)
        assert float(modulus_from_peak_time(found, a, rho)) == pytest.approx(g, rel=1e-12)


def test_movement_is_dawsons_integral_and_peaks_there() -> None:
    g, a, rho = 250.0, 0.4e-3, 1055.0
    c = math.sqrt(g / rho)
    t = np.linspace(0.0, 5e-3, 60)
    assert impulse_movement(t, g, 0.0, a, rho) == pytest.approx(
        a / (rho * c) * dawsn(c * t / a), abs=1e-9 * a / rho / c
    )
    best = minimize_scalar(
        lambda x: -impulse_movement(x, g, 0.0, a, rho)[0], bounds=(1e-4, 3e-3), options={"xatol": 1e-10}
    )
    assert best.x == pytest.approx(float(peak_time(g, a, rho)), rel=1e-5)


def test_first_instants_are_free_flight() -> None:
    t = np.array([1e-6, 1e-5])
    assert impulse_movement(t, 100.0, 0.05, 0.5e-3, 1055.0) == pytest.approx(t / 1055.0, rel=0.01)
