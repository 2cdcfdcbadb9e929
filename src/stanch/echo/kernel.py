"""Compiled phase tracking of pushes in the baseband; equal to the NumPy path in ``reference``.

Importing this module imports numba, so it is imported only when a recording is tracked.

Notes
-----
A *line* here is an array of four rows: real and imaginary part of the gate with `BEYOND` samples more at either end,
then those of the gate alone, from its first sample on and with zeros after its last.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from stanch.echo.compiled import entry, helper, padded
from stanch.echo.demodulate import LAGS

__all__ = ["BEYOND", "track_pushes", "window"]

BEYOND = LAGS // 2
"""Samples kept beyond either end of the gate, for the lags."""


def window(count: int, margin: int) -> int:
    """Baseband samples that `track_pushes` reads of each frame.

    Parameters
    ----------
    count : int
        Samples in the gate.
    margin : int
        Samples before it.

    Returns
    -------
    int
        [-].
    """
    return padded(padded(count) + 2 * margin)


@helper
def _sum(ar: Any, ai: Any, br: Any, bi: Any) -> tuple[float, float]:
    """Real and imaginary part of sum a conj(b) over the length of a."""
    real = np.float32(0.0)
    imag = np.float32(0.0)
    for m in range(ar.size):
        real += ar[m] * br[m] + ai[m] * bi[m]
        imag += ai[m] * br[m] - ar[m] * bi[m]
    return np.float64(real), np.float64(imag)


@helper
def _cross(a: Any, b: Any) -> tuple[float, float]:
    """Sum over the gate of line a times conj(line b)."""
    size = a.shape[1] - 2 * BEYOND
    return _sum(a[2, :size], a[3, :size], b[2, :size], b[3, :size])


@helper
def _cross_at(a: Any, b: Any, at: int) -> tuple[float, float]:
    """Sum over the gate of line a times conj(b), b read from sample `at` of its first two rows on."""
    size = a.shape[1] - 2 * BEYOND
    return _sum(a[2, :size], a[3, :size], b[0, at : at + size], b[1, at : at + size])


@helper
def _energy(a: Any) -> float:
    real, _imag = _cross(a, a)
    return real


@helper
def _copy(a: Any, out: Any) -> None:
    """As much of `a` as `out` holds."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = a[i, j]


@helper
def _fill_gate(a: Any, count: int) -> None:
    """The last two rows of a line from its first two."""
    for m in range(count):
        a[2, m] = a[0, BEYOND + m]
        a[3, m] = a[1, BEYOND + m]


@helper
def _lags(a: Any, b: Any, at: int, out: Any) -> None:
    """out[:, l] = sum over the gate of a conj(b), b read from sample at + l - half on."""
    for k in range(LAGS):
        out[0, k], out[1, k] = _cross_at(a, b, at + k - BEYOND)


@helper
def _even_lags(a: Any, b: Any, count: int, found: bool, out: Any) -> None:
    """Mean of the lags with b and with a running beyond the gate: a line with itself gives Hermitian lags.

    Both sums differ only in the products at the ends of the gate, so one of them and these are enough. Zero unless
    `found`.
    """
    for k in range(LAGS):
        real, imag = _cross_at(a, b, k)
        lag = k - BEYOND
        sign = 0.5 if lag > 0 else -0.5
        start = BEYOND - max(lag, 0)
        for j in range(abs(lag)):
            for m in (start + j, start + count + j):
                real += sign * (a[0, m] * b[0, m + lag] + a[1, m] * b[1, m + lag])
                imag += sign * (a[1, m] * b[0, m + lag] - a[0, m] * b[1, m + lag])
                sign = -sign
        out[0, k] = real if found else 0.0
        out[1, k] = imag if found else 0.0


@helper
def _interpolate(real: Any, imag: Any, tap: Any, turn: float, count: int, out: Any) -> None:
    """Line read at a fraction of a sample, turned by `turn`; `real` and `imag` begin at the first sample needed."""
    cosine = np.float32(math.cos(turn))
    sine = np.float32(math.sin(turn))
    out_r = out[0]
    out_i = out[1]
    for m in range(out_r.size):
        r = np.float32(0.0)
        i = np.float32(0.0)
        for k in range(LAGS):
            r += tap[k] * real[m + k]
            i += tap[k] * imag[m + k]
        out_r[m] = r * cosine - i * sine
        out_i[m] = r * sine + i * cosine
    _fill_gate(out, count)


