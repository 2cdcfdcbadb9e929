"""Compiled demodulation of a block of pushes, and the signs of bad frames; equal to ``demodulate``.

Importing this module imports numba, so it is imported only when a recording is tracked.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.echo.compiled import entry, helper

__all__ = ["receive"]


@helper
def _extremes(row: Any) -> tuple[float, float, bool]:
    """Least and largest value of a raw line, and whether all are finite."""
    low = row[0]
    high = row[0]
    odd = False
    for i in range(row.size):
        x = row[i]
        odd |= (x - x) != 0
        low = x if x < low else low
        high = x if x > high else high
    return float(low), float(high), not odd


@helper
def _signs(row: Any, previous: Any, low: float, high: float, finite: bool, clip: float) -> int:
    """Signs of one raw line: 1 saturated, 2 constant, 4 repeated, 8 not finite."""
    if not finite:
        return 8
    if low == high:
        return 2
    signs = 0
    if high >= clip or -low >= clip:
        touched = 0
        for i in range(row.size):
            touched += row[i] >= clip or -row[i] >= clip
        if touched >= 4:
            signs |= 1
    same = previous.size == row.size
    for i in range(previous.size):
        if row[i] != previous[i]:
            same = False
            break
    return signs | 4 if same else signs


@helper
def _load(row: Any, first: int, parts: int, part: int, decimation: int, out: Any) -> None:
    """out[phase, i] = sample first + i * decimation + phase of one part of `row`, zero outside the line."""
    samples = row.size // parts
    for phase in range(decimation):
        line = out[phase]
        start = first + phase
        low = min(max(0, -(start // decimation)), line.size)
        high = min(max(low, -((start - samples) // decimation)), line.size)
        for i in range(low):
            line[i] = 0.0
        for i in range(high, line.size):
            line[i] = 0.0
        inside = row[(start + low * decimation) * parts + part :: decimation * parts]
        kept = line[low:high]
        for i in range(kept.size):
            kept[i] = inside[i]


@helper
def _filter(phases: Any, tap_r: Any, tap_i: Any, real: Any, imag: Any) -> None:
    """Complex band-pass of a real line, one output every `phases.shape[0]` samples; taps in fours."""
    decimation = phases.shape[0]
    for j in range(real.size):
        real[j] = 0.0
        imag[j] = 0.0
    for t in range(0, tap_r.size, 4):
        x0 = phases[t % decimation, t // decimation :]
        x1 = phases[(t + 1) % decimation, (t + 1) // decimation :]
        x2 = phases[(t + 2) % decimation, (t + 2) // decimation :]
        x3 = phases[(t + 3) % decimation, (t + 3) // decimation :]
        r0, r1, r2, r3 = tap_r[t], tap_r[t + 1], tap_r[t + 2], tap_r[t + 3]
        i0, i1, i2, i3 = tap_i[t], tap_i[t + 1], tap_i[t + 2], tap_i[t + 3]
        for j in range(real.size):
            real[j] += (x0[j] * r0 + x1[j] * r1) + (x2[j] * r2 + x3[j] * r3)
            imag[j] += (x0[j] * i0 + x1[j] * i1) + (x2[j] * i2 + x3[j] * i3)


@helper
def _turn(band: Any, turn: Any, parts: int, out: Any) -> None:
    """Move the filtered line to the baseband; `band` holds real and imaginary part for each part of the input."""
    for j in range(out.shape[1]):
        real = band[0, j]
        imag = band[1, j]
        if parts == 2:
            real -= band[3, j]
            imag += band[2, j]
        out[0, j] = real * turn[0, j] - imag * turn[1, j]
        out[1, j] = real * turn[1, j] + imag * turn[0, j]


@helper
def _add(a: Any, total: Any) -> None:
    for i in range(total.shape[0]):
        for j in range(total.shape[1]):
            total[i, j] += a[i, j]


@helper
def _scale(a: Any, factor: float) -> None:
    for i in range(a.shape[0]):
        for j in range(a.shape[1]):
            a[i, j] *= np.float32(factor)


@helper
def _demodulate(
    row: Any, first: int, parts: int, tap_r: Any, tap_i: Any, turn: Any, phases: Any, band: Any, out: Any
) -> None:
    for part in range(parts):
        _load(row, first, parts, part, phases.shape[0], phases)
        _filter(phases, tap_r, tap_i, band[2 * part], band[2 * part + 1])
    _turn(band, turn, parts, out)


@entry
def receive(
    block: Any,
    parts: int,
    before: int,
    tap_r: Any,
    tap_i: Any,
    lead: int,
    decimation: int,
    turn: Any,
    first: int,
    turn_line: Any,
    clip: float,
    z: Any,
    signs: Any,
    line: Any,
) -> None:
    """Demodulate block[push, frame, sample * parts]: gate to z, mean pre-push line to `line`, signs to `signs`.

    Quantities and units as in :func:`stanch.echo.demodulate.demodulate`.
    """
    pushes, frames, _size = block.shape
    reach = tap_r.size // decimation + 1
    whole = np.empty((2, line.shape[2]), np.float32)
    phases = np.empty((decimation, z.shape[3] + reach), np.float32)
    band = np.empty((4, z.shape[3]), np.float32)
    long = np.empty((decimation, line.shape[2] + reach), np.float32)
    long_band = np.empty((4, line.shape[2]), np.float32)
    low = np.empty(frames)
    high = np.empty(frames)
    finite = np.empty(frames, np.bool_)
    for p in range(pushes):
        top = 0.0
        for k in range(frames):
            low[k], high[k], finite[k] = _extremes(block[p, k])
            if finite[k]:
                top = max(top, high[k], -low[k])
        top = min(top, clip)
        used = 0
        for k in range(frames):
            row = block[p, k]
            previous = block[p, k - 1] if k > 0 else row[:0]
            signs[p, k] = _signs(row, previous, low[k], high[k], finite[k], top)
            if signs[p, k] & 10:
                continue
            _demodulate(row, first - lead, parts, tap_r, tap_i, turn, phases, band, z[p, k])
            if k < before and signs[p, k] == 0:
                _demodulate(row, -lead, parts, tap_r, tap_i, turn_line, long, long_band, whole)
                _add(whole, line[p])
                used += 1
        if used > 1:
            _scale(line[p], 1.0 / used)
