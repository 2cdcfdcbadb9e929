"""What difference the choice of model makes: moduli at other frequencies, and which frequencies the frames inform."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.mechanics.joint import NORMAL_95
from stanch.mechanics.records import LOG_OFFSET, SpectralTable
from stanch.mechanics.response import coupling
from stanch.mechanics.rheology.models import log_jacobian, modulus_gradient, modulus_of_search, to_search
from stanch.mechanics.rheology.records import Rheology
from stanch.recording.records import Acquisition

__all__ = ["StorageAt", "informed_band", "storage_at"]

Floats = NDArray[np.float64]

SHARE = 0.95
POINTS = 1200


@dataclass(frozen=True)
class StorageAt:
    """Storage modulus of every push at a frequency, by one model.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    frequency : float
        [Hz].
    storage, low, high : ndarray, shape (push,)
        G' and its 95 % interval if the model holds there too [Pa].
    inside : bool or None
        Whether the frequency lies in the band the frames inform; outside, the interval rests on the model alone. None
        where no band was given.
    """

    model: str
    frequency: float
    storage: Floats
    low: Floats
    high: Floats
    inside: bool | None

    @property
    def words(self) -> str:
        """Where the value comes from."""
        if self.inside is None:
            return f"by the model {self.model}; not known whether the frames inform {self.frequency:g} Hz"
        if self.inside:
            return f"by the model {self.model}, at a frequency the frames inform"
        return f"extrapolated to {self.frequency:g} Hz by the model {self.model}: the frames do not inform it there"


def storage_at(rheology: Rheology, frequency: float, band: tuple[float, float] | None = None) -> StorageAt:
    """Storage modulus at another frequency than the fit states, by the same model.

    Parameters
    ----------
    rheology : Rheology
        Of a fit.
    frequency : float
        [Hz].
    band : tuple of float, optional
        Of :func:`informed_band` [Hz].

    Returns
    -------
    StorageAt

    Raises
    ------
    InputError
        If the frequency is not positive.
    """
    if not (math.isfinite(frequency) and frequency > 0):
        raise InputError("frequency", got=frequency, allowed="a positive finite frequency [Hz]")
    names = list(rheology.parameters)
    pushes = rheology.storage.size
    good = np.isfinite(rheology.storage)
    storage, low, high = (np.full(pushes, np.nan) for _ in range(3))
    if good.any():
        x = to_search(rheology.model, {name: rheology.parameters[name][good] for name in names}, rheology.frequency)
        back = np.linalg.inv(log_jacobian(rheology.model, x, rheology.frequency))
        covariance = back @ rheology.covariance[good] @ np.swapaxes(back, -1, -2)
        moduli, slope = modulus_gradient(rheology.model, x, rheology.frequency, frequency)
        offset = np.maximum(moduli[:, 0] + LOG_OFFSET, 0.5)
        by = slope[:, 0] / offset[:, None]
        sd = np.sqrt(np.maximum(np.einsum("pi,pij,pj->p", by, covariance, by), 0.0))
        if rheology.widening is not None:
            sd = sd * rheology.widening[good, 0]
        storage[good] = moduli[:, 0]
        low[good] = np.maximum(offset * np.exp(-NORMAL_95 * sd) - LOG_OFFSET, 0.0)
        high[good] = np.maximum(offset, LOG_OFFSET) * np.exp(np.minimum(NORMAL_95 * sd, 50.0)) - LOG_OFFSET
    inside = None if band is None else bool(band[0] <= frequency <= band[1])
    return StorageAt(rheology.model, frequency, storage, low, high, inside)


def informed_band(
    model: str,
    parameters: Mapping[str, float],
    table: SpectralTable,
    acquisition: Acquisition,
    frame_time: ArrayLike,
    depth: ArrayLike | None = None,
    sensitivity: ArrayLike | None = None,
) -> tuple[float, float]:
    """Frequencies about which the frames of a push say something.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    parameters : mapping of str to float
        Of the medium, in SI units, by name.
    table : SpectralTable
        Of the well.
    acquisition : Acquisition
        Density and push duration are used.
    frame_time : array_like, shape (frame,)
        From the start of the push [s].
    depth, sensitivity : array_like, shape (depth,), optional
        The tracking gate, as in :func:`~stanch.mechanics.response.coupling` [m], [-].

    Returns
    -------
    tuple of float
        Lower and upper end [Hz].

    Notes
    -----
    By Parseval's theorem the information of evenly noisy frames about the logarithm of the complex modulus is spread
    over frequency as the squared size of ``G* dX/dG*``, X the spectrum of the displacement. The band is the middle
    95 % of it, between the lowest
    frequency of which the frames see a quarter period and half the rate of the closest frames.
    """
    x = to_search(model, parameters, 1.0)
    time = np.asarray(frame_time, dtype=float)
    if time.ndim != 1 or time.size < 2 or not np.all(np.diff(time) > 0) or not time[-1] > 0:
        raise InputError("frame_time", got=time.shape, allowed="two or more rising times, the last after the push")
    frequency = np.geomspace(0.25 / time[-1], 0.5 / np.min(np.diff(time)), POINTS)
    s = 2j * math.pi * frequency
    g = modulus_of_search(model, x[None], 1.0, s)[0]
    c = coupling(table, depth, sensitivity)
    scale = table.eigenvalue / acquisition.density
    answer = ((c * scale) / (s[:, None] ** 2 + scale * g[:, None]) ** 2).sum(axis=1)
    push = -np.expm1(-s * acquisition.push_duration) / s
    weight = np.abs(g * answer * push) ** 2 * frequency
    share = np.cumsum(weight) / weight.sum()
    ends = np.interp([0.5 * (1.0 - SHARE), 0.5 * (1.0 + SHARE)], share, frequency)
    return float(ends[0]), float(ends[1])