@helper
def _tap_row(table: Any, fraction: float, tap: Any) -> None:
    """Interpolator taps at `fraction`, linear between rows of the table."""
    last = table.shape[0] - 1
    x = (fraction + 0.75) / 1.5 * last
    row = min(max(int(x), 0), last - 1)
    w = np.float32(x - row)
    for k in range(LAGS):
        tap[k] = (np.float32(1.0) - w) * table[row, k] + w * table[row + 1, k]


@helper
def _phase(work: Any, tap: Any, turn: float) -> float:
    """Phase of the interpolated lag, turned by `turn`."""
    real = 0.0
    imag = 0.0
    for k in range(LAGS):
        real += tap[k] * work[0, k]
        imag += tap[k] * work[1, k]
    cosine = math.cos(turn)
    sine = math.sin(turn)
    return math.atan2(real * sine + imag * cosine, real * cosine - imag * sine)


@helper
def _solve(
    a: Any,
    frame: Any,
    gate: int,
    count: int,
    guess: float,
    carrier: float,
    centre: float,
    table: Any,
    reach: int,
    work: Any,
    tap: Any,
    out: Any,
) -> tuple[float, float, float, float]:
    """Shift of `frame` against line `a` nearest `guess` at which the cross-correlation has zero phase.

    Returns shift [baseband samples], |R|^2, energy of the shifted frame and the first phase; zeros when out of reach.
    """
    shift = guess
    first = 0.0
    base = 1 << 30
    for step in range(6):
        if not (-reach < shift < reach):
            return guess, 0.0, 0.0, first
        if abs(shift - base) > 0.7:
            base = math.floor(shift + 0.5)
            _lags(a, frame, gate + base, work)
        _tap_row(table, shift - base, tap)
        phase = _phase(work, tap, -carrier * shift)
        if step == 0:
            first = phase
        move = phase / (carrier + centre)
        shift += move
        if abs(move) < 1e-6:
            break
    if not (-reach < shift < reach):
        return guess, 0.0, 0.0, first
    base = math.floor(shift + 0.5)
    _tap_row(table, shift - base, tap)
    at = gate + base - 2 * BEYOND
    _interpolate(frame[0, at:], frame[1, at:], tap, carrier * shift, count, out)
    real, imag = _cross(a, out)
    return shift, real * real + imag * imag, _energy(out), first


@helper
def _follow(
    a: Any,
    energy_a: float,
    frame: Any,
    gate: int,
    count: int,
    guess: float,
    usual: float,
    carrier: float,
    centre: float,
    table: Any,
    reach: int,
    work: Any,
    tap: Any,
    out: Any,
    spare: Any,
) -> tuple[float, float]:
    """:func:`_solve`, trying the neighbouring periods where the first try looks wrong; shift and |coherence|^2."""
    best = 0.0
    start = guess
    shift = guess
    period = 2.0 * math.pi / (carrier + centre)
    for attempt in range(7):
        # The first try itself, then -3, -2, -1, 1, 2, 3 periods from where it ended.
        away = 0.0 if attempt == 0 else (attempt - 4 if attempt < 4 else attempt - 3) * period
        s, power, energy, first = _solve(
            a, frame, gate, count, start + away, carrier, centre, table, reach, work, tap, spare
        )
        found = power / (energy_a * energy) if energy > 0 else 0.0
        if attempt == 0 or found > 1.02 * best:
            best = found
            shift = s
            _copy(spare, out)
        if attempt == 0:
            if best >= 0.8 * usual and abs(first) <= 2.2:
                break
            start = s
    return shift, best


