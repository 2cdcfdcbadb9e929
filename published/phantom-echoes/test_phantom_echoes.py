"""Both displacement estimators on measured echoes of a phantom.

The data are looked for in the folder named by STANCH_REFERENCE, or in the reference data folder beside the checkout.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.echo import TrackSettings, track
from stanch.echo.records import Displacement, PushFlag
from stanch.recording.records import Acquisition, Geometry

ROOT = Path(os.environ.get("STANCH_REFERENCE") or Path(__file__).resolve().parents[3] / "shared" / "reference")
FILE = ROOT / "echoes" / "phantom_pair.npz"
pytestmark = pytest.mark.skipif(not FILE.exists(), reason="the measured phantom echoes are not on this machine")

FS, C = 40e6, 1540.0
SPACING = C / (2 * FS)
ACQUISITION = Acquisition(FS, 0.155 * FS, C, 1000.0, 1e-4, 1, 0.0)
# A well as deep as the line, so that the gate is limited by the line alone.
GEOMETRY = Geometry(30e-3, 60e-3, 5e-3, 1e-3, 2e-3, 0.3e-3)


@cache
def run(first: int, samples: int, estimator: str) -> Displacement:
    with np.load(FILE) as data:
        echo = np.ascontiguousarray(np.moveaxis(data["echo"], 1, 0))
    settings = TrackSettings(
        estimator="correlation" if estimator == "correlation" else "autocorrelation",
        gate_start=first * SPACING,
        gate_end=(first + samples) * SPACING,
        reference="fixed",
    )
    return track(echo, np.arange(41.0), [-1e-3, 1e-3], ACQUISITION, GEOMETRY, settings)


GATES = list(range(250, 1501, 50))


def samples_moved(estimator: str) -> NDArray[np.float64]:
    """Shift in samples, shape (gate, line)."""
    return np.array([run(g, 120, estimator).value[:, 0] / SPACING for g in GATES])


def test_estimators_agree_within_the_bound() -> None:
    ratios = []
    for gate in GATES:
        one, two = run(gate, 120, "autocorrelation"), run(gate, 120, "correlation")
        both = (one.weight[:, 0] > 0) & (two.weight[:, 0] > 0)
        assert both.mean() > 0.9
        # Noise and what the strain takes from the coherence: the bound at the measured correlation.
        rho = np.minimum(one.coherence, two.coherence)[both]
        wave = C / (4 * np.pi * ACQUISITION.centre_frequency)
        gate_draws = 120 / FS * 0.08 * FS
        bound = wave * np.sqrt((1 / rho**2 - 1) / (2 * gate_draws))
        ratios.append((one.value - two.value)[both, 0] / bound)
    ratio = np.concatenate(ratios)
    assert np.sqrt(np.mean(ratio**2)) < 1.0
    assert np.quantile(np.abs(ratio), 0.95) < 2.0


@pytest.mark.parametrize("estimator", ["autocorrelation", "correlation"])
def test_linear_in_depth_and_smooth_across_lines(estimator: str) -> None:
    moved = samples_moved(estimator)
    depth = np.array(GATES) + 60.0
    middle = np.median(moved, axis=1)
    slope, start = np.polyfit(depth, middle, 1)
    assert slope * 300 + start == pytest.approx(-1.0, abs=0.5)
    assert slope * 1500 + start == pytest.approx(-5.0, abs=0.7)
    # Almost linear; what bends is smooth: no step of a fifth of a sample off the neighbours' mean.
    assert np.abs(middle - slope * depth - start).max() < 0.7
    assert np.abs(np.diff(middle, 2)).max() < 0.2
    assert (np.diff(middle) < 0).all()
    across = np.diff(moved, axis=1)
    assert np.median(np.abs(across)) < 0.04
    assert np.abs(across).max() < 0.5


@pytest.mark.parametrize("estimator", ["autocorrelation", "correlation"])
def test_empty_region_is_refused(estimator: str) -> None:
    found = run(2180, 100, estimator)
    assert ((found.flags & PushFlag.REFUSED) > 0).all()
    assert (found.weight == 0).all()
    assert (found.value == 0).all()
