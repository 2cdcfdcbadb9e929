"""Values that lie apart: a third of the range, fences, and fences after transformation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.reference_limits.limits import Floats
from stanch.verify.reference_limits.transform import box_cox, power

__all__ = ["Outliers", "dixon_reed", "horn", "tukey"]


@dataclass(frozen=True)
class Outliers:
    """Which values a rule flags; nothing is left out by it.

    Parameters
    ----------
    rule : str
    flagged : ndarray of bool, shape (n,)
    low, high : float or None
        Values at or beyond these are flagged, or strictly beyond for fences [unit]; null where there is no such end.
    low_ratio, high_ratio : float or None
        Gap over range at each end [-]; only for the rule of a third.
    why : str
        Where the rule could not be applied in full.
    """

    rule: str
    flagged: NDArray[np.bool_]
    low: float | None
    high: float | None
    low_ratio: float | None = None
    high_ratio: float | None = None
    why: str = ""

    @property
    def count(self) -> int:
        """How many are flagged."""
        return int(self.flagged.sum())


def dixon_reed(values: ArrayLike, *, ratio: float = 1 / 3) -> Outliers:
    """The smallest and the largest value, each flagged when its gap to the next one is a third of the range or more.

    Parameters
    ----------
    values : array_like, shape (n,)
        [unit].
    ratio : float
        Gap over range from which a value is flagged [-].

    Returns
    -------
    Outliers
        A value that shares its place with another one has no gap: two outliers side by side hide each other.

    Notes
    -----
    Reed AH, Henry RJ, Mason WB. Clin Chem 17:275-284 (1971), from memory.
    """
    x = checked(values, "values", least=3)
    if not 0 < ratio <= 1:
        raise InputError("ratio of gap to range", got=ratio, allowed="above 0, at most 1")
    part = np.partition(x, (0, 1, x.size - 2, x.size - 1))
    scale = max(abs(float(part[0])), abs(float(part[-1]))) or 1.0
    least, second, last_but_one, most = (float(part[k]) / scale for k in (0, 1, -2, -1))
    span = most - least
    if span <= 0:
        return Outliers("dixon-reed", np.zeros(x.size, dtype=bool), None, None, None, None, "All values are equal.")
    low_ratio, high_ratio = (second - least) / span, (most - last_but_one) / span
    flagged = np.zeros(x.size, dtype=bool)
    low = high = None
    # Decimal data miss "exactly a third" by a rounding error that depends on the unit.
    ratio *= 1 - 1e-12
    if low_ratio >= ratio:
        low = float(part[0])
        flagged |= x <= low
    if high_ratio >= ratio:
        high = float(part[-1])
        flagged |= x >= high
    return Outliers("dixon-reed", flagged, low, high, low_ratio, high_ratio)


def tukey(values: ArrayLike, *, reach: float = 1.5) -> Outliers:
    """Values beyond the quartiles by more than a multiple of their distance.

    Parameters
    ----------
    values : array_like, shape (n,)
        [unit].
    reach : float
        Multiple of the distance between the quartiles [-].

    Returns
    -------
    Outliers

    Notes
    -----
    Quartiles by rank p (n + 1). Tukey JW. Exploratory Data Analysis (1977), from memory. In a normal sample of 120 the
    rule flags about one value by itself.
    """
    x = checked(values, "values", least=3)
    low, high = _fences(x, reach)
    return Outliers("tukey", (x < low) | (x > high), low, high)


def horn(values: ArrayLike, *, reach: float = 1.5, shift: float = 0.0) -> Outliers:
    """Tukey's fences after Box-Cox transformation, for skewed values.

    Parameters
    ----------
    values : array_like, shape (n,)
        Above zero after the shift [unit].
    reach : float
        Multiple of the distance between the quartiles [-].
    shift : float
        Added first [unit].

    Returns
    -------
    Outliers
        Without any flag, and with the reason, where no transformation can be found.

    Notes
    -----
    Horn PS, Feng L, Li Y, Pesce AJ. Clin Chem 47:2137-2145 (2001), from memory.
    """
    x = checked(values, "values", least=3)
    try:
        found = box_cox(x, shift=shift)
    except InputError as fault:
        return Outliers("horn", np.zeros(x.size, dtype=bool), None, None, why=f"Not applicable: {fault.got}.")
    exponent = found.exponent.value
    assert exponent is not None
    z = power(np.log(x + shift) - np.log(found.geometric_mean), exponent)
    low, high = _fences(z, reach)

    def back(end: float) -> float | None:
        u = exponent * end
        if u <= -1:
            return None
        log_q = float(np.log1p(u)) / exponent if exponent else end
        return found.geometric_mean * float(np.exp(log_q)) - shift if abs(log_q) < 600 else None

    return Outliers("horn", (z < low) | (z > high), back(low), back(high))


def _fences(x: Floats, reach: float) -> tuple[float, float]:
    if reach <= 0:
        raise InputError("reach of the fences", got=reach, allowed="above 0")
    first, third = (float(q) for q in np.quantile(x, [0.25, 0.75], method="weibull"))
    return first - reach * (third - first), third + reach * (third - first)
