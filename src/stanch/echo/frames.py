"""What a displacement estimator leaves behind for each frame, before the noise model; and the tracking gate."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.echo.demodulate import Band
from stanch.errors import InputError
from stanch.recording.records import Acquisition, Geometry

__all__ = ["Gate", "Tracked", "choose_gate", "join"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Gate:
    """The tracking gate on one line.

    Parameters
    ----------
    first : int
        Input sample of the first baseband sample of the gate.
    count : int
        Baseband samples in the gate.
    depth : ndarray, shape (count,)
        [m].
    """

    first: int
    count: int
    depth: Floats


@dataclass(frozen=True)
class Tracked:
    """Every frame of a block of pushes as an estimator saw it.

    Parameters
    ----------
    shift : ndarray, shape (push, frame)
        Against the reference, pre-push frames included, positive away from the transducer [m].
    with_reference, with_previous : ndarray, shape (push, frame)
        Squared coherence after shift compensation [-].
    lags : ndarray of complex64, shape (push, frame, lag)
        Cross-correlation with the reference (with the frame before, in a chain) around the shift; 0 when not kept.
    reference : ndarray of complex64, shape (push, sample)
        Averaged pre-push baseband of the gate.
    beyond : ndarray of complex64, shape (push, sample)
        The same with half the lags more at either end.
    centre : ndarray, shape (push,)
        Phase per baseband sample of movement at the local centre frequency [rad].
    chained : ndarray of bool, shape (push,)
        Whether the reference was progressive.
    readable : ndarray of bool, shape (push,)
        Whether there was a reference at all.
    signs : ndarray of uint8, shape (push, frame)
        1 saturated, 2 constant, 4 repeated, 8 not finite.
    line : ndarray of complex64, shape (push, sample)
        Averaged pre-push baseband of the whole line.
    """

    shift: Floats
    with_reference: Floats
    with_previous: Floats
    lags: NDArray[np.complex64]
    reference: NDArray[np.complex64]
    beyond: NDArray[np.complex64]
    centre: Floats
    chained: NDArray[np.bool_]
    readable: NDArray[np.bool_]
    signs: NDArray[np.uint8]
    line: NDArray[np.complex64]

    @property
    def good(self) -> NDArray[np.bool_]:
        """Frames without a sign of fault, of pushes with a reference; shape (push, frame)."""
        return np.asarray((self.signs == 0) & self.readable[:, None])

    @property
    def coherence(self) -> Floats:
        """Squared coherence with what each frame was measured against; shape (push, frame) [-]."""
        return np.where(self.chained[:, None], self.with_previous, self.with_reference)


def join(parts: list[Tracked]) -> Tracked:
    """Put blocks of pushes together.

    Parameters
    ----------
    parts : list of Tracked

    Returns
    -------
    Tracked
    """
    if len(parts) == 1:
        return parts[0]
    names = [field.name for field in dataclasses.fields(Tracked)]
    return Tracked(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def choose_gate(
    samples: int,
    band: Band,
    acquisition: Acquisition,
    geometry: Geometry,
    start: float | None = None,
    end: float | None = None,
) -> Gate:
    """Place the gate on the baseband grid, inside the line and the sample.

    Parameters
    ----------
    samples : int
        Samples per line.
    band : Band
    acquisition : Acquisition
    geometry : Geometry
    start, end : float, optional
        Wanted ends, beam depth [m]; focus -/+ 0.8 push lengths by default.

    Returns
    -------
    Gate

    Raises
    ------
    InputError
        If less than six baseband samples are left.

    Notes
    -----
    0.8 push lengths either side of the focus is where exp(-(z/L)^2) has fallen to 0.53: further out the movement is
    small, adds little to the estimate and depends more on the far field of the push, which is known less well.
    """
    spacing = acquisition.sample_spacing
    reach = band.taps.size // 2 * spacing
    low = acquisition.first_sample_depth + reach
    high = acquisition.first_sample_depth + (samples - 1) * spacing - reach
    if geometry.beam_from == "base":
        inside = (-geometry.focus_height, geometry.well_depth - geometry.focus_height)
    else:
        inside = (geometry.focus_height - geometry.well_depth, geometry.focus_height)
    low, high = max(low, inside[0] + reach), min(high, inside[1] - reach)
    wanted = 0.8 * geometry.push_length
    begin = max(-wanted if start is None else start, low)
    finish = min(wanted if end is None else end, high)
    first = int(np.ceil((begin - acquisition.first_sample_depth) / spacing - 1e-9))
    count = int(np.floor((finish - begin) / band.spacing + 1e-9)) + 1 if finish > begin else 0
    if count < 6:
        raise InputError(
            "tracking gate",
            got=f"{begin * 1e3:.3f} to {finish * 1e3:.3f} mm",
            allowed=f"at least {6 * band.spacing * 1e3:.2f} mm inside {low * 1e3:.3f} to {high * 1e3:.3f} mm",
            do="Check first_sample_depth, focus_height and the gate.",
        )
    depth = acquisition.first_sample_depth + spacing * (first + band.decimation * np.arange(count, dtype=float))
    return Gate(first, count, np.asarray(depth, dtype=np.float64))
