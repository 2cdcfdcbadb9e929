"""Ordinary least squares of y on x: shown beside the others, since it takes x to be free of error."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from stanch.verify.agreement.lines import (
    StraightLine,
    bounded_t,
    level_checked,
    needs_spread,
    paired_values,
    scatter_about,
)

__all__ = ["ordinary_line"]


def ordinary_line(x: ArrayLike, y: ArrayLike, *, level: float = 0.95, unit: str = "") -> StraightLine:
    """Least-squares line of y on x.

    Parameters
    ----------
    x, y : array_like, shape (sample,)
        [unit].
    level : float
        [-].
    unit : str

    Returns
    -------
    StraightLine

    Raises
    ------
    InputError
        If there are fewer than three pairs or all x are equal.

    Notes
    -----
    Errors in x pull the slope towards zero, which is why this line is not used for a verdict.

    Examples
    --------
    >>> line = ordinary_line([1.0, 2.0, 3.0], [3.0, 5.0, 7.0])
    >>> round(line.a, 12), round(line.b, 12)
    (1.0, 2.0)
    """
    xs, ys = paired_values(x, y)
    level_checked(level)
    reach = needs_spread(xs, "x")
    mean_x, mean_y = float(xs.mean()), float(ys.mean())
    u = (xs - mean_x) / reach
    suu = float(u @ u)
    b = float(u @ (ys - mean_y)) / suu / reach
    a = mean_y - b * mean_x
    scatter = scatter_about(xs - mean_x, ys - mean_y, 0.0, b)
    var_b = scatter**2 / suu / reach / reach
    var_a = scatter**2 / xs.size + mean_x**2 * var_b
    covariance = np.array([[var_a, -mean_x * var_b], [-mean_x * var_b, var_b]])
    df = float(xs.size - 2)
    return StraightLine(
        "ordinary least squares",
        int(xs.size),
        bounded_t(a, var_a**0.5, df, level, unit),
        bounded_t(b, var_b**0.5, df, level),
        covariance,
        df,
        scatter,
        "normal theory, t with n − 2 degrees of freedom, x taken as free of error",
    )
