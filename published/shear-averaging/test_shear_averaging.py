"""Tracked displacement of echoes sheared across the beam, against the closed form of the average."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from stanch.echo import track
from stanch.recording.records import Acquisition, Geometry

ROWS = list(csv.DictReader((Path(__file__).parent / "ratio.csv").read_text(encoding="utf-8").splitlines()))
ACQUISITION = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 1, -2.5e-3)


@pytest.mark.parametrize("row", ROWS)
def test_mean_over_the_beam(row: dict[str, str]) -> None:
    ratio, expected = float(row["beam_over_push"]), float(row["mean"])
    # The closed form itself, by quadrature over the circular weight exp(-r^2/2 s_t^2).
    u, weight = np.polynomial.laguerre.laggauss(20)
    part = np.exp(-u * ratio**2)
    assert float(weight @ part) == pytest.approx(1 / (1 + ratio**2), rel=1e-6)
    assert float(weight @ part) == pytest.approx(expected, abs=6e-5)
    # And what the tracker makes of such echoes: 1 um, scatterers of Gaussian strength at the nodes across the beam.
    rng = np.random.default_rng(4)
    pushes, peak = 200, 1e-6
    keep = weight > 1e-8
    u, weight, part = u[keep], weight[keep], part[keep]
    depth = np.arange(-3.1e-3, 3.1e-3, 2.5e-5)
    strength = rng.normal(size=(pushes, u.size, depth.size)) * np.sqrt(weight)[:, None]
    time = np.arange(256) / 40e6
    lines = np.zeros((2, pushes, 256))
    for frame in range(2):
        for node in range(u.size):
            delay = (
                time[None] - 2 * (depth - ACQUISITION.first_sample_depth + frame * peak * part[node])[:, None] / 1540
            )
            pulse = np.exp(-((delay * 9e6) ** 2) * 1.28) * np.cos(2 * np.pi * 9e6 * delay)
            lines[frame] += strength[:, node] @ pulse
    echo = np.stack([lines[0], lines[1]], axis=1) * 1e4
    geometry = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
    found = track(echo, np.arange(float(pushes)), [-1e-4, 1e-4], ACQUISITION, geometry).value[:, 0]
    assert found.mean() == pytest.approx(peak * expected, abs=4 * found.std() / np.sqrt(pushes))
    assert found.std() / np.sqrt(pushes) < 0.02 * peak * expected
