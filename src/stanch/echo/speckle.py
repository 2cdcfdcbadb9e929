"""What the speckle itself tells: independent cells, where the echo energy lies, and how pushes hang together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SlowMotion", "effective_cells", "energy_profile", "link", "sensitivity", "slow_motion"]

Complex = NDArray[np.complexfloating]
Floats = NDArray[np.float64]


def effective_cells(lines: Complex, noise: Floats, snr: Floats | None = None) -> float:
    """Effective number M of independent speckle cells in the gate.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Baseband of the gate.
    noise : ndarray, shape (lag,)
        Normalised autocorrelation of the noise in the baseband; its length bounds the lags used [-].
    snr : ndarray, shape (push,), optional
        Echo energy over noise energy [-]; the noise is taken out of the energy and the autocorrelation.

    Returns
    -------
    float
        M = (sum w)^2 / sum_jk w_j w_k |rho(j - k)|^2, at least 1.5 [-]: gate time times effective bandwidth where the
        mean echo energy w is even.

    Notes
    -----
    The speckle deviation has variance 1/(2 (M - 1)): for M equal cells the estimate is
    ``Re sum a0* a1 / sum |a0|^2`` with independent complex Gaussian a0, a1, and E[1/Gamma(M)] = 1/(M - 1).
    """
    count = lines.shape[1]
    reach = min(noise.size, count - 1)
    alive = np.mean(np.abs(lines) ** 2, axis=1) > 0
    if not alive.any():
        return 1.5
    z = lines[alive].astype(np.complex128)
    z = z / np.sqrt(np.mean(np.abs(z) ** 2, axis=1, keepdims=True))
    share = np.zeros(z.shape[0]) if snr is None else 1.0 / (1.0 + np.maximum(snr[alive], 0.0))
    rho = np.empty(reach, np.complex128)
    for lag in range(reach):
        rho[lag] = np.mean(np.mean(z[:, lag:] * z[:, : count - lag].conj(), axis=1) - share * noise[lag])
    if rho[0].real <= 0:
        return 1.5
    square = np.abs(rho / rho[0].real) ** 2
    # A realised autocorrelation keeps a floor of 1/(cells x pushes) at every lag; beyond the pulse it is only that.
    square[square < 3.0 / (z.shape[0] * count)] = 0.0
    profile = np.mean(np.abs(z) ** 2, axis=0)
    if z.shape[0] < 8:
        profile = np.ones(count)
    else:
        width = max(3, count // 6)
        kernel = np.ones(width) / width
        profile = np.convolve(np.pad(profile, width // 2, mode="edge"), kernel, "valid")[:count]
    total = square[0] * np.sum(profile**2)
    for lag in range(1, reach):
        total += 2 * square[lag] * np.sum(profile[lag:] * profile[: count - lag])
    return max(1.5, float(np.sum(profile) ** 2 / total))


def sensitivity(lines: Complex, noise_energy: Floats) -> Floats:
    """Echo-energy weights over the gate, each row summing to 1.

    Parameters
    ----------
    lines : ndarray of complex, shape (push, sample)
        Reference lines of the gate.
    noise_energy : ndarray, shape (push,)
        Mean noise energy per sample [squared counts].

    Returns
    -------
    ndarray, shape (push, sample)
        [-]; even where there is no echo.
    """
    energy = np.maximum(np.abs(lines).astype(np.float64) ** 2 - noise_energy[:, None], 0.0)
    total = energy.sum(axis=1, keepdims=True)
    even = np.full_like(energy, 1.0 / energy.shape[1])
    return np.where(total > 0, energy / np.where(total > 0, total, 1.0), even)


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
    now, before = order[1:], order[:-1]
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
    del before
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
