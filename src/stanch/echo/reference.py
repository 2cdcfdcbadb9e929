"""The phase tracker in plain NumPy: what the compiled one in ``kernel`` must equal, and the place to read it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.echo.autocorrelation import MARGIN
from stanch.echo.demodulate import LAGS, PHASES, SPAN, Band, demodulate
from stanch.echo.frames import Gate
from stanch.recording.records import Acquisition

__all__ = ["PushTrack", "track_push"]

Complex = NDArray[np.complex128]
HALF = LAGS // 2


@dataclass(frozen=True)
class PushTrack:
    """One push: shift in baseband samples, squared coherences, lags, and whether the reference was progressive."""

    shift: NDArray[np.float64]
    with_reference: NDArray[np.float64]
    with_previous: NDArray[np.float64]
    lags: Complex
    chained: bool


@dataclass(frozen=True)
class _Setting:
    gate: int
    count: int
    carrier: float
    centre: float
    table: NDArray[np.float64]

    @property
    def reach(self) -> int:
        return MARGIN - LAGS - 1


def _taps(table: NDArray[np.float64], fraction: float) -> NDArray[np.float64]:
    x = (fraction + SPAN) / (2 * SPAN) * (PHASES - 1)
    row = min(max(int(x), 0), PHASES - 2)
    return np.asarray((1 - (x - row)) * table[row] + (x - row) * table[row + 1])


def _inner(a: Complex) -> Complex:
    return a[HALF : a.size - HALF]


def _coherence(a: Complex, b: Complex) -> float:
    energy = np.vdot(_inner(a), _inner(a)).real * np.vdot(_inner(b), _inner(b)).real
    return float(abs(np.vdot(_inner(b), _inner(a))) ** 2 / energy) if energy > 0 else 0.0


def _solve(a: Complex, frame: Complex, guess: float, s: _Setting) -> tuple[float, float, float, Complex]:
    """Shift with zero phase nearest `guess`, its squared coherence, the first phase and the line read there."""
    shift, first, base = guess, 0.0, 1 << 30
    work = np.zeros(LAGS, complex)
    nothing = np.zeros(s.count + 2 * HALF, complex)
    for step in range(6):
        if not -s.reach < shift < s.reach:
            return guess, 0.0, first, nothing
        if abs(shift - base) > 0.7:
            base = int(np.floor(shift + 0.5))
            work = np.array([np.vdot(frame[s.gate + base + lag :][: s.count], _inner(a)) for lag in _LAG])
        phase = float(np.angle(_taps(s.table, shift - base) @ work * np.exp(-1j * s.carrier * shift)))
        first = phase if step == 0 else first
        move = phase / (s.carrier + s.centre)
        shift += move
        if abs(move) < 1e-6:
            break
    if not -s.reach < shift < s.reach:
        return guess, 0.0, first, nothing
    base = int(np.floor(shift + 0.5))
    at = s.gate + base - HALF - HALF
    taps = _taps(s.table, shift - base)
    read = np.correlate(frame[at : at + s.count + 2 * HALF + LAGS - 1], taps, "valid")
    read = read * np.exp(1j * s.carrier * shift)
    return shift, _coherence(a, read), first, read


_LAG = range(-HALF, HALF + 1)


def _follow(a: Complex, frame: Complex, guess: float, usual: float, s: _Setting) -> tuple[float, float, Complex]:
    shift, best, first, read = _solve(a, frame, guess, s)
    if best < 0.8 * usual or abs(first) > 2.2:
        period = 2 * np.pi / (s.carrier + s.centre)
        start = shift
        for step in (-3, -2, -1, 1, 2, 3):
            other, coherence, _, line = _solve(a, frame, start + step * period, s)
            if coherence > 1.02 * best:
                shift, best, read = other, coherence, line
    return shift, best, read


def _even_lags(a: Complex, b: Complex) -> Complex:
    count = a.size - 2 * HALF
    ahead = [np.vdot(b[HALF + lag :][:count], _inner(a)) for lag in _LAG]
    behind = [np.vdot(_inner(b), a[HALF - lag :][:count]) for lag in _LAG]
    return np.asarray(0.5 * (np.array(ahead) + np.array(behind)), dtype=np.complex128)


def track_push(
    push: NDArray[Any],
    good: NDArray[np.bool_],
    band: Band,
    gate: Gate,
    acquisition: Acquisition,
    reference: str = "auto",
    change_over: float = 0.9,
) -> PushTrack | None:
    """Track one push.

    Parameters
    ----------
    push : ndarray, shape (frame, sample) or (frame, sample, 2)
        Echoes [counts].
    good : ndarray of bool, shape (frame,)
        Frames to use.
    band : Band
    gate : Gate
    acquisition : Acquisition
    reference, change_over
        As in :func:`stanch.echo.autocorrelation.track_block`.

    Returns
    -------
    PushTrack or None
        None without a good pre-push frame.
    """
    before = acquisition.frames_before_push
    start = gate.first - MARGIN * band.decimation
    z = np.asarray(demodulate(push, band, start, gate.count + 2 * MARGIN, acquisition.echo_form), dtype=complex)
    if not good[:before].any():
        return None
    whole = z[:before][good[:before]].mean(axis=0)[MARGIN - HALF : MARGIN + gate.count + HALF]
    inner = _inner(whole)
    carrier = 2 * np.pi * band.reference / band.rate
    centre = float(np.clip(np.angle(np.vdot(inner[:-1], inner[1:])), -0.5 * carrier, 0.5 * carrier))
    setting = _Setting(MARGIN, gate.count, carrier, centre, band.table.astype(float))
    first = _pass(z, good, before, whole, setting, reference == "progressive", change_over)
    if reference != "auto" or first[1] == 0:
        return first[0]
    return _pass(z, good, before, whole, setting, True, change_over)[0]


def _pass(
    z: Complex, good: NDArray[np.bool_], before: int, whole: Complex, s: _Setting, chain: bool, change_over: float
) -> tuple[PushTrack, int]:
    """All frames once; also how many lost coherence with the reference but not with their neighbour."""
    frames = z.shape[0]
    shift, with_reference, with_previous = np.zeros(frames), np.zeros(frames), np.zeros(frames)
    lags = np.zeros((frames, LAGS), complex)
    guess, usual, low = 0.0, 0.0, 0
    last: Complex | None = None
    for k in range(frames):
        if k == before and chain:
            last = None
        if not good[k]:
            continue
        against = last if chain and last is not None and k >= before else whole
        shift[k], found, now = _follow(against, z[k], guess, usual, s)
        if found > 0:
            with_reference[k] = _coherence(whole, now)
            with_previous[k] = _coherence(last, now) if last is not None else 0.0
            if chain and k >= before and last is None:
                with_previous[k] = with_reference[k]
            lags[k] = _even_lags(against, now)
        settled = with_previous[k] > 0.8 or last is None
        low += k >= before and settled and with_reference[k] < change_over * with_previous[k]
        if found > 0.25:
            guess, usual, last = float(shift[k]), found, now
    return PushTrack(shift, with_reference, with_previous, lags, chain), low
