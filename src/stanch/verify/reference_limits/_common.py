"""What the designs of the protocol share: the settings in force, methods by name, outlier rules, grids."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.records import Bounded, Column, Grid
from stanch.verify.reference_limits.bootstrap import bootstrap_limits
from stanch.verify.reference_limits.limits import Floats, ReferenceLimits, Side
from stanch.verify.reference_limits.normal import normal_limits
from stanch.verify.reference_limits.outliers import Outliers, dixon_reed, horn, tukey
from stanch.verify.reference_limits.ranks import nonparametric_limits
from stanch.verify.reference_limits.robust import robust_limits
from stanch.verify.reference_limits.transform import box_cox_limits

Flags = NDArray[np.bool_]
BY_RANKS = ("non-parametric", "bootstrap")
TREATMENT = (
    "By rank: a value known only as a bound keeps its place in the order, and a limit is missing when the values at "
    "its rank are bounds."
)


@dataclass(frozen=True)
class Chosen:
    """How limits are to be found."""

    method: str
    scale: Literal["linear", "log"]
    coverage: float
    side: Side
    confidence: float
    shift: float
    draws: int
    seed: int
    unit: str

    @property
    def log(self) -> bool:
        return self.scale == "log"


@dataclass(frozen=True)
class People:
    """Reference values in use."""

    values: Floats
    below: Flags
    above: Flags

    @property
    def censored(self) -> int:
        return int((self.below | self.above).sum())

    def only(self, keep: Flags) -> People:
        return People(self.values[keep], self.below[keep], self.above[keep])


def find(people: People, chosen: Chosen) -> ReferenceLimits:
    """Limits by the chosen method."""
    if people.censored and chosen.method not in BY_RANKS:
        raise InputError(
            "reference values",
            got=f"{people.censored} known only as a bound (< or >)",
            allowed=f"numbers for the method {chosen.method}",
            do="Use the method non-parametric or bootstrap, which work by rank.",
        )
    if chosen.log and chosen.method not in ("robust", "normal"):
        raise InputError(
            "scale", got=f"log with the method {chosen.method}", allowed="linear, or the method robust or normal"
        )
    x = people.values
    shared: dict[str, Any] = {
        "coverage": chosen.coverage,
        "side": chosen.side,
        "level": chosen.confidence,
        "unit": chosen.unit,
    }
    drawn: dict[str, Any] = {"draws": chosen.draws, "seed": chosen.seed}
    if chosen.method == "non-parametric":
        return nonparametric_limits(x, below=people.below, above=people.above, **shared)
    if chosen.method == "bootstrap":
        return bootstrap_limits(x, below=people.below, above=people.above, **drawn, **shared)
    if chosen.method == "robust":
        return robust_limits(x, logarithm=chosen.log, **drawn, **shared)
    if chosen.method == "normal":
        return normal_limits(x, logarithm=chosen.log, **shared)
    return box_cox_limits(x, shift=chosen.shift, **shared)


def apart(people: People, shift: float) -> tuple[dict[str, Outliers], str]:
    """Every outlier rule, or why none was applied."""
    if people.censored:
        return {}, "Outlier rules were not applied: some values are known only as bounds."
    if people.values.size < 3:
        return {}, "Outlier rules were not applied: fewer than three values."
    x = people.values
    return {"dixon-reed": dixon_reed(x), "tukey": tukey(x), "horn": horn(x, shift=shift)}, ""


def leave_out(people: People, rules: dict[str, Outliers], exclude: str, why: str) -> tuple[People, Flags]:
    """The values without those the chosen rule flags, and which stay."""
    keep = np.ones(people.values.size, dtype=bool)
    if exclude != "none":
        if exclude not in rules:
            raise InputError("values to leave out", got=exclude, allowed="none here", do=why)
        keep &= ~rules[exclude].flagged
    return people.only(keep), keep


def outlier_grid(rules: dict[str, Outliers], x: Floats, exclude: str, unit: str, note: str) -> Grid:
    """What each rule flags."""
    names = {"dixon-reed": "rule of a third", "tukey": "fences", "horn": "fences after transformation"}
    rows = []
    for key, found in rules.items():
        flagged = np.sort(x[found.flagged])
        shown = ", ".join(f"{v:.6g}" for v in flagged[:8]) + (" …" if flagged.size > 8 else "")
        rows.append(
            (
                names[key],
                found.low,
                found.high,
                found.count,
                shown or found.why or "none",
                "left out" if key == exclude and found.count else "kept" if found.count else "",
            )
        )
    return Grid(
        "Values that lie apart",
        (
            Column("rule"),
            Column("low edge", unit),
            Column("high edge", unit),
            Column("flagged"),
            Column("values"),
            Column("what was done"),
        ),
        tuple(rows),
        note or "Flagged values are left out only when that was asked for; an unusual person is not a wrong value.",
    )


def _ranks_text(low: int | None, high: int | None) -> str:
    if low is None or high is None:
        return f"up to {high}" if low is None else f"from {low}"
    return f"{low} to {high}"


def limits_rows(found: ReferenceLimits, name: str = "") -> list[tuple[Any, ...]]:
    """Rows of a grid of limits."""
    rows: list[tuple[Any, ...]] = []
    for which in ("lower", "upper"):
        limit = found.lower if which == "lower" else found.upper
        if limit is None:
            continue
        ranks = found.ranks.get(which, (None, None))
        shown = _ranks_text(*ranks) if which in found.ranks else None
        rows.append(
            (
                f"{name}, {which} limit" if name else f"{which} limit",
                found.n,
                limit,
                found.relative_width("lower" if which == "lower" else "upper"),
                shown,
            )
        )
    return rows


def limits_columns(unit: str) -> tuple[Column, ...]:
    """Columns of a grid of limits."""
    return (
        Column("limit"),
        Column("people"),
        Column("value", unit),
        Column("relative width", "1"),
        Column("ranks of the interval"),
    )


def shape(x: Floats) -> dict[str, float | None]:
    """Skewness and excess kurtosis, null for a constant."""
    if float(x.max()) == float(x.min()):
        return {"skewness": None, "excess_kurtosis": None}
    d = x - x.mean()
    z = d / np.abs(d).max()
    z /= z.std()
    return {"skewness": float((z**3).mean()), "excess_kurtosis": float((z**4).mean()) - 3}


def numbers_of(found: ReferenceLimits) -> dict[str, Any]:
    """Everything about limits, unrounded."""
    return {
        "method": found.method,
        "interval": found.interval,
        "n": found.n,
        "lower": found.lower,
        "upper": found.upper,
        "median": found.middle,
        "ranks": {key: list(value) for key, value in found.ranks.items()},
        "relative_width": {
            "lower": found.relative_width("lower"),
            "upper": found.relative_width("upper"),
        },
        "details": dict(found.details),
    }


def bounded(value: float | None, why: str, unit: str = "1") -> Bounded:
    """A plain number, or why there is none."""
    return Bounded.missing(why, unit) if value is None else Bounded(value, unit=unit)
