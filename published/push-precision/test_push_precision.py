"""Best precision of one push: Cramer-Rao bound, computed for this project from numerical derivatives."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from stanch.mechanics.one_dimensional import zero_flux_table
from stanch.mechanics.records import LOG_OFFSET
from stanch.mechanics.response import coupling, trace_derivatives
from stanch.recording.records import Acquisition, Geometry

HERE = Path(__file__).parent
ROWS = list(csv.DictReader((HERE / "precision.csv").read_text(encoding="utf-8").splitlines()))
FORCE, NOISE = 2e4, 1e-7
TABLE = zero_flux_table(Geometry(3e-3, 6e-3, 3e-3, math.sqrt(2) * 0.25e-3, 1e-3, 1e-7), depth=np.zeros(1), rows=300)
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1060.0, 1e-3, 1, 0.0)


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['modulus_pa']} Pa")
def test_bound(row: dict[str, str]) -> None:
    g, eta = float(row["modulus_pa"]), float(row["viscosity_pa_s"])
    time = 1e-3 + np.arange(1, 151) / 5000.0
    value, by_y, by_e = trace_derivatives(TABLE, g, eta, FORCE, ACQUISITION, time, coupling(TABLE))
    jacobian = np.stack([by_y * g / (g + LOG_OFFSET), by_e, value], axis=1) / NOISE
    sd = 100 * np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)))
    printed = [float(row[f"{name}_percent"]) for name in ("modulus", "viscosity", "force")]
    assert value.max() * 1e6 == pytest.approx(float(row["peak_um"]), rel=0.02)
    assert sd == pytest.approx(printed, rel=0.06)
