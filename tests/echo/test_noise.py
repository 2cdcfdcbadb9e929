"""The noise model: unit variance of standardised errors, and the covariance it states."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.echo import TrackSettings, track
from stanch.recording.records import Acquisition, Geometry

Floats = NDArray[np.float64]
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)


def covariance(sd: Floats, step_sd: Floats, shared_sd: float) -> Floats:
    """As the record words it: independent part, and a random walk from the shared start."""
    walk = np.cumsum(step_sd**2) + shared_sd**2
    return np.diag(sd**2) + np.minimum.outer(walk, walk)


@pytest.mark.parametrize("before", [1, 2, 4])
@pytest.mark.parametrize("reference", ["fixed", "progressive"])
def test_covariance_of_the_frames(make_echo: Callable[..., Floats], before: int, reference: str) -> None:
    pushes, after = 240, 12
    acquisition = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, before, -2.6e-3)
    move = np.r_[np.zeros(before), 20e-6 * np.sin(np.arange(after) / after * np.pi)]
    shift = np.tile(move, (pushes, 1))
    times = np.r_[-before:0, 1 : after + 1] * 125e-6
    settings = TrackSettings(reference="progressive" if reference == "progressive" else "fixed")
    found = track(make_echo(shift, 26, before), np.arange(float(pushes)), times, acquisition, GEOMETRY, settings)
    error = found.value - shift[:, before:]
    whitened = []
    for push in range(pushes):
        c = covariance(found.sd[push], found.step_sd[push], float(found.shared_sd[push]))
        whitened.append(np.linalg.solve(np.linalg.cholesky(c), error[push]))
    z = np.array(whitened)
    # 2880 values: the SD of their mean square is 0.026; the model itself is good to a few per cent.
    assert 0.88 < np.mean(z**2) < 1.14
    # The shared part by itself: correlation of two frames is 1/(1 + before).
    plain = np.corrcoef(error.T)
    off = plain[~np.eye(after, dtype=bool)].mean()
    assert off == pytest.approx(1 / (1 + before), abs=0.09)
    # The mean over frames is almost only the shared error.
    mean_sd = np.sqrt(found.shared_sd.mean() ** 2 + np.mean(found.sd**2) / after)
    assert np.std(error.mean(axis=1)) == pytest.approx(mean_sd, rel=0.17)


def test_single_bad_frame_gets_its_own_sd(make_echo: Callable[..., Floats]) -> None:
    acquisition = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.6e-3)
    echo = make_echo(np.zeros((30, 20)), 40, 5)
    rng = np.random.default_rng(6)
    echo[:, 9] += 2000 * 10 ** (-14 / 20) * rng.normal(size=echo[:, 9].shape)
    found = track(echo, np.arange(30.0), np.r_[-2:0, 1:19] * 1e-4, acquisition, GEOMETRY)
    bad = 9 - 2
    usual = np.median(found.sd)
    assert (found.sd[:, bad] > 8 * usual).all()
    others = np.delete(found.sd, bad, axis=1)
    assert np.quantile(others, 0.98) < 2 * usual
    assert np.std(found.value[:, bad] / found.sd[:, bad]) == pytest.approx(1.0, abs=0.45)
