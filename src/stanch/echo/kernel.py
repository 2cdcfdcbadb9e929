"""Compiled demodulation and phase tracking of a block of pushes; equal to the NumPy path in ``autocorrelation``.

Importing this module imports numba, so it is imported only when a recording is tracked.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np
from numba import njit

from stanch.echo.demodulate import LAGS

__all__ = ["track_iq", "track_rf"]

BEYOND = LAGS // 2
"""Samples kept beyond either end of the gate, for the lags."""

_Function = TypeVar("_Function", bound=Callable[..., Any])


def _jit(function: _Function) -> _Function:
    """Compile; sums may be reordered, NaN and infinity keep their meaning."""
    compiled: Any = njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})(function)
    return cast(_Function, compiled)


def _strict(function: _Function) -> _Function:
    """Compile without reordering."""
    compiled: Any = njit(cache=True, nogil=True)(function)
    return cast(_Function, compiled)


@_strict
def _frame_signs(line: Any, previous: Any, clip: float) -> int:
    """Signs of one raw line: 1 saturated, 2 constant, 4 repeated, 8 not finite."""
    size = line.size
    low = line[0]
    high = line[0]
    total = 0.0
    for i in range(size):
        x = line[i]
        total += x
        low = min(low, x)
        high = max(high, x)
    signs = 0
    if not math.isfinite(total):
        return 8
    if low == high:
        return 2
    touched = 0
    if high >= clip or -low >= clip:
        for i in range(size):
            if line[i] >= clip or -line[i] >= clip:
                touched += 1
        if touched >= 4:
            signs |= 1
    if previous.size == size:
        same = True
        for i in range(size):
            if line[i] != previous[i]:
                same = False
                break
        if same:
            signs |= 4
    return signs


@_jit
def _largest(push: Any) -> float:
    largest = 0.0
    flat = push.ravel()
    for i in range(flat.size):
        x = flat[i] if flat[i] >= 0 else -flat[i]
        largest = max(largest, float(x))
    return largest


@_jit
def _filter_rf(line: Any, buffer: Any, tap_r: Any, tap_i: Any, decimation: int, turn: Any, out: Any) -> None:
    """`buffer` is the line in float32 between zeros; out[0] real, out[1] imaginary."""
    taps = tap_r.size
    for j in range(out.shape[1]):
        at = j * decimation
        real = np.float32(0.0)
        imag = np.float32(0.0)
        for t in range(taps):
            x = buffer[at + t]
            real += x * tap_r[t]
            imag += x * tap_i[t]
        out[0, j] = real * turn[0, j] - imag * turn[1, j]
        out[1, j] = real * turn[1, j] + imag * turn[0, j]


@_jit
def _filter_iq(buffer: Any, tap_r: Any, tap_i: Any, decimation: int, turn: Any, out: Any) -> None:
    taps = tap_r.size
    for j in range(out.shape[1]):
        at = j * decimation
        real = np.float32(0.0)
        imag = np.float32(0.0)
        for t in range(taps):
            xr = buffer[0, at + t]
            xi = buffer[1, at + t]
            real += xr * tap_r[t] - xi * tap_i[t]
            imag += xr * tap_i[t] + xi * tap_r[t]
        out[0, j] = real * turn[0, j] - imag * turn[1, j]
        out[1, j] = real * turn[1, j] + imag * turn[0, j]


@_jit
def _load(line: Any, first: int, buffer: Any) -> None:
    """Copy samples first ... of `line` into `buffer`, zero outside the line."""
    size = line.size
    for i in range(buffer.size):
        at = first + i
        buffer[i] = np.float32(line[at]) if 0 <= at < size else np.float32(0.0)


@_jit
def _interpolate(frame: Any, at: int, tap: Any, turn: float, out: Any) -> None:
    """out[m] = frame at (at + m - BEYOND + fraction), turned by `turn`."""
    half = tap.size // 2
    cosine = np.float32(math.cos(turn))
    sine = np.float32(math.sin(turn))
    for m in range(out.shape[1]):
        real = np.float32(0.0)
        imag = np.float32(0.0)
        base = at + m - BEYOND - half
        for k in range(tap.size):
            real += tap[k] * frame[0, base + k]
            imag += tap[k] * frame[1, base + k]
        out[0, m] = real * cosine - imag * sine
        out[1, m] = real * sine + imag * cosine


@_jit
def _cross(a: Any, first_a: int, b: Any, first_b: int, count: int) -> tuple[float, float]:
    """Real and imaginary part of sum a conj(b) over `count` samples."""
    real = np.float32(0.0)
    imag = np.float32(0.0)
    for m in range(count):
        ar = a[0, first_a + m]
        ai = a[1, first_a + m]
        br = b[0, first_b + m]
        bi = b[1, first_b + m]
        real += ar * br + ai * bi
        imag += ai * br - ar * bi
    return float(real), float(imag)


@_jit
def _lags(a: Any, frame: Any, at: int, out: Any) -> None:
    """out[:, l] = sum_m a[BEYOND + m] conj(frame[at + m + l - half]), m in the gate."""
    half = out.shape[1] // 2
    for k in range(out.shape[1]):
        real, imag = _cross(a, BEYOND, frame, at + k - half, a.shape[1] - 2 * BEYOND)
        out[0, k] = real
        out[1, k] = imag


@_jit
def _even_lags(a: Any, b: Any, out: Any) -> None:
    """Mean of the lags with b and with a running beyond the gate: a line with itself gives Hermitian lags."""
    half = out.shape[1] // 2
    count = a.shape[1] - 2 * BEYOND
    for k in range(out.shape[1]):
        real, imag = _cross(a, BEYOND, b, BEYOND + k - half, count)
        other_real, other_imag = _cross(a, BEYOND - k + half, b, BEYOND, count)
        out[0, k] = 0.5 * (real + other_real)
        out[1, k] = 0.5 * (imag + other_imag)


@_jit
def _tap_row(table: Any, fraction: float, tap: Any) -> None:
    """Interpolator taps at `fraction`, linear between rows of the table."""
    last = table.shape[0] - 1
    x = (fraction + 0.75) / 1.5 * last
    row = min(max(int(x), 0), last - 1)
    w = np.float32(x - row)
    for k in range(tap.size):
        tap[k] = (np.float32(1.0) - w) * table[row, k] + w * table[row + 1, k]


@_jit
def _solve(
    a: Any,
    frame: Any,
    gate: int,
    guess: float,
    carrier: float,
    centre: float,
    table: Any,
    reach: int,
    work: Any,
    tap: Any,
    out: Any,
) -> tuple[float, float, float, float]:
    """Shift of `frame` against `a` nearest `guess` at which the cross-correlation has zero phase.

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
        real = 0.0
        imag = 0.0
        for k in range(tap.size):
            real += tap[k] * work[0, k]
            imag += tap[k] * work[1, k]
        turn = -carrier * shift
        cosine = math.cos(turn)
        sine = math.sin(turn)
        phase = math.atan2(real * sine + imag * cosine, real * cosine - imag * sine)
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
    _interpolate(frame, gate + base, tap, carrier * shift, out)
    energy = _energy(out)
    real, imag = _cross(a, BEYOND, out, BEYOND, a.shape[1] - 2 * BEYOND)
    return shift, real * real + imag * imag, energy, first


