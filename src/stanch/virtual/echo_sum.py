"""The compiled sum over scatterers; imported only when echoes are made, because it loads numba."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["add_echoes"]

_HALF = 4.6


@njit(cache=True, nogil=True, fastmath=True)
def add_echoes(  # type: ignore[no-untyped-def]
    out,
    radius,
    depth,
    strength,
    axial,
    radial,
    radius_step,
    first_depth,
    depth_step,
    shift,
    first,
    spacing,
    phase,
    length,
    beam_radius,
):
    """Add the echoes of all scatterers to ``out[sample, frame]``.

    The pulse of one scatterer is stepped from sample to sample by a Gaussian recurrence, all frames side by side, so
    that the inner loops are free of function calls and run in vector registers.
    """
    samples, frames = out.shape
    one = np.float32(1.0)
    to_sample = np.float32(1.0 / spacing)
    lateral = np.float32(-1.0 / (2.0 * beam_radius * beam_radius))
    along = np.float32(-1.0 / (2.0 * length * length))
    shrink = np.float32(math.exp(-1.0 / (length * length)))
    turn = np.float32(phase)
    step_re = np.float32(math.cos(phase))
    step_im = np.float32(math.sin(phase))
    per_turn = np.float32(1.0 / (2.0 * math.pi))
    full_turn = np.float32(2.0 * math.pi)
    half = _HALF * length
    move = np.empty(frames, dtype=np.float32)
    spread = np.empty(frames, dtype=np.float32)
    re = np.empty(frames, dtype=np.float32)
    im = np.empty(frames, dtype=np.float32)
    ratio_re = np.empty(frames, dtype=np.float32)
    ratio_im = np.empty(frames, dtype=np.float32)
    weight = np.empty(9, dtype=np.float32)

    for p in range(depth.size):
        x = radius[p] / radius_step
        i = min(max(math.floor(x + 0.5), 1), axial.shape[0] - 2)
        t = x - i
        y = (depth[p] - first_depth) / depth_step
        j = min(max(math.floor(y + 0.5), 1), axial.shape[1] - 2)
        s = y - j
        weight[0] = 0.25 * t * (t - 1) * s * (s - 1)
        weight[1] = 0.5 * t * (t - 1) * (1 - s * s)
        weight[2] = 0.25 * t * (t - 1) * s * (s + 1)
        weight[3] = 0.5 * (1 - t * t) * s * (s - 1)
        weight[4] = (1 - t * t) * (1 - s * s)
        weight[5] = 0.5 * (1 - t * t) * s * (s + 1)
        weight[6] = 0.25 * t * (t + 1) * s * (s - 1)
        weight[7] = 0.5 * t * (t + 1) * (1 - s * s)
        weight[8] = 0.25 * t * (t + 1) * s * (s + 1)
        for f in range(frames):
            move[f] = np.float32(0.0)
            spread[f] = np.float32(0.0)
        for k in range(9):
            w = weight[k]
            a = axial[i + k // 3 - 1, j + k % 3 - 1]
            b = radial[i + k // 3 - 1, j + k % 3 - 1]
            for f in range(frames):
                move[f] += w * a[f]
                spread[f] += w * b[f]
        least = np.float32(1e9)
        most = np.float32(-1e9)
        for f in range(frames):
            move[f] = move[f] * to_sample + shift[f]
            least = min(least, move[f])
            most = max(most, move[f])
        rest = (depth[p] - first) / spacing
        begin = max(math.ceil(rest + least - half), 0)
        end = min(math.floor(rest + most + half) + 1, samples)
        if begin >= end:
            continue

        offset = np.float32(begin - rest)
        r = np.float32(radius[p])
        size = np.float32(strength[p])
        for f in range(frames):
            d = offset - move[f]
            out_r = r + spread[f]
            # exp(z) as the 32nd power of a seventh-degree Taylor polynomial of exp(z/32) about -1/2.
            z = (along * d * d + lateral * out_r * out_r) * np.float32(1.0 / 32.0) + np.float32(0.5)
            g = one + z * np.float32(1.0 / 7.0)
            g = one + z * np.float32(1.0 / 6.0) * g
            g = one + z * np.float32(0.2) * g
            g = one + z * np.float32(0.25) * g
            g = one + z * np.float32(1.0 / 3.0) * g
            g = one + z * np.float32(0.5) * g
            g = (one + z * g) * np.float32(0.6065306597126334)
            g = g * g
            g = g * g
            g = g * g
            g = g * g
            g = g * g
            # cos and sin of the carrier by two doublings of a quarter of the angle.
            angle = turn * d
            angle = (angle - full_turn * np.floor(angle * per_turn + np.float32(0.5))) * np.float32(0.25)
            q = angle * angle
            c = one - q * np.float32(0.5) * (
                one
                - q * np.float32(1.0 / 12.0) * (one - q * np.float32(1.0 / 30.0) * (one - q * np.float32(1.0 / 56.0)))
            )
            v = angle * (
                one - q * np.float32(1.0 / 6.0) * (one - q * np.float32(0.05) * (one - q * np.float32(1.0 / 42.0)))
            )
            v, c = np.float32(2.0) * v * c, one - np.float32(2.0) * v * v
            v, c = np.float32(2.0) * v * c, one - np.float32(2.0) * v * v
            re[f] = size * g * c
            im[f] = size * g * v
            # Ratio of the envelope at the next sample; its argument is within a few units of zero.
            e = along * (np.float32(2.0) * d + one) * np.float32(1.0 / 32.0)
            h = one + e * np.float32(0.2)
            h = one + e * np.float32(0.25) * h
            h = one + e * np.float32(1.0 / 3.0) * h
            h = one + e * np.float32(0.5) * h
            h = one + e * h
            h = h * h
            h = h * h
            h = h * h
            h = h * h
            h = h * h
            ratio_re[f] = h * step_re
            ratio_im[f] = h * step_im
        for n in range(begin, end):
            row = out[n]
            for f in range(frames):
                a_re = re[f]
                a_im = im[f]
                row[f] += a_re
                re[f] = a_re * ratio_re[f] - a_im * ratio_im[f]
                im[f] = a_re * ratio_im[f] + a_im * ratio_re[f]
                ratio_re[f] *= shrink
                ratio_im[f] *= shrink
