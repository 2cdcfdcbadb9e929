"""A value with its interval, unit and status."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.quantities import UNITS

__all__ = ["Estimate", "Status"]

Status = Literal["ok", "provisional", "below", "above", "unavailable"]


@dataclass(frozen=True)
class Estimate:
    """A value, its 95 % interval, unit and status.

    Parameters
    ----------
    value : float or None
        Best value [unit]; null unless the status is ``ok`` or ``provisional`` - and null there too where zero is
        not rejected, with ``low`` 0.
    low, high : float or None
        Ends of the 95 % interval [unit], random error including per-well speckle. With status ``above`` only
        ``low`` is set and is the bound; with ``below`` only ``high``.
    unit : str
        SI unit text of ``quantities.UNITS``.
    status : str
        ``ok``, ``provisional``, ``below``, ``above`` or ``unavailable``.
    systematic : float or None
        Relative standard uncertainty common to like wells [-]; null without calibration.
    why : str
        One sentence when the status is not ``ok`` or an end of the interval is open.
    """

    value: float | None
    low: float | None
    high: float | None
    unit: str
    status: Status = "ok"
    systematic: float | None = None
    why: str = ""

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise InputError("unit of an estimate", got=self.unit, allowed=", ".join(UNITS))
        for name in ("value", "low", "high", "systematic"):
            number = getattr(self, name)
            if number is not None and not math.isfinite(number):
                raise InputError(f"{name} of an estimate", got=number, allowed="a finite number or null")
        if self.status in ("below", "above", "unavailable") and self.value is not None:
            raise InputError("value of an estimate", got=self.value, allowed=f"null with status {self.status}")
        if self.status == "above" and self.low is None:
            raise InputError("low of an estimate", got=None, allowed="a bound with status above")
        if self.status == "below" and self.high is None:
            raise InputError("high of an estimate", got=None, allowed="a bound with status below")
        if self.status not in ("ok", "provisional") and not self.why:
            raise InputError("why of an estimate", got="", allowed=f"a sentence with status {self.status}")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise InputError("interval of an estimate", got=(self.low, self.high), allowed="low <= high")

    @classmethod
    def unavailable(cls, unit: str, why: str) -> Estimate:
        """An estimate that could not be made, and why."""
        return cls(None, None, None, unit, "unavailable", None, why)

    @classmethod
    def from_samples(
        cls,
        samples: ArrayLike,
        unit: str,
        *,
        start: float | None = None,
        end: float | None = None,
        level: float = 0.95,
        status: Status = "ok",
        systematic: float | None = None,
        why: str = "",
    ) -> Estimate:
        """Quantiles of joint samples; infinite samples are censored ones.

        Parameters
        ----------
        samples : array_like, shape (path,)
            Values [unit]; ``-inf`` is "before the start", ``+inf`` "not reached by the end". NaN is refused.
        unit : str
            SI unit text.
        start, end : float, optional
            What to print as the bound [unit] when the median is censored.
        level : float
            Probability inside the interval [-].
        status, systematic, why
            Passed on.

        Returns
        -------
        Estimate
            Status ``below`` or ``above`` where the median is censored; an interval end that is censored is null.

        Examples
        --------
        >>> Estimate.from_samples([1.0, 2.0, 3.0], "Pa").value
        2.0
        """
        x = np.sort(np.asarray(samples, dtype=float).ravel())
        if x.size == 0 or np.isnan(x).any():
            raise InputError("samples", got=f"{x.size} values, {int(np.isnan(x).sum())} NaN", allowed="numbers, no NaN")
        tail = (1.0 - level) / 2.0
        low, value, high = (_quantile(x, p) for p in (tail, 0.5, 1.0 - tail))
        if value == math.inf:
            bound = end if end is not None else (low if math.isfinite(low) else None)
            if bound is None:
                return cls.unavailable(unit, why or "Not reached, and the end of the run is unknown.")
            return cls(None, bound, None, unit, "above", systematic, why or "Not reached by the end of the run.")
        if value == -math.inf:
            bound = start if start is not None else (high if math.isfinite(high) else None)
            if bound is None:
                return cls.unavailable(unit, why or "Passed before the start, and the start is unknown.")
            return cls(None, None, bound, unit, "below", systematic, why or "Already passed at the first push.")
        open_high, open_low = not math.isfinite(high), not math.isfinite(low)
        if (open_high or open_low) and not why:
            why = "The interval is open: some paths did not reach it within the run."
        return cls(value, None if open_low else low, None if open_high else high, unit, status, systematic, why)

    def scaled(self, unit: str) -> Estimate:
        """The same estimate in another unit of the same kind.

        Raises
        ------
        InputError
            If the kinds differ.
        """
        old, new = UNITS[self.unit], UNITS.get(unit)
        if new is None or new.kind != old.kind:
            raise InputError("unit", got=unit, allowed=f"a unit of {old.kind}")

        def turn(x: float | None) -> float | None:
            return None if x is None else (x * old.scale + old.offset - new.offset) / new.scale

        return replace(self, value=turn(self.value), low=turn(self.low), high=turn(self.high), unit=unit)

    def as_dict(self) -> dict[str, Any]:
        """Plain fields for JSON; no NaN, no infinity."""
        return {
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "systematic": self.systematic,
            "unit": self.unit,
            "status": self.status,
            "why": self.why,
        }


def _quantile(x: np.ndarray[Any, np.dtype[np.float64]], p: float) -> float:
    """Linear-interpolation quantile that survives infinite values."""
    position = p * (x.size - 1)
    below = math.floor(position)
    above = min(below + 1, x.size - 1)
    a, b = float(x[below]), float(x[above])
    weight = position - below
    if weight == 0.0 or a == b:
        return a
    if math.isinf(a) or math.isinf(b):
        return a if weight < 0.5 else b
    return a + weight * (b - a)
