"""The compiled demodulation equals the NumPy one, up to the ends of the line and for every kind of number."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.echo.autocorrelation import MARGIN, track_block
from stanch.echo.demodulate import demodulate, design_band
from stanch.echo.frames import Gate, Tracked, choose_gate
from stanch.recording.records import Acquisition, Geometry

ACQUISITION = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.6e-3)
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)


def noise(*shape: int) -> NDArray[np.int16]:
    return np.round(np.random.default_rng(5).normal(size=shape) * 800).astype(np.int16)


def track(block: NDArray[Any], acquisition: Acquisition = ACQUISITION, gate: Gate | None = None) -> Tracked:
    band = design_band(acquisition)
    if gate is None:
        gate = choose_gate(block.shape[2], band, acquisition, GEOMETRY)
    return track_block(block, band, gate, acquisition)


@pytest.mark.parametrize("sampling_rate", [25e6, 40e6, 62.5e6, 120e6])
@pytest.mark.parametrize("form", ["rf", "iq"])
def test_line_equals_numpy(sampling_rate: float, form: str) -> None:
    acquisition = replace(ACQUISITION, sampling_rate=sampling_rate)
    if form == "iq":
        acquisition = replace(acquisition, echo_form="iq", demodulation_frequency=8e6)
    band = design_band(acquisition)
    # An odd length, so that the last baseband sample has no whole step after it.
    block = noise(2, 4, 701) if form == "rf" else noise(2, 4, 701, 2)
    found = track(block, acquisition).line
    wanted = demodulate(block[:, :2], band, form=form).mean(axis=1)
    assert found.shape == wanted.shape
    assert np.abs(found - wanted).max() < 1e-5 * np.abs(wanted).max()


@pytest.mark.parametrize("where", ["start", "end"])
@pytest.mark.parametrize("sampling_rate", [40e6, 120e6])
def test_gate_at_the_ends_of_the_line(where: str, sampling_rate: float) -> None:
    acquisition = replace(ACQUISITION, sampling_rate=sampling_rate)
    band = design_band(acquisition)
    first = 5 if where == "start" else 256 - 20 * band.decimation
    block = noise(1, 4, 256)
    found = track(block, acquisition, Gate(first, 20, np.zeros(20))).reference
    start = first - MARGIN * band.decimation
    wanted = demodulate(block[:, :2], band, start, 20 + 2 * MARGIN).mean(axis=1)[:, MARGIN : MARGIN + 20]
    assert np.abs(found - wanted).max() < 1e-5 * np.abs(wanted).max()


@pytest.mark.parametrize("kind", [np.int32, np.float32])
def test_every_kind_of_number(kind: type) -> None:
    block = (noise(3, 6, 256) // 32).astype(np.int16)
    block[1, 3] = 7
    block[2, 4] = block[2, 3]
    one, other = track(block), track(block.astype(kind))
    assert one.signs.tolist() == other.signs.tolist()
    assert one.signs[1, 3] == 2
    assert one.signs[2, 4] == 4
    assert np.allclose(one.line, other.line, rtol=0, atol=1e-6 * np.abs(one.line).max())
    assert np.allclose(one.with_reference, other.with_reference, rtol=0, atol=1e-4)


def test_bad_frames_leave_the_others_alone() -> None:
    clean = noise(1, 8, 256).astype(np.float32)
    bad = clean.copy()
    bad[0, 4, 100] = np.nan
    bad[0, 5, 200] = -np.inf
    bad[0, 6, :5] = 1.5 * np.abs(clean).max()
    one, other = track(clean), track(bad)
    assert other.signs[0].tolist() == [0, 0, 0, 0, 8, 8, 1, 0]
    assert np.array_equal(one.shift[0, :4], other.shift[0, :4])
    assert np.isfinite(other.shift).all()
    assert np.isfinite(other.lags).all()


@pytest.mark.parametrize(("kind", "factor"), [(np.int32, 2.0**19), (np.float32, 1e9), (np.float32, 1e-15)])
def test_the_unit_of_the_echo_does_not_matter(kind: type, factor: float) -> None:
    # At the ends of the scale a product of two energies does not fit single precision.
    moved = noise(1, 1, 256) + noise(1, 4, 256) // 32
    moved[:, 2:] = np.roll(moved[:, 2:], 1, axis=2)
    one, other = track(moved), track((moved * factor).astype(kind))
    assert one.with_reference.min() > 0.9
    assert np.allclose(one.with_reference, other.with_reference, rtol=0, atol=1e-5)
    assert np.allclose(one.shift, other.shift, rtol=0, atol=1e-9)