@_jit
def _follow(
    a: Any,
    frame: Any,
    gate: int,
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
    energy_a = _energy(a)
    shift, power, energy, first = _solve(a, frame, gate, guess, carrier, centre, table, reach, work, tap, out)
    best = power / (energy_a * energy) if energy > 0 else 0.0
    if best < 0.8 * usual or abs(first) > 2.2:
        period = 2.0 * math.pi / (carrier + centre)
        start = shift
        for step in range(-3, 4):
            if step == 0:
                continue
            s, p, e, first = _solve(
                a, frame, gate, start + step * period, carrier, centre, table, reach, work, tap, spare
            )
            c = p / (energy_a * e) if e > 0 else 0.0
            if c > 1.02 * best:
                best = c
                shift = s
                out[:, :] = spare
    return shift, best


@_jit
def _energy(a: Any) -> float:
    real, _imag = _cross(a, BEYOND, a, BEYOND, a.shape[1] - 2 * BEYOND)
    return real


@_jit
def _reference(z: Any, good: Any, before: int, gate: int, out: Any) -> int:
    """Mean of the good pre-push frames over the gate; how many there were."""
    out[:, :] = 0.0
    used = 0
    for k in range(before):
        if good[k]:
            used += 1
            for m in range(out.shape[1]):
                out[0, m] += z[k, 0, gate - BEYOND + m]
                out[1, m] += z[k, 1, gate - BEYOND + m]
    if used > 0:
        out /= np.float32(used)
    return used


@_jit
def _coherence(a: Any, b: Any) -> float:
    real, imag = _cross(a, BEYOND, b, BEYOND, a.shape[1] - 2 * BEYOND)
    energy = _energy(a) * _energy(b)
    return (real * real + imag * imag) / energy if energy > 0 else 0.0


@_jit
def _track_push(
    z: Any,
    good: Any,
    before: int,
    gate: int,
    count: int,
    carrier: float,
    table: Any,
    reach: int,
    mode: int,
    limit: float,
    shift: Any,
    with_reference: Any,
    with_previous: Any,
    lags: Any,
    reference: Any,
) -> tuple[float, int]:
    """Track the frames z[frame, 2, sample] of one push; returns the local frequency and the mode used."""
    frames = z.shape[0]
    if _reference(z, good, before, gate, reference) == 0 or _energy(reference) <= 0.0:
        return 0.0, -1
    real, imag = _cross(reference, BEYOND + 1, reference, BEYOND, count - 1)
    centre = min(max(math.atan2(imag, real), -0.5 * carrier), 0.5 * carrier)
    work = np.empty((2, table.shape[1]), np.float32)
    tap = np.empty(table.shape[1], np.float32)
    spare = np.empty((2, count + 2 * BEYOND), np.float32)
    now = np.empty((2, count + 2 * BEYOND), np.float32)
    last = np.empty((2, count + 2 * BEYOND), np.float32)
    for attempt in range(2):
        chain = mode == 2 or attempt == 1
        guess = 0.0
        usual = 0.0
        have = False
        low = 0
        for k in range(frames):
            if k == before and chain:
                # The first chained frame is measured against the averaged reference.
                have = False
            if not good[k]:
                continue
            against = last if chain and have and k >= before else reference
            s, c = _follow(against, z[k], gate, guess, usual, carrier, centre, table, reach, work, tap, now, spare)
            shift[k] = s
            if c > 0.0:
                with_reference[k] = _coherence(reference, now)
                with_previous[k] = _coherence(last, now) if have else 0.0
                if chain and k >= before and not have:
                    with_previous[k] = with_reference[k]
                _even_lags(against, now, lags[k])
            else:
                with_reference[k] = 0.0
                with_previous[k] = 0.0
                lags[k] = 0.0
            settled = with_previous[k] > 0.8 or not have
            if k >= before and settled and with_reference[k] < limit * with_previous[k]:
                low += 1
            if c > 0.25:
                guess = s
                usual = c
                last[:, :] = now
                have = True
        if mode != 0 or low == 0 or attempt == 1:
            return centre, (2 if chain else 1)
    return centre, 2


@_jit
def _run(
    z: Any,
    good: Any,
    p: int,
    before: int,
    gate: int,
    count: int,
    carrier: float,
    table: Any,
    reach: int,
    mode: int,
    limit: float,
    shift: Any,
    with_reference: Any,
    with_previous: Any,
    lags: Any,
    reference: Any,
    centre: Any,
    used: Any,
) -> None:
    c, m = _track_push(
        z, good, before, gate, count, carrier, table, reach, mode, limit,
        shift[p], with_reference[p], with_previous[p], lags[p], reference[p],
    )  # fmt: skip
    centre[p] = c
    used[p] = m


@_jit
def track_rf(
    block: Any,
    before: int,
    tap_r: Any,
    tap_i: Any,
    lead: int,
    decimation: int,
    turn: Any,
    first: int,
    gate: int,
    count: int,
    carrier: float,
    table: Any,
    reach: int,
    mode: int,
    limit: float,
    clip: float,
    turn_line: Any,
    shift: Any,
    with_reference: Any,
    with_previous: Any,
    lags: Any,
    reference: Any,
    centre: Any,
    used: Any,
    signs: Any,
    line: Any,
) -> None:
    """Demodulate and track block[push, frame, sample]; results into the arrays handed in."""
    pushes, frames, _samples = block.shape
    taps = tap_r.size
    window = turn.shape[1]
    z = np.empty((frames, 2, window), np.float32)
    whole = np.empty((2, line.shape[2]), np.float32)
    buffer = np.empty(window * decimation + taps, np.float32)
    long = np.empty(line.shape[2] * decimation + taps, np.float32)
    good = np.empty(frames, np.bool_)
    none = block[0, 0, :0]
    for p in range(pushes):
        top = min(_largest(block[p]), clip)
        pre = 0
        for k in range(frames):
            now = block[p, k]
            signs[p, k] = _frame_signs(now, block[p, k - 1] if k > 0 else none, top)
            good[k] = signs[p, k] == 0
            if signs[p, k] & 10:
                z[k] = 0.0
                continue
            _load(now, first - lead, buffer)
            _filter_rf(now, buffer, tap_r, tap_i, decimation, turn, z[k])
            if k < before and good[k]:
                _load(now, -lead, long)
                _filter_rf(now, long, tap_r, tap_i, decimation, turn_line, whole)
                if pre == 0:
                    line[p] = whole
                else:
                    line[p] += whole
                pre += 1
        if pre > 0:
            line[p] /= np.float32(pre)
        _run(
            z, good, p, before, gate, count, carrier, table, reach, mode, limit,
            shift, with_reference, with_previous, lags, reference, centre, used,
        )  # fmt: skip


@_jit
def track_iq(
    block: Any,
    before: int,
    tap_r: Any,
    tap_i: Any,
    lead: int,
    decimation: int,
    turn: Any,
    first: int,
    gate: int,
    count: int,
    carrier: float,
    table: Any,
    reach: int,
    mode: int,
    limit: float,
    clip: float,
    turn_line: Any,
    shift: Any,
    with_reference: Any,
    with_previous: Any,
    lags: Any,
    reference: Any,
    centre: Any,
    used: Any,
    signs: Any,
    line: Any,
) -> None:
    """As :func:`track_rf` for block[push, frame, sample, 2]."""
    pushes, frames, _samples, _ = block.shape
    taps = tap_r.size
    window = turn.shape[1]
    z = np.empty((frames, 2, window), np.float32)
    whole = np.empty((2, line.shape[2]), np.float32)
    buffer = np.empty((2, window * decimation + taps), np.float32)
    long = np.empty((2, line.shape[2] * decimation + taps), np.float32)
    good = np.empty(frames, np.bool_)
    none = block[0, 0, :0].ravel()
    for p in range(pushes):
        top = min(_largest(block[p]), clip)
        pre = 0
        for k in range(frames):
            now = block[p, k]
            signs[p, k] = _frame_signs(now.ravel(), block[p, k - 1].ravel() if k > 0 else none, top)
            good[k] = signs[p, k] == 0
            if signs[p, k] & 10:
                z[k] = 0.0
                continue
            for part in range(2):
                _load(now[:, part], first - lead, buffer[part])
            _filter_iq(buffer, tap_r, tap_i, decimation, turn, z[k])
            if k < before and good[k]:
                for part in range(2):
                    _load(now[:, part], -lead, long[part])
                _filter_iq(long, tap_r, tap_i, decimation, turn_line, whole)
                if pre == 0:
                    line[p] = whole
                else:
                    line[p] += whole
                pre += 1
        if pre > 0:
            line[p] /= np.float32(pre)
        _run(
            z, good, p, before, gate, count, carrier, table, reach, mode, limit,
            shift, with_reference, with_previous, lags, reference, centre, used,
        )  # fmt: skip
