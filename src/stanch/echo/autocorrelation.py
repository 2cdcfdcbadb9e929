"""Phase estimators on complex baseband: one-dimensional (Kasai) and two-dimensional (Loupas) autocorrelation.

References
----------
.. [1] Kasai C, Namekawa K, Koyano A, Omoto R. Real-time two-dimensional blood flow imaging using an autocorrelation
   technique. IEEE Trans Sonics Ultrason 1985;32(3):458-464.
.. [2] Loupas T, Powers JT, Gill RW. An axial velocity estimator for ultrasound blood flow imaging, based on a full
   evaluation of the Doppler equation by means of a two-dimensional autocorrelation approach. IEEE Trans Ultrason
   Ferroelectr Freq Control 1995;42(4):672-688.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.echo.demodulate import LAGS, Band
from stanch.echo.frames import Gate, Tracked
from stanch.recording.records import Acquisition

__all__ = ["kasai", "local_frequency", "loupas", "spread", "track_block"]

MARGIN = LAGS + 10
"""Baseband samples kept on either side of the gate, so that gates can follow the tissue."""

Complex = NDArray[np.complexfloating]
Floats = NDArray[np.float64]


def kasai(reference: Complex, later: Complex, demodulation_frequency: float, sound_speed: float) -> Floats:
    """Displacement by one-dimensional autocorrelation [1]_.

    Parameters
    ----------
    reference, later : ndarray of complex, shape (..., sample)
        Baseband of the gate before and after the movement.
    demodulation_frequency : float
        Frequency at zero in the baseband, taken for the echo's own [Hz].
    sound_speed : float
        [m/s].

    Returns
    -------
    ndarray, shape (...)
        Positive away from the transducer, wrapped to plus or minus a quarter wavelength [m].
    """
    phase = np.angle(np.sum(reference * later.conj(), axis=-1))
    return np.asarray(sound_speed * phase / (4 * np.pi * demodulation_frequency))


def local_frequency(reference: Complex, later: Complex, rate: float) -> Floats:
    """Mean frequency of two lines in the baseband [2]_.

    Parameters
    ----------
    reference, later : ndarray of complex, shape (..., sample)
    rate : float
        Baseband samples per second [Hz].

    Returns
    -------
    ndarray, shape (...)
        Relative to the demodulation frequency [Hz].
    """
    lag_one = np.sum(reference[..., 1:] * reference[..., :-1].conj(), axis=-1)
    lag_one = lag_one + np.sum(later[..., 1:] * later[..., :-1].conj(), axis=-1)
    return np.asarray(rate * np.angle(lag_one) / (2 * np.pi))


def loupas(
    reference: Complex, later: Complex, demodulation_frequency: float, rate: float, sound_speed: float
) -> Floats:
    """Displacement by two-dimensional autocorrelation: phase over the echo's own local frequency [2]_.

    Parameters
    ----------
    reference, later : ndarray of complex, shape (..., sample)
        Baseband of the gate before and after the movement.
    demodulation_frequency : float
        Frequency at zero in the baseband [Hz].
    rate : float
        Baseband samples per second [Hz].
    sound_speed : float
        [m/s].

    Returns
    -------
    ndarray, shape (...)
        Positive away from the transducer, wrapped to plus or minus a quarter wavelength [m].
    """
    phase = np.angle(np.sum(reference * later.conj(), axis=-1))
    frequency = demodulation_frequency + local_frequency(reference, later, rate)
    return np.asarray(sound_speed * phase / (4 * np.pi * frequency))


def _empty(pushes: int, frames: int, gate: int, line: int) -> dict[str, NDArray[Any]]:
    return {
        "shift": np.zeros((pushes, frames)),
        "with_reference": np.zeros((pushes, frames)),
        "with_previous": np.zeros((pushes, frames)),
        "lags": np.zeros((pushes, frames, 2, LAGS), np.float32),
        "reference": np.zeros((pushes, 2, gate + LAGS - 1), np.float32),
        "centre": np.zeros(pushes),
        "used": np.zeros(pushes, np.int64),
        "signs": np.zeros((pushes, frames), np.uint8),
        "line": np.zeros((pushes, 2, line), np.float32),
    }


def track_block(
    block: NDArray[Any],
    band: Band,
    gate: Gate,
    acquisition: Acquisition,
    reference: str = "auto",
    change_over: float = 0.9,
    threads: int = 1,
) -> Tracked:
    """Track a block of pushes with the compiled two-dimensional autocorrelation estimator.

    Parameters
    ----------
    block : ndarray, shape (push, frame, sample), ``iq``: (push, frame, sample, 2)
        Echoes [counts].
    band : Band
    gate : Gate
    acquisition : Acquisition
    reference : str
        ``auto``, ``fixed`` or ``progressive``.
    change_over : float
        See :class:`~stanch.echo.track.TrackSettings` [-].
    threads : int
        Threads that share the pushes.

    Returns
    -------
    Tracked

    Notes
    -----
    The line is read on at the shift found and the estimate repeated until no phase is left, so the local frequency only
    sets the step and neither the wrap nor the changing content of the gate biases the result. Where the first phase
    is large or the coherence drops, the neighbouring periods are tried and the most coherent one is taken.
    """
    from stanch.echo.compiled import padded
    from stanch.echo.kernel import track_pushes, window
    from stanch.echo.receive import receive

    pushes, frames, samples = block.shape[:3]
    rows = block.reshape(pushes, frames, -1)
    parts = rows.shape[2] // samples
    first = gate.first - MARGIN * band.decimation
    out = _empty(pushes, frames, gate.count, -(-samples // band.decimation))
    tap_r, tap_i = _taps(band)
    width = window(gate.count, MARGIN)
    step = -2 * np.pi * band.offset / (band.rate * band.decimation)
    turn = _turn(step, first, band.decimation, width)
    turn_line = _turn(step, 0, band.decimation, out["line"].shape[2])
    carrier = 2 * np.pi * band.reference / band.rate
    clip = float(np.iinfo(block.dtype).max) if block.dtype.kind == "i" else float("inf")
    mode = {"auto": 0, "fixed": 1, "progressive": 2}[reference]

    def work(part: slice) -> None:
        part_rows, signs = rows[part], out["signs"][part]
        z = np.empty((*signs.shape, 2, width), np.float32)
        receive(
            part_rows, parts, acquisition.frames_before_push, tap_r, tap_i, band.taps.size // 2, band.decimation,
            turn, first, turn_line, clip, z, signs, out["line"][part],
        )  # fmt: skip
        track_pushes(
            z, acquisition.frames_before_push, MARGIN, gate.count, padded(gate.count), carrier, band.table,
            MARGIN - LAGS - 1, mode, change_over, signs, out["shift"][part], out["with_reference"][part],
            out["with_previous"][part], out["lags"][part], out["reference"][part], out["centre"][part],
            out["used"][part],
        )  # fmt: skip

    spread(work, pushes, threads)
    used = out["used"]
    inside = slice(LAGS // 2, LAGS // 2 + gate.count)
    return Tracked(
        shift=out["shift"] * band.spacing,
        with_reference=out["with_reference"],
        with_previous=out["with_previous"],
        lags=(out["lags"][:, :, 0] + 1j * out["lags"][:, :, 1]).astype(np.complex64),
        reference=_complex(out["reference"][:, :, inside]),
        beyond=_complex(out["reference"]),
        centre=carrier + out["centre"],
        chained=used == 2,
        readable=used > 0,
        signs=out["signs"],
        line=_complex(out["line"]),
    )


def _taps(band: Band) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Taps to correlate with, filled up to a multiple of four."""
    taps = np.concatenate([band.taps.conj(), np.zeros(-band.taps.size % 4, np.complex64)])
    return np.ascontiguousarray(taps.real), np.ascontiguousarray(taps.imag)


@lru_cache(maxsize=16)
def _turn(step: float, start: int, decimation: int, count: int) -> NDArray[np.float32]:
    """Cosine and sine of `step` [rad] per input sample, `count` times from `start` on."""
    angle = step * (start + decimation * np.arange(count))
    turn = np.stack([np.cos(angle), np.sin(angle)]).astype(np.float32)
    turn.flags.writeable = False
    return turn


def spread(work: Callable[[slice], None], pushes: int, threads: int) -> None:
    """Run `work` on slices of the pushes, in threads when asked."""
    if threads == 1 or pushes < 2 * threads:
        work(slice(0, pushes))
        return
    edges = np.linspace(0, pushes, threads + 1).round().astype(int)
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, [slice(a, b) for a, b in itertools.pairwise(edges)]))


def _complex(parts: NDArray[np.float32]) -> NDArray[np.complex64]:
    joined: NDArray[np.complex64] = (parts[:, 0] + 1j * parts[:, 1]).astype(np.complex64)
    return joined
