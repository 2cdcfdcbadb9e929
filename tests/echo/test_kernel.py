"""The compiled tracker equals the plain NumPy one."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields, replace
from threading import Barrier
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.echo import kernel, receive
from stanch.echo.autocorrelation import track_block
from stanch.echo.demodulate import LAGS, demodulate, design_band
from stanch.echo.frames import Tracked, choose_gate
from stanch.echo.reference import track_push
from stanch.recording.records import Acquisition, Geometry

ACQUISITION = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.6e-3)
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)


def echoes(seed: int, peak: float, noise: float) -> NDArray[np.int16]:
    """Scatterers that move less the deeper they are, shape (push, frame, sample)."""
    rng = np.random.default_rng(seed)
    time = np.arange(256) / 40e6
    course = np.r_[0.0, 0.0, np.sin(np.arange(1, 13) / 13 * np.pi)]
    out = np.zeros((2, course.size, 256))
    for push in range(2):
        depth = rng.uniform(-1e-3, 6e-3, 400)
        strength = rng.normal(size=400)
        moved = depth + peak * course[:, None] * (1 - 0.1 * depth / 1e-3)
        delay = time - 2 * moved[..., None] / 1540.0
        pulse = np.exp(-((delay * 9e6) ** 2) * 1.3) * np.cos(2 * np.pi * 9e6 * delay)
        out[push] = np.einsum("i,kis->ks", strength, pulse)
    out += noise * rng.normal(size=out.shape)
    return np.round(out * 400).astype(np.int16)


@pytest.mark.parametrize(("peak", "noise"), [(0.0, 0.1), (8e-6, 0.05), (60e-6, 0.05), (250e-6, 0.3)])
@pytest.mark.parametrize("reference", ["auto", "fixed", "progressive"])
@pytest.mark.parametrize("form", ["rf", "iq"])
def test_compiled_equals_numpy(peak: float, noise: float, reference: str, form: str) -> None:
    acquisition = ACQUISITION
    block: NDArray[np.generic] = echoes(1, peak, noise)
    if form == "iq":
        band = design_band(acquisition)
        z = demodulate(block, band)
        acquisition = replace(
            acquisition, sampling_rate=band.rate, echo_form="iq", demodulation_frequency=band.reference
        )
        block = np.stack([z.real, z.imag], axis=-1).astype(np.float32)
    band = design_band(acquisition)
    gate = choose_gate(block.shape[2], band, acquisition, GEOMETRY)
    fast = track_block(block, band, gate, acquisition, reference)
    for push in range(2):
        slow = track_push(block[push], fast.signs[push] == 0, band, gate, acquisition, reference)
        assert slow is not None
        assert bool(fast.chained[push]) == slow.chained
        alive = slow.with_reference > 0.1
        # float32 against float64: a ten-thousandth of a sample is 4 nm.
        assert fast.shift[push][alive] == pytest.approx(slow.shift[alive] * band.spacing, abs=1e-4 * band.spacing)
        assert fast.with_reference[push] == pytest.approx(slow.with_reference, abs=2e-4)
        assert fast.with_previous[push] == pytest.approx(slow.with_previous, abs=2e-4)
        scale = np.abs(slow.lags).max()
        assert np.abs(fast.lags[push] - slow.lags).max() < 2e-3 * scale


def test_lags_of_both_agree() -> None:
    assert kernel.BEYOND == LAGS // 2


def test_wells_in_two_threads_equal_one_after_the_other() -> None:
    wells = [np.tile(echoes(seed, 30e-6, 0.1), (150, 1, 1)) for seed in (1, 2)]
    band = design_band(ACQUISITION)
    gate = choose_gate(256, band, ACQUISITION, GEOMETRY)
    alone = [track_block(block, band, gate, ACQUISITION) for block in wells]
    # Both begin at once; 300 pushes take some ten milliseconds, so that they overlap even on a busy machine.
    start = Barrier(2)

    def work(block: NDArray[np.int16]) -> list[Tracked]:
        start.wait()
        return [track_block(block, band, gate, ACQUISITION) for _ in range(4)]

    with ThreadPoolExecutor(2) as pool:
        together = list(pool.map(work, wells))
    for one, several in zip(alone, together, strict=True):
        for other in several:
            for field in fields(Tracked):
                assert np.array_equal(getattr(one, field.name), getattr(other, field.name)), field.name


def test_threads_within_a_block_equal_one() -> None:
    block = echoes(1, 30e-6, 0.1).repeat(5, axis=0)
    band = design_band(ACQUISITION)
    gate = choose_gate(256, band, ACQUISITION, GEOMETRY)
    one, two = (track_block(block, band, gate, ACQUISITION, threads=threads) for threads in (1, 2))
    assert np.array_equal(one.shift, two.shift)
    assert np.array_equal(one.lags, two.lags)


@pytest.mark.parametrize("compiled", [kernel.track_pushes, receive.receive])
def test_compiled_code_releases_the_interpreter_lock(compiled: Any) -> None:
    assert compiled.targetoptions["nogil"]
