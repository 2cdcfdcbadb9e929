"""The records of the readings stage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.estimate import Estimate

__all__ = ["Contrast", "Reading", "WellReadings"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Reading:
    """One reading of one well: the estimate in SI units, and the samples it came from.

    Parameters
    ----------
    key : str
        Of ``quantities.QUANTITIES``.
    estimate : Estimate
        In SI units.
    samples : ndarray, shape (path,)
        Joint samples, +inf "not reached by the end", -inf "before the first push" [SI unit]; empty when unavailable.
    """

    key: str
    estimate: Estimate
    samples: Floats


@dataclass(frozen=True)
class WellReadings:
    """All readings of one well, in a fixed order.

    Parameters
    ----------
    well : str
    readings : tuple of Reading
    clock : ndarray, shape (path,), or None
        Recorded time minus time since true activation, path by path: the activation offset and its uncertainty [s].
    """

    well: str
    readings: tuple[Reading, ...]
    clock: Floats | None = None

    def __getitem__(self, key: str) -> Reading:
        for reading in self.readings:
            if reading.key == key:
                return reading
        raise KeyError(key)


@dataclass(frozen=True)
class Contrast:
    """A number from two wells that differ in exactly one additive.

    Parameters
    ----------
    name : str
        As the assay document names it.
    kind : str
        ratio, difference, share or decline.
    key : str
        The reading compared; for a decline the number reported (retention ...).
    base, other : str
        Names of the wells.
    estimate : Estimate
        In SI units.
    samples : ndarray, shape (path,)
        Joint samples; empty when unavailable [SI unit].
    warnings : tuple of str
        Such as a skipped check.
    raw : Estimate or None
        With a block fraction: the number before the block correction; `estimate` is the corrected one.
    offered : Estimate or None
        The difference, where a ratio is unavailable because its denominator may be zero.
    ages : tuple of float, or None
        The two clot ages of a decline comparison [s].
    at_base : tuple of ndarray, shape (path,), or None
        Joint samples of the reading in base and other well where both are read at the base well's onset [SI unit]; None
        where each is read at its own.
    """

    name: str
    kind: str
    key: str
    base: str
    other: str
    estimate: Estimate
    samples: Floats
    warnings: tuple[str, ...] = ()
    raw: Estimate | None = None
    offered: Estimate | None = None
    ages: tuple[float, float] | None = None
    at_base: tuple[Floats, Floats] | None = None