@helper
def _reference(frames: Any, signs: Any, before: int, gate: int, count: int, out: Any) -> int:
    """Mean of the good pre-push frames over the gate; how many there were."""
    size = count + 2 * BEYOND
    used = 0
    for m in range(size):
        out[0, m] = 0.0
        out[1, m] = 0.0
    for k in range(before):
        if signs[k] == 0:
            used += 1
            for m in range(size):
                out[0, m] += frames[k, 0, gate - BEYOND + m]
                out[1, m] += frames[k, 1, gate - BEYOND + m]
    for m in range(size):
        out[0, m] /= max(used, 1)
        out[1, m] /= max(used, 1)
    _fill_gate(out, count)
    return used


@helper
def _coherence(a: Any, energy_a: float, b: Any, energy_b: float) -> float:
    real, imag = _cross(a, b)
    energy = energy_a * energy_b
    return (real * real + imag * imag) / energy if energy > 0 else 0.0


@helper
def _pass(
    frames: Any,
    signs: Any,
    before: int,
    gate: int,
    count: int,
    carrier: float,
    centre: float,
    table: Any,
    reach: int,
    chain: bool,
    limit: float,
    lines: Any,
    work: Any,
    tap: Any,
    shift: Any,
    with_reference: Any,
    with_previous: Any,
    lags: Any,
) -> int:
    """Track frames[frame, 2, sample] once; how many lost coherence with the reference but not with their neighbour."""
    reference, now, last, spare = lines[0], lines[1], lines[2], lines[3]
    energy_reference = _energy(reference)
    energy_last = 0.0
    guess = 0.0
    usual = 0.0
    have = False
    low = 0
    for k in range(frames.shape[0]):
        if k == before and chain:
            # The first chained frame is measured against the averaged reference.
            have = False
        if signs[k] != 0:
            continue
        chained = chain and have and k >= before
        against = last if chained else reference
        energy = energy_last if chained else energy_reference
        shift[k], found = _follow(
            against, energy, frames[k], gate, count, guess, usual, carrier, centre, table, reach, work, tap, now, spare
        )
        energy_now = _energy(now)
        with_reference[k] = _coherence(reference, energy_reference, now, energy_now) if found > 0.0 else 0.0
        with_previous[k] = _coherence(last, energy_last, now, energy_now) if found > 0.0 and have else 0.0
        if chain and k >= before and not have:
            with_previous[k] = with_reference[k]
        _even_lags(against, now, count, found > 0.0, lags[k])
        settled = with_previous[k] > 0.8 or not have
        if k >= before and settled and with_reference[k] < limit * with_previous[k]:
            low += 1
        if found > 0.25:
            guess = shift[k]
            usual = found
            last, now = now, last
            energy_last = energy_now
            have = True
    return low


@entry
def track_pushes(
    z: Any,
    before: int,
    gate: int,
    count: int,
    lanes: int,
    carrier: float,
    table: Any,
    reach: int,
    mode: int,
    limit: float,
    signs: Any,
    shift: Any,
    with_reference: Any,
    with_previous: Any,
    lags: Any,
    reference: Any,
    centre: Any,
    used: Any,
) -> None:
    """Track the pushes of z[push, frame, 2, sample]; results into the arrays handed in, scratch of its own.

    Quantities and units as in :func:`stanch.echo.autocorrelation.track_block`; shifts in baseband samples.
    """
    lines = np.zeros((4, 4, lanes + 2 * BEYOND), np.float32)
    work = np.empty((2, LAGS), np.float32)
    tap = np.empty(LAGS, np.float32)
    whole = lines[0]
    for p in range(z.shape[0]):
        averaged = _reference(z[p], signs[p], before, gate, count, whole)
        _copy(whole, reference[p])
        centre[p] = 0.0
        used[p] = -1
        if averaged == 0 or _energy(whole) <= 0.0:
            continue
        real, imag = _sum(whole[2, 1:count], whole[3, 1:count], whole[2, : count - 1], whole[3, : count - 1])
        centre[p] = min(max(math.atan2(imag, real), -0.5 * carrier), 0.5 * carrier)
        for attempt in range(2):
            chain = mode == 2 or attempt == 1
            used[p] = 2 if chain else 1
            low = _pass(
                z[p], signs[p], before, gate, count, carrier, centre[p], table, reach, chain, limit, lines, work, tap,
                shift[p], with_reference[p], with_previous[p], lags[p],
            )  # fmt: skip
            if mode != 0 or low == 0:
                break
