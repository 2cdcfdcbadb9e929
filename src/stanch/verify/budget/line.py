"""A calibration line as two correlated inputs of a budget."""

from __future__ import annotations

import math
from dataclasses import dataclass

from numpy.typing import ArrayLike

from stanch.errors import InputError
from stanch.verify.budget.inputs import Input
from stanch.verify.intervals import checked

__all__ = ["CalibrationLine", "calibration_line"]


@dataclass(frozen=True)
class CalibrationLine:
    """Intercept and slope of a line by least squares.

    Parameters
    ----------
    intercept, slope : Input
        Intercept at the reference and slope, in y and y per x [unit].
    correlation : float
        Of the two [-].
    sd : float
        Residual standard deviation, in y [unit].
    reference : float
        x at which the intercept is meant [unit].
    """

    intercept: Input
    slope: Input
    correlation: float
    sd: float
    reference: float

    @property
    def inputs(self) -> tuple[Input, Input]:
        """Both inputs."""
        return self.intercept, self.slope

    @property
    def correlations(self) -> dict[tuple[str, str], float]:
        """Their correlation by names [-]."""
        return {(self.intercept.name, self.slope.name): self.correlation}


def calibration_line(
    x: ArrayLike, y: ArrayLike, *, reference: float = 0.0, names: tuple[str, str] = ("intercept", "slope")
) -> CalibrationLine:
    """Fit y = intercept + slope (x - reference) by least squares.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        [unit].
    reference : float
        x at which the intercept is meant [unit].
    names : tuple of str
        Of the two inputs.

    Returns
    -------
    CalibrationLine

    Raises
    ------
    InputError
        If there are fewer than three points or all x are equal.

    Notes
    -----
    JCGM 100:2008, H.3. Both have n - 2 degrees of freedom.
    """
    a, b = checked(x, "x of the calibration", least=3), checked(y, "y of the calibration", least=3)
    if a.size != b.size:
        raise InputError("calibration", got=f"{a.size} and {b.size} values", allowed="as many x as y")
    n, middle = a.size, float(a.mean())
    spread = float(((a - middle) ** 2).sum())
    if not spread > 0:
        raise InputError("x of the calibration", got="equal values", allowed="at least two different ones")
    slope = float(((a - middle) * (b - b.mean())).sum() / spread)
    away = middle - reference
    intercept = float(b.mean()) - slope * away
    sd = math.sqrt(float(((b - intercept - slope * (a - reference)) ** 2).sum()) / (n - 2))
    u_slope, per = sd / math.sqrt(spread), math.sqrt(1 / n + away * away / spread)
    correlation = -away / math.sqrt(spread) / per
    return CalibrationLine(
        Input(names[0], intercept, sd * per, n - 2.0, "random", "t"),
        Input(names[1], slope, u_slope, n - 2.0, "random", "t"),
        max(-1.0, min(1.0, correlation)),
        sd,
        reference,
    )
