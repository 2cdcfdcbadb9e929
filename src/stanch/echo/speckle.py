"""What the speckle itself tells: independent cells, where the echo energy lies, and how pushes hang together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SlowMotion", "energy_profile", "even_length", "link", "slow_motion"]

Complex = NDArray[np.complexfloating]
Floats = NDArray[np.float64]


def even_length(lines: Complex, share: Floats) -> float:
    """Samples of an evenly bright gate that would hold as many speckle cells as this one.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Baseband of the gate.
    share : ndarray, shape (push,)
        Noise over echo energy of each line [-].

    Returns
    -------
    float
        ``(sum w)^2 / sum w^2`` with w the mean echo energy, smoothed over a sixth of the gate; the number of samples
        itself with fewer than 16 pushes, which do not tell brightness from speckle [-].
    """
    count = lines.shape[1]
    energy = np.mean(np.abs(lines) ** 2, axis=1)
    alive = energy > 0
    if alive.sum() < 16:
        return float(count)
    profile = np.mean(np.abs(lines[alive]) ** 2 / energy[alive, None], axis=0)
    profile = np.maximum(profile * (1.0 + np.mean(share[alive])) - np.mean(share[alive]), 1e-3)
    width = max(3, count // 6) | 1
    profile = np.convolve(np.pad(profile, width // 2, mode="edge"), np.ones(width) / width, "valid")
    return float(np.sum(profile) ** 2 / np.sum(profile**2))


def energy_profile(lines: Complex, spacing: float, start: float, bin_size: float = 2.5e-4) -> tuple[Floats, Floats]:
    """Mean echo energy against depth.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Pre-push baseband over the whole line [counts].
    spacing, start : float
        Sample spacing and position of sample 0 [m].
    bin_size : float
        Wanted bin [m]; the last bin takes what is left.

    Returns
    -------
    energy : ndarray, shape (push, depth_bin)
        [squared counts].
    depth : ndarray, shape (depth_bin,)
        Bin centres [m].
    """
    count = lines.shape[1]
    width = max(1, round(bin_size / spacing))
    edges = np.arange(0, max(1, count // width) + 1) * width
    edges[-1] = count
    sums = np.add.reduceat(np.abs(lines).astype(np.float64) ** 2, edges[:-1], axis=1)
    sizes = np.diff(edges)
    depth = start + spacing * (0.5 * (edges[:-1] + edges[1:]) - 0.5)
    return sums / sizes, depth


@dataclass(frozen=True)
class SlowMotion:
    """Movement and likeness of the pre-push lines from push to push.

    Parameters
    ----------
    shift : ndarray, shape (push,)
        Since the last push that could be read [m]; 0 at the first.
    coherence : ndarray, shape (push,)
        With that push, bias-corrected [-]; 0 at the first.
    zones : ndarray, shape (push, zone)
        The same by depth zone [-].
    """

    shift: Floats
    coherence: Floats
    zones: Floats


def _unbiased(square: Floats, cells: float) -> Floats:
    """Squared coherence without the 1/M that independent speckle shows by chance."""
    floor = 1.0 / max(cells, 1.5)
    return np.clip((square - floor) / (1.0 - floor), 0.0, 1.0)


def _advance(z: Complex, shift: Floats, carrier: float, spacing: float) -> Complex:
    """Lines read `shift` [m] further on, carrier phase included; by Fourier interpolation."""
    count = z.shape[1]
    length = 2 * count
    spectrum = np.fft.fft(z, length, axis=1)
    angle = 2j * np.pi * np.fft.fftfreq(length)[None, :] * (shift / spacing)[:, None]
    moved = np.fft.ifft(spectrum * np.exp(angle), axis=1)[:, :count]
    out: Complex = moved * np.exp(1j * carrier * (shift / spacing))[:, None]
    return out


def slow_motion(
    lines: Complex, gate: slice, usable: NDArray[np.bool_], carrier: float, spacing: float, cells: float, zones: int = 6
) -> SlowMotion:
    """Shift and coherence of the pre-push line between consecutive pushes.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Pre-push baseband over the whole line.
    gate : slice
        The tracking gate in it.
    usable : ndarray of bool, shape (push,)
        Pushes with a pre-push line; others are passed over.
    carrier : float
        Phase of the carrier per baseband sample [rad].
    spacing : float
        Baseband sample spacing [m].
    cells : float
        Speckle cells in the gate [-].
    zones : int
        Depth zones over the whole line.

    Returns
    -------
    SlowMotion
        Shifts within plus or minus a quarter wavelength.
    """
    pushes, count = lines.shape
    order = np.flatnonzero(usable)
    shift = np.zeros(pushes)
    coherence = np.zeros(pushes)
    by_zone = np.zeros((pushes, zones))
    if order.size < 2:
        return SlowMotion(shift, coherence, by_zone)
    z = lines[order].astype(np.complex128)
    a, b = z[:-1], z[1:]
    moved: Complex = b
    total = np.zeros(order.size - 1)
    for _ in range(3):
        phase = np.angle(np.sum(a[:, gate] * moved[:, gate].conj(), axis=1))
        total = total + phase / carrier * spacing
        limit = 0.5 * np.pi / carrier * spacing * 2
        total = np.clip(total, -limit, limit)
        moved = _advance(b, total, carrier, spacing)
    now = order[1:]
    shift[now] = total

    def square(part: slice) -> Floats:
        cross = np.abs(np.sum(a[:, part] * moved[:, part].conj(), axis=1)) ** 2
        energy = np.sum(np.abs(a[:, part]) ** 2, axis=1) * np.sum(np.abs(moved[:, part]) ** 2, axis=1)
        ratio: Floats = np.divide(cross, energy, out=np.zeros_like(cross), where=energy > 0)
        return ratio

    gate_count = len(range(*gate.indices(count)))
    coherence[now] = np.sqrt(_unbiased(square(gate), cells))
    edges = np.linspace(0, count, zones + 1).round().astype(int)
    for i in range(zones):
        zone_cells = cells * (edges[i + 1] - edges[i]) / gate_count
        by_zone[now, i] = np.sqrt(_unbiased(square(slice(edges[i], edges[i + 1])), zone_cells))
    return SlowMotion(shift, coherence, by_zone)


def link(
    lines: Complex,
    usable: NDArray[np.bool_],
    motion: SlowMotion,
    noise_share: Floats,
    carrier: float,
    spacing: float,
    cells: float,
) -> Floats:
    """Squared coherence of the pre-push lines of every two pushes.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Gate of the pre-push lines.
    usable : ndarray of bool, shape (push,)
    motion : SlowMotion
        Its shifts, added up while the lines stay alike, line the pushes up first.
    noise_share : ndarray, shape (push,)
        Noise energy over echo energy of each line [-]; noise is not change of the sample.
    carrier, spacing, cells
        As in :func:`slow_motion`.

    Returns
    -------
    ndarray, shape (push, push)
        Symmetric, 1 on the diagonal, positive semi-definite [-]. A value that independent speckle reaches in one of
        a thousand pairs counts as 0.
    """
    step = np.where(motion.coherence > 0.5, motion.shift, 0.0)
    z = _advance(lines.astype(np.complex128), np.cumsum(step), carrier, spacing)
    norm = np.sqrt(np.sum(np.abs(z) ** 2, axis=1))
    z = np.where((usable & (norm > 0))[:, None], z / np.where(norm > 0, norm, 1.0)[:, None], 0.0).astype(np.complex64)
    square = np.abs(z @ z.conj().T).astype(np.float64) ** 2
    chance = 1.0 - 1e-3 ** (1.0 / max(cells - 1.0, 1.0))
    clean = (1.0 + noise_share)[:, None] * (1.0 + noise_share)[None, :]
    linked = np.where(square > chance, np.minimum(_unbiased(square, cells) * clean, 1.0), 0.0)
    linked = 0.5 * (linked + linked.T)
    np.fill_diagonal(linked, 1.0)
    return _make_definite(linked)


def _make_definite(matrix: Floats) -> Floats:
    """Shrink off-diagonal elements by the least of a few factors that makes the matrix positive semi-definite."""
    size = matrix.shape[0]
    for keep in (1.0, 0.995, 0.98, 0.95, 0.9, 0.8, 0.6, 0.4, 0.2):
        trial = keep * matrix
        trial[np.diag_indices(size)] = 1.0
        try:
            np.linalg.cholesky(trial + 1e-9 * np.eye(size))
        except np.linalg.LinAlgError:
            continue
        return trial
    return np.eye(size)
