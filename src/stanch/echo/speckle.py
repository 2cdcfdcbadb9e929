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
    sums = np.add.reduceat(_square(lines).astype(np.float64), edges[:-1], axis=1)
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


def _square(z: Complex) -> NDArray[np.floating]:
    """Squared modulus without the square root that ``abs`` takes."""
    out: NDArray[np.floating] = z.real**2 + z.imag**2
    return out


def _spectrum(z: Complex) -> NDArray[np.complex64]:
    """Fourier transform of rows filled up to twice their length."""
    # NumPy transforms single precision as such; the lines themselves are no better.
    return np.asarray(np.fft.fft(z.astype(np.complex64), 2 * z.shape[1], axis=1), dtype=np.complex64)


def _turns(length: int, shift: Floats) -> NDArray[np.complex64]:
    """``exp(i w s)`` for the angular frequencies w of a transform and the shifts s [samples]; shape (shift, w)."""
    half = length // 2
    step = 1 << (half.bit_length() // 2)
    angle = 2j * np.pi / length * shift[:, None]
    coarse = np.exp(angle * np.arange(0, half + 1, step))
    fine = np.exp(angle * np.arange(step))
    # A product of two short tables is a tenth of the work of one long one.
    upper = (coarse[:, :, None] * fine[:, None, :]).reshape(shift.size, -1)[:, : half + 1].astype(np.complex64)
    return np.concatenate([upper[:, :half], upper[:, half:0:-1].conj()], axis=1)


def _advance(spectrum: NDArray[np.complex64], shift: Floats, carrier: float) -> NDArray[np.complex64]:
    """Lines of `spectrum` read `shift` [samples] further on, carrier phase included; by Fourier interpolation."""
    length = spectrum.shape[1]
    moved = np.fft.ifft(spectrum * _turns(length, shift), axis=1)[:, : length // 2]
    return np.asarray(moved * np.exp(1j * carrier * shift)[:, None], dtype=np.complex64)


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
    z = lines[order]
    total = _slow_shift(z, gate, carrier) * spacing
    now = order[1:]
    shift[now] = total
    moved = _advance(_spectrum(z[1:]), total / spacing, carrier)
    cross, before, after = z[:-1] * moved.conj(), _square(z[:-1]), _square(moved)

    def square(part: slice) -> Floats:
        above = _square(np.sum(cross[:, part], axis=1, dtype=np.complex128))
        below = np.sum(before[:, part], axis=1, dtype=float) * np.sum(after[:, part], axis=1, dtype=float)
        ratio: Floats = np.divide(above, below, out=np.zeros_like(below), where=below > 0)
        return ratio

    gate_count = len(range(*gate.indices(count)))
    coherence[now] = np.sqrt(_unbiased(square(gate), cells))
    edges = np.linspace(0, count, zones + 1).round().astype(int)
    for i in range(zones):
        zone_cells = cells * (edges[i + 1] - edges[i]) / gate_count
        by_zone[now, i] = np.sqrt(_unbiased(square(slice(edges[i], edges[i + 1])), zone_cells))
    return SlowMotion(shift, coherence, by_zone)


def _slow_shift(z: Complex, gate: slice, carrier: float) -> Floats:
    """Shift of each row against the one before at which their gates have zero phase [samples]."""
    first = np.zeros_like(z[:-1])
    first[:, gate] = z[:-1, gate]
    # By Parseval's theorem: the cross-correlation at any shift without moving the line there.
    cross = _spectrum(first) * _spectrum(z[1:]).conj()
    total = np.zeros(cross.shape[0])
    limit = np.pi / carrier
    for _ in range(3):
        turned = np.einsum("pf,pf->p", cross, _turns(cross.shape[1], -total)) * np.exp(-1j * carrier * total)
        total = np.clip(total + np.angle(turned) / carrier, -limit, limit)
    return total


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
    z = _advance(_spectrum(lines), np.cumsum(step) / spacing, carrier)
    norm = np.sqrt(np.sum(_square(z), axis=1, dtype=float))
    z = np.where((usable & (norm > 0))[:, None], z / np.where(norm > 0, norm, 1.0)[:, None], 0.0).astype(np.complex64)
    square = _square(z @ z.conj().T).astype(np.float64)
    chance = 1.0 - 1e-3 ** (1.0 / max(cells - 1.0, 1.0))
    clean = (1.0 + noise_share)[:, None] * (1.0 + noise_share)[None, :]
    linked = np.where(square > chance, np.minimum(_unbiased(square, cells) * clean, 1.0), 0.0)
    linked = 0.5 * (linked + linked.T)
    np.fill_diagonal(linked, 1.0)
    return _make_definite(linked)


def _make_definite(matrix: Floats) -> Floats:
    """Shrink off-diagonal elements by the least of a few factors that makes the matrix positive semi-definite."""
    factors = (1.0, 0.995, 0.98, 0.95, 0.9, 0.8, 0.6, 0.4, 0.2, 0.0)
    if _is_definite(matrix):
        return matrix
    # The least eigenvalue grows as the factor falls, so the factors can be halved between; at 0 it is 1.
    low, high = 0, len(factors) - 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _is_definite(_shrunk(matrix, factors[middle])) else (middle, high)
    return _shrunk(matrix, factors[high])


def _shrunk(matrix: Floats, factor: float) -> Floats:
    out = factor * matrix
    np.fill_diagonal(out, 1.0)
    return out


def _is_definite(matrix: Floats) -> bool:
    raised = matrix.copy()
    raised[np.diag_indices(matrix.shape[0])] += 1e-9
    try:
        np.linalg.cholesky(raised)
    except np.linalg.LinAlgError:
        return False
    return True
