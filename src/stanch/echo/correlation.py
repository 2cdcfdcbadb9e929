"""Normalised cross-correlation with sub-sample interpolation: the second, independent displacement estimator."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.echo.demodulate import LAGS, Band, demodulate
from stanch.echo.frames import Gate, Tracked
from stanch.errors import InputError
from stanch.recording.records import Acquisition

__all__ = ["cosine_peak", "normalised_correlation", "parabola_peak", "track_block"]

Floats = NDArray[np.float64]


def parabola_peak(before: ArrayLike, top: ArrayLike, after: ArrayLike) -> Floats:
    """Peak of a parabola through three equally spaced values.

    Parameters
    ----------
    before, top, after : array_like
        Values at -1, 0 and +1 [-].

    Returns
    -------
    ndarray
        Position of the peak [samples]; 0 where the three lie on a line.

    Notes
    -----
    Biased: for a cosine of theta radians per sample it gives ``0.5 cot(theta/2) tan(theta d)`` for a peak at d.

    Examples
    --------
    >>> float(parabola_peak(0.0, 1.0, 0.5))
    0.16666666666666666
    """
    a, b, c = (np.asarray(x, dtype=float) for x in (before, top, after))
    bend = a - 2 * b + c
    return np.asarray(np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0))


def cosine_peak(before: ArrayLike, top: ArrayLike, after: ArrayLike) -> Floats:
    """Peak of a cosine through three equally spaced values; unbiased where the peak is one.

    Parameters
    ----------
    before, top, after : array_like
        Values at -1, 0 and +1 [-].

    Returns
    -------
    ndarray
        Position of the peak [samples]; a parabola's where no cosine fits.
    """
    a, b, c = (np.asarray(x, dtype=float) for x in (before, top, after))
    ratio = (a + c) / np.where(b != 0, 2 * b, 1.0)
    fits = (b > 0) & (np.abs(ratio) < 1) & (a < b) & (c < b)
    theta = np.arccos(np.where(fits, ratio, 0.0))
    sine = np.where(fits, np.sin(theta), 1.0)
    peak = np.arctan2(c - a, 2 * b * sine) / np.where(fits, theta, 1.0)
    return np.asarray(np.where(fits, peak, parabola_peak(a, b, c)))


def normalised_correlation(reference: Floats, later: Floats, start: NDArray[np.int64], lags: int) -> Floats:
    """Normalised cross-correlation of gates with windows of later lines.

    Parameters
    ----------
    reference : ndarray, shape (push, sample)
        The gate before the movement [-].
    later : ndarray, shape (push, longer)
        Lines after it [-].
    start : ndarray of int, shape (push,)
        Sample of the later line where the window at the first lag begins.
    lags : int
        Number of lags, one sample apart.

    Returns
    -------
    ndarray, shape (push, lag)
        From -1 to 1; 0 for lines without energy [-].
    """
    count = reference.shape[1]
    index = start[:, None] + np.arange(count + lags - 1)
    inside = (index >= 0) & (index < later.shape[1])
    window = np.where(inside, np.take_along_axis(later, np.clip(index, 0, later.shape[1] - 1), axis=1), 0.0)
    views = np.lib.stride_tricks.sliding_window_view(window, count, axis=1)
    cross = np.einsum("pm,plm->pl", reference, views)
    energy = np.einsum("pm,pm->p", reference, reference)[:, None] * np.einsum("plm,plm->pl", views, views)
    return np.asarray(np.divide(cross, np.sqrt(energy), out=np.zeros_like(cross), where=energy > 0))


def _lines(block: NDArray[np.generic], band: Band, acquisition: Acquisition) -> tuple[Floats, int]:
    """Real band-passed lines and how many of their samples fit between two input samples."""
    data = np.asarray(block)
    signal = data.astype(float) if acquisition.echo_form == "rf" else data[..., 0] + 1j * data[..., 1].astype(float)
    samples = signal.shape[-1]
    # At least eight samples a period, so that the peak is well described by three of them.
    factor = max(1, int(np.ceil(8 * band.reference / acquisition.sampling_rate)))
    length = int(2 ** np.ceil(np.log2(samples + 2 * band.taps.size)))
    half = band.taps.size // 2
    taps = np.zeros(length, complex)
    taps[: half + 1] = band.taps[half:]
    taps[-half:] = band.taps[:half]
    spectrum = np.fft.fft(signal, length, axis=-1) * np.fft.fft(taps)
    wide = np.zeros((*spectrum.shape[:-1], length * factor), complex)
    # Whole spectrum, centred on the band, put where the carrier belongs at the finer sampling.
    fs = acquisition.sampling_rate
    shift = round(band.offset / fs * length)
    order = (np.arange(length) - length // 2 + shift) % length
    moved = round((band.reference - band.offset) / fs * length)
    target = (np.arange(length) - length // 2 + shift + moved) % (length * factor)
    wide[..., target] = spectrum[..., order]
    rest = (band.reference - band.offset) / fs * length - moved
    fine = np.fft.ifft(wide, axis=-1)[..., : samples * factor]
    turn = np.exp(2j * np.pi * rest * np.arange(samples * factor) / (length * factor))
    return np.asarray((fine * turn).real), factor


def track_block(
    block: NDArray[np.generic],
    band: Band,
    gate: Gate,
    acquisition: Acquisition,
    reference: str = "auto",
    sub_sample: str = "cosine",
) -> Tracked:
    """Track a block of pushes by normalised cross-correlation against the averaged pre-push line.

    Parameters
    ----------
    block : ndarray, shape (push, frame, sample), ``iq``: (push, frame, sample, 2)
        Echoes [counts].
    band : Band
    gate : Gate
    acquisition : Acquisition
    reference : str
        ``auto`` and ``fixed`` are the same here; ``progressive`` is refused.
    sub_sample : str
        ``cosine`` or ``parabola``.

    Returns
    -------
    Tracked

    Raises
    ------
    InputError
        For a progressive reference.

    Notes
    -----
    The search covers plus or minus half a wavelength around the frame before, so movement between frames beyond
    that is not followed. Lines are resampled to eight samples a period or more.
    """
    if reference == "progressive":
        raise InputError("reference", got=reference, allowed="auto, fixed with the correlation estimator")
    signs = _signs(block)
    before = acquisition.frames_before_push
    lines, factor = _lines(np.where(np.isfinite(block), block, 0), band, acquisition)
    good = signs == 0
    pushes, frames = signs.shape
    first = gate.first * factor
    count = (gate.count - 1) * band.decimation * factor + 1
    weight = good[:, :before].astype(float)
    used = weight.sum(axis=1)
    mean = np.einsum("pk,pks->ps", weight, lines[:, :before]) / np.maximum(used, 1)[:, None]
    gated = mean[:, first : first + count]
    fine = acquisition.sample_spacing / factor
    half = int(np.ceil(acquisition.sound_speed / (2 * band.reference) / fine)) + 1
    out = {name: np.zeros((pushes, frames)) for name in ("shift", "with_reference", "with_previous")}
    guess = np.zeros(pushes, np.int64)
    last, last_energy = gated, np.zeros(pushes)
    find = cosine_peak if sub_sample == "cosine" else parabola_peak
    row = np.arange(pushes)
    for k in range(frames):
        rho = normalised_correlation(gated, lines[:, k], first + guess - half, 2 * half + 1)
        top = np.clip(np.argmax(rho, axis=1), 1, 2 * half - 1)
        fraction = find(rho[row, top - 1], rho[row, top], rho[row, top + 1])
        shift = guess - half + top + fraction
        height = rho[row, top] + 0.25 * (rho[row, top + 1] - rho[row, top - 1]) * fraction
        follows = good[:, k] & (height > 0.5)
        now = _read(lines[:, k], first + shift, count)
        energy = np.sum(now**2, axis=1)
        cross = np.sum(last * now, axis=1)
        both = energy * last_energy
        pair = np.divide(cross, np.sqrt(both), out=np.zeros(pushes), where=both > 0)
        direct = np.sum(gated * now, axis=1) / np.sqrt(np.maximum(np.sum(gated**2, axis=1) * energy, 1e-300))
        out["shift"][:, k] = np.where(follows, shift * fine, 0.0)
        out["with_reference"][:, k] = np.where(follows, np.clip(direct, 0, 1) ** 2, 0.0)
        out["with_previous"][:, k] = np.where(follows, np.clip(pair, 0, 1) ** 2, 0.0)
        guess = np.where(follows, np.round(shift).astype(np.int64), guess)
        last = np.where(follows[:, None], now, last)
        last_energy = np.where(follows, energy, last_energy)
    averaged = _average(block, weight, used, before)
    base = demodulate(averaged, band, gate.first, gate.count, acquisition.echo_form)
    readable = (used > 0) & (np.sum(np.abs(base) ** 2, axis=1) > 0)
    edge = gate.first - LAGS // 2 * band.decimation
    lag_one = np.angle(np.sum(base[:, 1:] * base[:, :-1].conj(), axis=1))
    return Tracked(
        shift=out["shift"],
        with_reference=out["with_reference"],
        with_previous=out["with_previous"],
        lags=np.zeros((pushes, frames, LAGS), np.complex64),
        reference=base.astype(np.complex64),
        beyond=demodulate(averaged, band, edge, gate.count + LAGS - 1, acquisition.echo_form).astype(np.complex64),
        centre=2 * np.pi * band.reference / band.rate + lag_one,
        chained=np.zeros(pushes, np.bool_),
        readable=readable,
        signs=signs,
        line=demodulate(averaged, band, form=acquisition.echo_form).astype(np.complex64),
    )


def _average(block: NDArray[np.generic], weight: Floats, used: Floats, before: int) -> Floats:
    part = np.where(np.isfinite(block[:, :before]), block[:, :before], 0).astype(float)
    total = np.einsum("pk,pk...->p...", weight, part)
    return np.asarray(total / np.maximum(used, 1).reshape(-1, *(1,) * (total.ndim - 1)))


def _read(lines: Floats, at: Floats, count: int) -> Floats:
    """Lines from `at` on, by six-point Lagrange interpolation."""
    whole = np.floor(at).astype(np.int64)
    fraction = at - whole
    nodes = np.arange(-2, 4)
    out = np.zeros((lines.shape[0], count))
    for node in nodes:
        weight = np.ones_like(fraction)
        for other in nodes:
            if other != node:
                weight = weight * (fraction - other) / (node - other)
        index = np.clip(whole[:, None] + node + np.arange(count), 0, lines.shape[1] - 1)
        out += weight[:, None] * np.take_along_axis(lines, index, axis=1)
    return out


def _signs(block: NDArray[Any]) -> NDArray[np.uint8]:
    """As the compiled tracker: 1 saturated, 2 constant, 4 repeated, 8 not finite."""
    flat: NDArray[Any] = np.asarray(block).reshape(*block.shape[:2], -1)
    signs = np.zeros(flat.shape[:2], np.uint8)
    finite = np.isfinite(flat).all(axis=2)
    size = np.abs(np.where(finite[:, :, None], flat, 0).astype(float))
    clip = float(np.iinfo(block.dtype).max) if block.dtype.kind == "i" else np.inf
    top = np.minimum(size.max(axis=(1, 2)), clip)
    constant: NDArray[np.bool_] = np.asarray(flat.max(axis=2) == flat.min(axis=2))
    touched = (size >= top[:, None, None]).sum(axis=2) >= 4
    same = np.zeros_like(constant)
    same[:, 1:] = (flat[:, 1:] == flat[:, :-1]).all(axis=2)
    signs[touched & finite & ~constant] |= 1
    signs[same & finite & ~constant] |= 4
    signs[constant & finite] |= 2
    signs[~finite] = 8
    return signs
