"""Input quantities of a budget: what is known of each, and how it is drawn."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked

__all__ = ["Correlations", "Input", "Kind", "Shape", "correlation_matrix", "simultaneous"]

Shape = Literal["normal", "t", "rectangular", "triangular", "arcsine", "trapezoidal"]
Kind = Literal["random", "systematic"]
Correlations = Mapping[tuple[str, str], float]
MOST = 2000
"""Inputs of one budget; a table of more is no budget but data."""
DIVISOR = {"rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "arcsine": math.sqrt(2.0)}


@dataclass(frozen=True)
class Input:
    """One input quantity.

    Parameters
    ----------
    name : str
    value : float
        Estimate [unit].
    u : float
        Standard uncertainty [unit]; for the shape ``t`` the scale, such as s / sqrt(n).
    df : float
        Degrees of freedom of `u` [-]; infinite where it is taken as known.
    kind : str
        ``random``: another value at the next run; ``systematic``: the same at every run.
    shape : str
        Of the distribution that is drawn from.
    top : float
        Of a trapezoid: width of its top over that of its base [-].
    unit, source : str
    sensitivity : float or None
        Where it is given and not found from the model: unit of the result per unit of the input [unit].
    """

    name: str
    value: float
    u: float
    df: float = math.inf
    kind: Kind = "systematic"
    shape: Shape = "normal"
    top: float = 0.5
    unit: str = ""
    source: str = ""
    sensitivity: float | None = None

    def __post_init__(self) -> None:
        if not self.name:
            raise InputError("name of an input", got="", allowed="a name")
        for what, number in (("value", self.value), ("sensitivity", self.sensitivity)):
            if number is not None and not math.isfinite(number):
                raise InputError(f"{what} of input {self.name}", got=number, allowed="a finite number")
        if not (math.isfinite(self.u) and self.u >= 0):
            raise InputError(f"standard uncertainty of input {self.name}", got=self.u, allowed="0 or more, finite")
        if not self.df > 0:
            raise InputError(f"degrees of freedom of input {self.name}", got=self.df, allowed="above 0")
        if self.kind not in get_args(Kind):
            raise InputError(f"kind of input {self.name}", got=self.kind, allowed=", ".join(get_args(Kind)))
        if self.shape not in get_args(Shape):
            raise InputError(f"shape of input {self.name}", got=self.shape, allowed=", ".join(get_args(Shape)))
        if not 0 <= self.top <= 1:
            raise InputError(f"top of input {self.name}", got=self.top, allowed="from 0 to 1")
        if self.shape == "t" and not math.isfinite(self.df):
            raise InputError(
                f"degrees of freedom of input {self.name}", got="none", allowed="a number, since its shape is t"
            )

    @classmethod
    def within(
        cls,
        name: str,
        value: float,
        half_width: float,
        *,
        shape: Shape = "rectangular",
        top: float = 0.5,
        df: float = math.inf,
        kind: Kind = "systematic",
        unit: str = "",
        source: str = "",
        sensitivity: float | None = None,
    ) -> Input:
        """An input that lies within `value` plus or minus a half-width.

        Parameters
        ----------
        name : str
        value, half_width : float
            [unit].
        shape : str
            ``rectangular``, ``triangular``, ``arcsine`` or ``trapezoidal``.
        top : float
            Of a trapezoid: width of its top over that of its base [-].
        df : float
            Degrees of freedom, from how well the half-width is known [-].
        kind, unit, source : str
        sensitivity : float, optional
            Unit of the result per unit of the input [unit].

        Returns
        -------
        Input

        Notes
        -----
        JCGM 100:2008, 4.3.7-4.3.9, and JCGM 101:2008, 6.4: the half-width over sqrt(3), sqrt(6) and sqrt(2), and
        times sqrt((1 + top^2) / 6) (from memory).

        Examples
        --------
        >>> round(Input.within("temperature", 37.0, 0.3).u, 4)
        0.1732
        """
        if not (math.isfinite(half_width) and half_width >= 0):
            raise InputError(f"half-width of input {name}", got=half_width, allowed="0 or more, finite")
        if shape == "trapezoidal":
            u = half_width * math.sqrt((1 + top * top) / 6)
        elif shape in DIVISOR:
            u = half_width / DIVISOR[shape]
        else:
            raise InputError(
                f"shape of input {name}",
                got=shape,
                allowed=", ".join([*DIVISOR, "trapezoidal"]),
                do="State a standard uncertainty instead of a half-width.",
            )
        return cls(name, value, u, df, kind, shape, top, unit, source, sensitivity)

    @classmethod
    def observed(cls, name: str, readings: ArrayLike, *, unit: str = "", source: str = "") -> Input:
        """The mean of independent repeated readings: s / sqrt(n) with n - 1 degrees of freedom, random.

        Parameters
        ----------
        name : str
        readings : array_like, shape (n,)
            [unit].
        unit, source : str

        Returns
        -------
        Input
        """
        x = checked(readings, f"readings of {name}", least=2)
        return cls(
            name,
            float(x.mean()),
            float(x.std(ddof=1) / math.sqrt(x.size)),
            x.size - 1.0,
            "random",
            "t",
            unit=unit,
            source=source,
        )

    def draw(self, count: int, rng: np.random.Generator) -> NDArray[np.float64]:
        """Random values of it, shape (count,) [unit]."""
        if self.u == 0:
            return np.full(count, self.value)
        if self.shape == "normal":
            return self.value + self.u * rng.standard_normal(count)
        if self.shape == "t":
            return self.value + self.u * rng.standard_t(self.df, count)
        if self.shape == "trapezoidal":
            half = self.u / math.sqrt((1 + self.top**2) / 6)
            long, short = 0.5 * (1 + self.top) * half, 0.5 * (1 - self.top) * half
            return self.value + long * rng.uniform(-1, 1, count) + short * rng.uniform(-1, 1, count)
        half = self.u * DIVISOR[self.shape]
        if self.shape == "rectangular":
            return self.value + half * rng.uniform(-1, 1, count)
        if self.shape == "triangular":
            return self.value + 0.5 * half * (rng.uniform(-1, 1, count) + rng.uniform(-1, 1, count))
        return self.value + half * np.sin(np.pi * rng.uniform(-1, 1, count))


def correlation_matrix(inputs: Sequence[Input], correlations: Correlations | None) -> NDArray[np.float64]:
    """Correlations of the inputs as a matrix.

    Parameters
    ----------
    inputs : sequence of Input
    correlations : mapping of (str, str) to float or None
        By names, each pair once [-].

    Returns
    -------
    ndarray, shape (input, input)
        [-].

    Raises
    ------
    InputError
        For an unknown or twice-stated name, a value outside -1 to 1, or correlations that cannot hold together.
    """
    names = [one.name for one in inputs]
    if len(names) > MOST:
        raise InputError(
            "inputs",
            got=len(names),
            allowed=f"{MOST} or fewer: correlations are between each and every other",
            do="Combine inputs of one kind first.",
        )
    twice = sorted(name for name, count in Counter(names).items() if count > 1)
    if twice:
        raise InputError("names of inputs", got=f"{twice[0]} more than once", allowed="each name once")
    matrix = np.eye(len(names))
    for (one, two), r in (correlations or {}).items():
        unknown = [name for name in (one, two) if name not in names]
        if unknown or one == two:
            raise InputError(
                f"correlation of {one} and {two}", got=(unknown or [one])[0], allowed=f"two of {', '.join(names)}"
            )
        if not -1 <= r <= 1:
            raise InputError(f"correlation of {one} and {two}", got=r, allowed="from -1 to 1")
        i, j = names.index(one), names.index(two)
        if matrix[i, j] not in (0.0, r):
            raise InputError(f"correlation of {one} and {two}", got="two values", allowed="one value")
        matrix[i, j] = matrix[j, i] = r
    if correlations and float(np.linalg.eigvalsh(matrix).min()) < -1e-9:
        raise InputError(
            "correlations", got="a set that cannot hold together", allowed="a matrix without negative eigenvalues"
        )
    return matrix


def simultaneous(
    columns: Mapping[str, ArrayLike], *, units: Mapping[str, str] | None = None
) -> tuple[tuple[Input, ...], dict[tuple[str, str], float]]:
    """Means of quantities read in simultaneous sets, and the correlations of these means.

    Parameters
    ----------
    columns : mapping of str to array_like, shape (set,)
        Readings of each quantity, set by set [unit].
    units : mapping of str to str, optional

    Returns
    -------
    inputs : tuple of Input
    correlations : dict
        By pairs of names [-].

    Notes
    -----
    JCGM 100:2008, 5.2.3: the covariance of two means is that of the readings over the number of sets.
    """
    read = {name: checked(values, f"readings of {name}", least=2) for name, values in columns.items()}
    if len({x.size for x in read.values()}) > 1:
        raise InputError(
            "simultaneous sets", got={n: x.size for n, x in read.items()}, allowed="as many readings of each quantity"
        )
    units = units or {}
    inputs = tuple(Input.observed(name, x, unit=units.get(name, "")) for name, x in read.items())
    names, correlations = list(read), {}
    for i, one in enumerate(names):
        for two in names[i + 1 :]:
            a, b = read[one] - read[one].mean(), read[two] - read[two].mean()
            scale = math.sqrt(float(a @ a)) * math.sqrt(float(b @ b))
            correlations[one, two] = max(-1.0, min(1.0, float(a @ b) / scale)) if scale > 0 else 0.0
    return inputs, correlations
