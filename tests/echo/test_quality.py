"""Planted faults are flagged, weighted out and never change the other frames."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.echo import TrackSettings, from_displacement, track
from stanch.echo.quality import remove_drift
from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError
from stanch.recording.records import Acquisition, Geometry

Floats = NDArray[np.float64]
ACQUISITION = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.6e-3)
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
TIME = np.r_[-2:0, 1:25] * 125e-6
MOVE = np.r_[0.0, 0.0, 8e-6 * np.sin(np.arange(24) / 24 * np.pi)]
BOTH: list[TrackSettings] = [TrackSettings(), TrackSettings(estimator="correlation")]


@pytest.fixture(scope="module")
def clean(make_echo: Callable[..., Floats]) -> Floats:
    return make_echo(np.tile(MOVE, (8, 1)), 32, 11)


def run(echo: NDArray[np.generic], settings: TrackSettings = BOTH[0]) -> Displacement:
    return track(np.asarray(echo), np.arange(float(len(echo))), TIME, ACQUISITION, GEOMETRY, settings)


@pytest.mark.parametrize("settings", BOTH)
def test_clean_echoes_have_no_flag(make_echo: Callable[..., Floats], settings: TrackSettings) -> None:
    pushes = 100 if settings.estimator == "autocorrelation" else 10
    found = run(make_echo(np.tile(MOVE, (pushes, 1)), 26, 12), settings)
    assert (found.flags == PushFlag.NONE).all()
    assert (found.weight == 1).all()


@pytest.mark.parametrize("settings", BOTH)
@pytest.mark.parametrize(
    ("fault", "flag"),
    [
        ("lost", PushFlag.LOST_FRAMES),
        ("repeated", PushFlag.REPEATED_FRAMES),
        ("saturated", PushFlag.SATURATED),
        ("unlike", PushFlag.DECORRELATED),
        ("nan", PushFlag.NOT_FINITE),
    ],
)
def test_planted_frame(clean: Floats, fault: str, flag: PushFlag, settings: TrackSettings) -> None:
    echo = clean.copy()
    if fault == "lost":
        echo[3, 10] = 0.0
    elif fault == "repeated":
        echo[3, 10] = echo[3, 9]
    elif fault == "saturated":
        top = 1.01 * np.abs(echo[3]).max()
        echo[3, 10] = np.clip(6 * echo[3, 10], -top, top)
    elif fault == "unlike":
        echo[3, 10] = np.random.default_rng(1).permutation(echo[3, 10])
    else:
        echo[3, 10, 40] = np.nan
    before, after = run(clean, settings), run(echo, settings)
    assert after.flags[3] == flag
    assert after.weight[3, 8] == 0
    assert after.value[3, 8] == 0
    assert after.weight[3].sum() == 23
    others = np.arange(8) != 3
    assert (after.flags[others] == 0).all()
    rest = np.arange(24) != 8
    # The weighting of the well may change in its last digits; displacement stays within a fraction of its noise.
    assert np.abs(after.value[3, rest] - before.value[3, rest]).max() < 0.3 * before.sd[3].min()
    assert np.isfinite(after.value).all()
    assert np.isfinite(after.sd).all()


def test_push_without_reference_is_refused(clean: Floats) -> None:
    echo = clean.copy()
    echo[2, :2] = 0.0
    found = run(echo)
    assert found.flags[2] & PushFlag.REFUSED
    assert (found.weight[2] == 0).all()
    assert np.isfinite(found.sd).all()
    assert (found.weight[[0, 1, 3]] == 1).all()


def test_saturation_of_integers() -> None:
    echo = np.round(np.random.default_rng(2).normal(size=(1, 26, 256)) * 9000).astype(np.int16)
    echo[0, 5, 30:38] = 32767
    found = run(echo)
    assert found.flags[0] & PushFlag.SATURATED
    assert found.weight[0, 3] == 0


def test_bubble_and_coupling_loss(make_echo: Callable[..., Floats]) -> None:
    echo = make_echo(np.tile(MOVE, (12, 1)), 32, 13)
    pulse = np.cos(2 * np.pi * 9e6 / 40e6 * np.arange(-12, 13)) * np.hanning(25)
    echo[4, :, 120:145] += 60000 * pulse
    echo[4, :, 150:] *= 0.05
    echo[8] *= 0.1
    found = run(echo)
    assert found.flags[4] & PushFlag.BUBBLE
    assert found.flags[8] & PushFlag.WEAK_ECHO
    assert (found.flags[[0, 1, 2, 3, 5, 6, 7]] == 0).all()


def test_drift_is_taken_out_only_where_it_is_seen(make_echo: Callable[..., Floats]) -> None:
    drift = np.zeros((6, 26))
    drift[2] = 5e-3 * TIME
    echo = make_echo(np.tile(MOVE, (6, 1)) + drift, 36, 14)
    found = run(echo)
    assert found.flags[2] == PushFlag.DRIFT
    assert (found.flags[[0, 1, 3, 4, 5]] == 0).all()
    error = found.value - MOVE[2:]
    spread = np.sqrt(found.sd[2] ** 2 + found.shared_sd[2] ** 2 + np.cumsum(found.step_sd[2] ** 2))
    # Without the correction the last frame would be 15 um off.
    assert np.abs(error[2]).max() < 4e-6
    assert np.abs(error[2] / spread).max() < 4
    assert (found.step_sd[[0, 1, 3]] == 0).all()


def test_traces_only() -> None:
    rng = np.random.default_rng(15)
    value = np.tile(MOVE, (40, 1)) + rng.normal(size=(40, 26)) * 0.1e-6
    value[7, 12] = np.nan
    found = from_displacement(value, np.arange(40.0), TIME, ACQUISITION, GEOMETRY)
    assert np.median(found.sd) == pytest.approx(0.1e-6, rel=0.12)
    assert np.median(found.shared_sd) == pytest.approx(np.median(found.sd) / np.sqrt(2), rel=1e-6)
    assert found.flags[7] == PushFlag.NOT_FINITE
    assert found.weight[7, 10] == 0
    assert found.link is None
    assert np.isinf(found.speckle_cells).all()
    z = (found.value - MOVE[2:]) / np.sqrt(found.sd**2 + found.shared_sd[:, None] ** 2)
    assert np.std(z[found.weight > 0]) == pytest.approx(1.0, abs=0.12)


def test_traces_of_the_wrong_shape() -> None:
    with pytest.raises(InputError, match=r"\(3, 26\)"):
        from_displacement(np.zeros((3, 20)), np.arange(3.0), TIME, ACQUISITION, GEOMETRY)


def test_doubt_about_the_drift_grows_with_time_whatever_the_frames() -> None:
    time = np.concatenate([[-2.5e-4, -1.25e-4], np.arange(1, 11) * 1.25e-4, [5e-3, 20e-3, 100e-3]])
    shift = np.zeros((1, time.size)) + 5e-3 * time
    good, sd = np.ones(shift.shape, np.bool_), np.full((1, 13), 1e-8)
    found = remove_drift(shift, good, time, 2, sd, np.zeros(1))
    assert found.significant[0]
    reached = np.cumsum(found.step_variance[0])
    mean = time[:2].mean()
    assert reached[-1] == pytest.approx((1e-8 / np.sqrt(((time[:2] - mean) ** 2).sum()) * (0.1 - mean)) ** 2)
    np.testing.assert_allclose(reached / reached[-1], time[2:] / 0.1, rtol=1e-9)
    np.testing.assert_allclose(found.shift[0, 2:] - found.shift[0, :1], 0.0, atol=1e-12 * 5e-3)
    even = remove_drift(shift[:, :12], good[:, :12], time[:12], 2, sd[:, :10], np.zeros(1))
    assert np.ptp(even.step_variance) < 1e-12 * even.step_variance.max()
