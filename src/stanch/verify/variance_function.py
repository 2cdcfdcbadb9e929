"""How the standard deviation depends on the level: constant, proportional, both together, or a power."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked, sd_interval
from stanch.verify.records import Bounded

__all__ = ["FORMS", "VarianceFunction", "fit_variance_function"]

Floats = NDArray[np.float64]
Form = Literal["constant", "proportional", "both", "power"]
FORMS: tuple[Form, ...] = ("constant", "proportional", "both", "power")
# A second parameter must lower the deviance by this much: the 95.4 % point of chi-square with one degree of freedom,
# the same as asking for a drop of 2 in Akaike's criterion beyond its own penalty.
GAIN = 4.0


@dataclass(frozen=True)
class VarianceFunction:
    """A fitted standard deviation as a function of the level.

    Parameters
    ----------
    form : str
        ``constant`` (sd = a), ``proportional`` (sd = b x), ``both`` (sd^2 = a^2 + (b x)^2) or ``power``
        (sd = c (x / centre)^p).
    parameters : mapping of str to float
        ``a`` [unit], ``b`` [-], or ``c`` [unit] with ``p`` [-] and ``centre`` [unit].
    deviances : mapping of str to float
        Minus twice the log likelihood, up to a constant common to all forms, of every form that could be fitted [-].
    refused : mapping of str to str
        Why a form could not be fitted.
    degrees : float
        Degrees of freedom of all standard deviations together [-].
    lack_of_fit : float or None
        Deviance from standard deviations that follow no form [-]; null when one of them is zero.
    lack_df : int
        Its degrees of freedom [-].
    lack_p : float or None
        Chi-square probability of as much lack of fit [-]; approximate for few degrees of freedom per level.
    covariance : ndarray, shape (parameter, parameter)
        Of the linear parameters below, relative [-].
    scale : float
        Largest level, by which levels are divided inside [unit].
    low, high : float
        Levels between which there were data [unit].
    rule : str
        How the form was chosen.
    """

    form: Form
    parameters: dict[str, float]
    deviances: dict[str, float]
    refused: dict[str, str]
    degrees: float
    lack_of_fit: float | None
    lack_df: int
    lack_p: float | None
    covariance: Floats
    scale: float
    low: float
    high: float
    rule: str

    def sd_at(self, level: ArrayLike) -> Floats:
        """Standard deviation at one or more levels.

        Parameters
        ----------
        level : array_like
            [unit].

        Returns
        -------
        ndarray
            [unit].
        """
        x = np.asarray(level, dtype=np.float64)
        p = self.parameters
        if self.form == "constant":
            return np.full(x.shape, p["a"])
        if self.form == "proportional":
            return p["b"] * np.abs(x)
        if self.form == "both":
            return np.hypot(p["a"], p["b"] * x)
        with np.errstate(divide="ignore"):
            return np.asarray(p["c"] * (np.abs(x) / p["centre"]) ** p["p"], dtype=np.float64)

    def degrees_at(self, level: ArrayLike) -> Floats:
        """Effective degrees of freedom of the fitted standard deviation.

        Parameters
        ----------
        level : array_like
            [unit].

        Returns
        -------
        ndarray
            [-]; 2 over the variance of the logarithm of the fitted variance, exact for one parameter.
        """
        x = np.asarray(level, dtype=np.float64)
        if self.form in ("constant", "proportional"):
            return np.full(x.shape, self.degrees)
        jacobian = _jacobian(self.form, x.ravel() / self.scale, self.parameters, self.scale)
        variance = np.einsum("ni,ij,nj->n", jacobian, self.covariance, jacobian)
        return np.asarray((2 / variance).reshape(x.shape), dtype=np.float64)

    def interval(self, level: float, *, probability: float = 0.95, unit: str = "") -> Bounded:
        """Fitted standard deviation at a level with its interval.

        Parameters
        ----------
        level : float
            [unit].
        probability : float
            [-].
        unit : str

        Returns
        -------
        Bounded
            [unit]; chi-square interval with the effective degrees of freedom.
        """
        sd, df = float(self.sd_at(level)), float(self.degrees_at(level))
        return sd_interval(sd, df, level=probability, unit=unit)

    def lowest_level_for_cv(self, cv: float) -> float | None:
        """Lowest level from which on the coefficient of variation stays within a goal.

        Parameters
        ----------
        cv : float
            As a fraction [-].

        Returns
        -------
        float or None
            [unit]; 0 when the goal is kept everywhere above zero, null when it is not kept at high levels.
        """
        if not cv > 0:
            raise InputError("coefficient of variation", got=cv, allowed="a number above zero")
        p = self.parameters
        if self.form == "constant":
            return p["a"] / cv
        if self.form == "proportional":
            return 0.0 if p["b"] <= cv else None
        if self.form == "both":
            return p["a"] / math.sqrt(cv * cv - p["b"] ** 2) if p["b"] < cv else None
        # c (x/m)^p / x = cv
        if p["p"] == 1:
            return 0.0 if p["c"] / p["centre"] <= cv else None
        if p["p"] > 1:
            return None
        return float(p["centre"] * (cv * p["centre"] / p["c"]) ** (1 / (p["p"] - 1)))


def fit_variance_function(
    level: ArrayLike,
    sd: ArrayLike,
    df: ArrayLike,
    *,
    form: Literal["auto", "constant", "proportional", "both", "power"] = "auto",
) -> VarianceFunction:
    """Fit the standard deviation as a function of the level by the likelihood of the standard deviations.

    Parameters
    ----------
    level : array_like, shape (level,)
        Mean at each level [unit].
    sd : array_like, shape (level,)
        Standard deviation there [unit].
    df : array_like, shape (level,) or float
        Its degrees of freedom, fractional ones too [-].
    form : str
        ``auto`` or one of `FORMS`.

    Returns
    -------
    VarianceFunction

    Raises
    ------
    InputError
        If lengths differ, a number is out of range, all standard deviations are zero, or the form asked for cannot
        be fitted.

    Notes
    -----
    df s^2 / sigma^2 is taken as chi-square distributed, so the deviance is the sum of df (ln sigma^2 + s^2/sigma^2)
    (residual likelihood for independent groups with their own means; Davidian M, Carroll RJ. J Am Stat Assoc
    82:1079-1091 (1987), from memory). ``auto`` compares the better of the two forms with one parameter with the
    better of the two with two, and takes the latter only if the deviance falls by more than 4.
    """
    x, s = checked(level, "levels"), checked(sd, "standard deviations")
    nu = checked(np.broadcast_to(np.asarray(df, dtype=np.float64), x.shape), "degrees of freedom")
    if x.size != s.size:
        raise InputError("levels and standard deviations", got=f"{x.size} and {s.size}", allowed="as many of both")
    if (s < 0).any():
        raise InputError("standard deviations", got=float(s.min()), allowed="zero or more")
    if (nu <= 0).any():
        raise InputError("degrees of freedom", got=float(nu.min()), allowed="above zero")
    if not (s > 0).any():
        raise InputError("standard deviations", got="zero at every level", allowed="at least one above zero")
    if form not in ("auto", *FORMS):
        raise InputError("form of the variance function", got=form, allowed=f"auto, {', '.join(FORMS)}")
    scale = float(np.abs(x).max()) or 1.0
    unit = float(s.max())
    fits: dict[str, tuple[float, dict[str, float]]] = {}
    refused: dict[str, str] = {}
    for name in FORMS if form == "auto" else (form,):
        why = _why_not(name, x, s)
        if why:
            refused[name] = why
        else:
            fits[name] = _fit(name, x / scale, (s / unit) ** 2, nu)
    if not fits:
        raise InputError(f"variance function of the form {form}", got=refused[form], allowed="another form")
    chosen, rule = _choose(form, fits)
    deviance, inner = fits[chosen]
    parameters = _outer(chosen, inner, unit, scale)
    jacobian = _jacobian(chosen, x / scale, parameters, scale)
    information = jacobian.T @ (nu[:, None] / 2 * jacobian)
    lack, lack_df = None, int(x.size - jacobian.shape[1])
    if (s > 0).all():
        lack = max(0.0, deviance - float(np.sum(nu * (np.log((s / unit) ** 2) + 1))))
    return VarianceFunction(
        form=chosen,
        parameters=parameters,
        deviances={name: fit[0] for name, fit in fits.items()},
        refused=refused,
        degrees=float(nu.sum()),
        lack_of_fit=lack,
        lack_df=lack_df,
        lack_p=_upper_chi2(lack, lack_df),
        covariance=np.asarray(np.linalg.pinv(information), dtype=np.float64),
        scale=scale,
        low=float(x.min()),
        high=float(x.max()),
        rule=rule,
    )


def _upper_chi2(value: float | None, df: int) -> float | None:
    from scipy import special

    return None if value is None or df < 1 else float(special.chdtrc(df, value))


def _why_not(form: Form, x: Floats, s: Floats) -> str:
    levels = np.unique(x).size
    if form == "proportional" and (x <= 0).any():
        return "A level is not above zero."
    if form == "both":
        if levels < 2 or np.unique(np.abs(x)).size < 2:
            return "Two parameters need at least two different levels."
        if ((x == 0) & (s == 0)).any():
            return "The standard deviation at level zero is zero."
    if form == "power":
        if (x <= 0).any():
            return "A level is not above zero."
        if levels < 2:
            return "Two parameters need at least two different levels."
        if (s == 0).any():
            return "A standard deviation is zero."
    return ""


def _choose(
    form: Literal["auto", "constant", "proportional", "both", "power"],
    fits: dict[str, tuple[float, dict[str, float]]],
) -> tuple[Form, str]:
    if form != "auto":
        return form, f"The form {form} was asked for."
    one: list[Form] = [f for f in FORMS[:2] if f in fits]
    two: list[Form] = [f for f in FORMS[2:] if f in fits]
    best = min(one, key=lambda f: fits[f][0])
    if not two:
        return best, "The better form with one parameter; none with two could be fitted."
    richer = min(two, key=lambda f: fits[f][0])
    gain = fits[best][0] - fits[richer][0]
    return richer if gain > GAIN else best, (
        f"The better form with two parameters lowers the deviance of the better form with one by {gain:.3g}; "
        f"more than {GAIN:g} is asked for."
    )


def _deviance(ratio: Floats, nu: Floats, s2: Floats) -> tuple[float, float]:
    """Deviance at the best common factor of a variance shape, and that factor."""
    k = float(np.sum(nu * s2 / ratio) / np.sum(nu))
    return float(np.sum(nu * np.log(ratio)) + np.sum(nu) * (math.log(k) + 1)), k


def _fit(form: Form, x: Floats, s2: Floats, nu: Floats) -> tuple[float, dict[str, float]]:
    from scipy import optimize

    if form == "constant":
        deviance, k = _deviance(np.ones_like(x), nu, s2)
        return deviance, {"k": k}
    if form == "proportional":
        deviance, k = _deviance(x * x, nu, s2)
        return deviance, {"k": k}
    if form == "power":
        centre = float(np.exp(np.sum(nu * np.log(x)) / np.sum(nu)))
        logs = 2 * np.log(x / centre)
        reach = 50 / float(np.abs(logs).max())

        def by_power(p: float) -> float:
            return _deviance(np.exp(p * logs), nu, s2)[0]

        # The profile is convex in the exponent (gamma likelihood with a logarithmic link).
        found = optimize.minimize_scalar(by_power, bounds=(-reach, reach), method="bounded", options={"xatol": 1e-10})
        p = float(found.x)
        deviance, k = _deviance(np.exp(p * logs), nu, s2)
        return deviance, {"k": k, "p": p, "centre": centre}
    return _fit_both(x, s2, nu)


def _fit_both(x: Floats, s2: Floats, nu: Floats) -> tuple[float, dict[str, float]]:
    from scipy import optimize

    square = x * x
    smallest = float(np.min(square[square > 0]))

    def shape(u: float) -> Floats:
        # Share of the constant part, on a logistic scale; both ends are tried apart.
        w = 1 / (1 + math.exp(-u))
        return w + (1 - w) * square

    def by_share(u: float) -> float:
        return _deviance(shape(u), nu, s2)[0]

    grid = np.linspace(math.log(smallest) - 12, 12, 121)
    start = int(np.argmin([by_share(float(u)) for u in grid]))
    low, high = grid[max(start - 1, 0)], grid[min(start + 1, grid.size - 1)]
    found = optimize.minimize_scalar(by_share, bounds=(low, high), method="bounded", options={"xatol": 1e-10})
    w = 1 / (1 + math.exp(-float(found.x)))
    options = [(w, *_deviance(shape(float(found.x)), nu, s2)), (1.0, *_deviance(np.ones_like(x), nu, s2))]
    if (square > 0).all():
        options.append((0.0, *_deviance(square, nu, s2)))
    # An end is preferred when it is as good, so that a part that is not there is exactly zero.
    lowest = min(option[1] for option in options)
    share, deviance, k = [o for o in options if o[1] <= lowest + 1e-9 * max(1.0, abs(lowest))][-1]
    return deviance, {"a2": k * share, "b2": k * (1 - share)}


def _outer(form: Form, inner: dict[str, float], unit: float, scale: float) -> dict[str, float]:
    if form == "constant":
        return {"a": unit * math.sqrt(inner["k"])}
    if form == "proportional":
        return {"b": unit * math.sqrt(inner["k"]) / scale}
    if form == "both":
        return {"a": unit * math.sqrt(inner["a2"]), "b": unit * math.sqrt(inner["b2"]) / scale}
    return {"c": unit * math.sqrt(inner["k"]), "p": inner["p"], "centre": inner["centre"] * scale}


def _jacobian(form: Form, x: Floats, p: dict[str, float], scale: float) -> Floats:
    """Derivative of the log variance in the relative linear parameters, at levels divided by `scale`."""
    if form in ("constant", "proportional"):
        return np.ones((x.size, 1))
    if form == "power":
        with np.errstate(divide="ignore"):
            return np.column_stack([np.ones_like(x), 2 * np.log(np.abs(x) * scale / p["centre"])])
    unit = math.hypot(p["a"], p["b"] * scale)
    variance = (p["a"] / unit) ** 2 + (p["b"] * scale / unit * x) ** 2
    # A level at which the whole variance is zero carries no information on the logarithm.
    safe = np.where(variance > 0, variance, np.inf)
    return np.column_stack([1 / safe, x * x / safe])
