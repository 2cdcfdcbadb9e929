"""Speckle cells, the link between pushes and the slow movement from push to push."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.echo import TrackSettings, track
from stanch.echo.speckle import energy_profile
from stanch.recording.records import Acquisition, Geometry

Floats = NDArray[np.float64]
ACQUISITION = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.6e-3)
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)


@pytest.mark.parametrize("weighting", ["plain", "well"])
def test_deviation_has_the_stated_spread(weighting: str) -> None:
    """Scatter across the beam moves with r^2/w^2: the deviation of the estimate is delta itself, SD tau."""
    rng = np.random.default_rng(21)
    pushes, peak = 600, 2e-6
    nodes, weights = np.polynomial.laguerre.laggauss(4)
    depth = np.arange(-3.2e-3, 3.0e-3, 2.5e-5)
    time = np.arange(256) / 40e6
    strength = rng.normal(size=(pushes, nodes.size, depth.size)) * np.sqrt(weights)[:, None]
    # First Laguerre polynomial 1 - u: mean 0 and unit variance over the beam.
    part = 1.0 - nodes
    echo = np.zeros((pushes, 4, 256))
    for frame, course in enumerate((0.0, 0.0, 1.0, -1.0)):
        for node in range(nodes.size):
            moved = depth - ACQUISITION.first_sample_depth + course * peak * part[node]
            delay = time - 2 * moved[:, None] / 1540.0
            pulse = np.exp(-((delay * 9e6) ** 2) * 1.28) * np.cos(2 * np.pi * 9e6 * delay)
            echo[:, frame] += strength[:, node] @ pulse
    echo = echo * 1000 + rng.normal(size=echo.shape) * 2.0
    settings = TrackSettings(weighting="plain" if weighting == "plain" else "well")
    found = track(echo, np.arange(float(pushes)), np.array([-2, -1, 1, 2]) * 1e-4, ACQUISITION, GEOMETRY, settings)
    delta = (found.value[:, 0] - found.value[:, 1]) / (2 * peak)
    tau = 1 / np.sqrt(2 * (found.speckle_cells[0] - 1))
    # The SD of an SD from 600 draws is 2.9 %; M itself is good to some 5 %.
    assert np.std(delta) == pytest.approx(tau, rel=0.13)
    assert abs(np.mean(delta)) < 4 * tau / np.sqrt(pushes)


def test_link_of_frozen_and_fresh_speckle(make_echo: Callable[..., Floats]) -> None:
    still = np.zeros((12, 6))
    slow = np.tile((np.arange(12) * 3e-6)[:, None], (1, 6))
    times = np.r_[-2:0, 1:5] * 1e-4
    frozen = track(make_echo(slow, 30, 31, True), np.arange(12.0), times, ACQUISITION, GEOMETRY)
    fresh = track(make_echo(still, 30, 32), np.arange(12.0), times, ACQUISITION, GEOMETRY)
    assert frozen.link is not None
    assert fresh.link is not None
    assert frozen.link.min() > 0.97
    off = fresh.link[~np.eye(12, dtype=bool)]
    assert np.mean(off > 0) < 0.1
    assert np.allclose(np.diag(fresh.link), 1.0)
    for matrix in (frozen.link, fresh.link):
        assert np.linalg.eigvalsh(matrix).min() > -1e-8
    assert frozen.slow_shift[1:] == pytest.approx(np.full(11, 3e-6), abs=0.3e-6)
    assert frozen.slow_shift[0] == 0
    assert frozen.slow_coherence[1:].min() > 0.97
    assert frozen.zone_coherence[1:].min() > 0.9
    assert np.median(fresh.slow_coherence) < 0.4


def test_partial_link_is_unbiased() -> None:
    """Lines that share a part rho of their amplitude: squared coherence rho^2 on average."""
    rng = np.random.default_rng(33)
    pairs, rho = 120, 0.7
    f = np.fft.rfftfreq(1024, 1 / 40e6)
    sigma = 0.6 * 9e6 / (2 * np.sqrt(2 * np.log(4)))
    shape = np.exp(-((f - 9e6) ** 2) / (4 * sigma**2))

    def draw() -> Floats:
        spectrum = shape * (rng.normal(size=(pairs, f.size)) + 1j * rng.normal(size=(pairs, f.size)))
        return np.asarray(np.fft.irfft(spectrum, 1024)[:, 300:556])

    first, other = draw(), draw()
    second = rho * first + np.sqrt(1 - rho**2) * other
    echo = np.empty((2 * pairs, 5, 256))
    echo[0::2], echo[1::2] = first[:, None], second[:, None]
    echo = echo / echo.std() * 1000 + rng.normal(size=echo.shape)
    found = track(echo, np.arange(2.0 * pairs), np.r_[-2:0, 1:4] * 1e-4, ACQUISITION, GEOMETRY)
    assert found.link is not None
    linked = found.link[np.arange(0, 2 * pairs, 2), np.arange(1, 2 * pairs, 2)]
    assert linked.mean() == pytest.approx(rho**2, abs=0.05)


def test_energy_profile_by_hand() -> None:
    lines = np.array([[1, 1, 2, 2, 3, 3, 3]], dtype=complex)
    energy, depth = energy_profile(lines, 1e-4, 0.0, 2e-4)
    assert energy.tolist() == [[1.0, 4.0, 9.0]]
    assert depth == pytest.approx([0.5e-4, 2.5e-4, 5e-4])


def test_sensitivity_sums_to_one(make_echo: Callable[..., Floats]) -> None:
    found = track(make_echo(np.zeros((4, 6)), 30, 34), np.arange(4.0), np.r_[-2:0, 1:5] * 1e-4, ACQUISITION, GEOMETRY)
    assert found.sensitivity.sum(axis=1) == pytest.approx(np.ones(4), rel=1e-12)
    assert found.depth[0] >= -0.8 * GEOMETRY.push_length - 1e-12
    assert found.depth[-1] <= 0.8 * GEOMETRY.push_length + 1e-12
