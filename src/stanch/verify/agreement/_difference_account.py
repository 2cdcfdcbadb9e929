"""From paired results to the parts of an account on differences."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import UsageError
from stanch.verify.agreement import _show
from stanch.verify.agreement._line_account import allowed_at, bias_verdict
from stanch.verify.agreement._parts import Parts
from stanch.verify.agreement.by_level import limits_by_level
from stanch.verify.agreement.differences import Differences, difference_values, limits_of_agreement, shown_unit
from stanch.verify.agreement.from_ranks import difference_bounds, limits_from_ranks
from stanch.verify.agreement.repeated import RepeatedDifferences, limits_with_repeats
from stanch.verify.equivalence import outcome
from stanch.verify.records import Bounded, Cell, Column, Definition, Grid, Verdict
from stanch.verify.table import Taken

Floats = NDArray[np.float64]
Strings = NDArray[np.str_]

FEW = 40
"""Samples below which an approximate interval of a limit of agreement is warned of [-]."""

LIMITS = Definition(
    "limits of agreement",
    "Bias plus and minus the stated number of standard deviations of the differences: where the difference of a new "
    "sample is expected to lie.",
    "Bland JM, Altman DG. Lancet i:307-310 (1986) and Stat Methods Med Res 8:135-160 (1999), from memory",
)


def difference_parts(x: Floats, y: Floats, o: dict[str, Any], taken: Taken) -> Parts:
    """Bias and limits of one reading by each method."""
    _refuse_mixture(o)
    if o["limits"] == "ranks":
        return _from_ranks(x, y, o, taken)
    if o["limits"] == "by-level":
        return _by_level(x, y, o)
    found = limits_of_agreement(
        x,
        y,
        multiplier=o["multiplier"],
        scale=o["scale"],
        interval=o["limit_interval"],
        level=o["confidence"],
        unit=o["unit"],
    )
    parts = Parts()
    parts.design = [
        f"{found.n} samples, each measured once by both methods; differences y − x, scale: {o['scale']}.",
        f"Limits of agreement: bias ± {found.multiplier:g} standard deviations; their intervals: {found.interval}.",
    ]
    d, middle = difference_values(x, y, scale=o["scale"])
    _tell(parts, found, o, middle, np.exp(d) if o["scale"] == "ratio" else d)
    _lean(parts, d, middle, o)
    if found.sd.value == 0:
        parts.warnings.append("All differences are equal: the limits have no width, which scatter alone would give.")
    return parts


def repeated_parts(names_x: Strings, x: Floats, names_y: Strings, y: Floats, o: dict[str, Any]) -> Parts:
    """Bias and limits from repeated readings."""
    _refuse_mixture(o)
    found = limits_with_repeats(
        names_x, x, names_y, y, truth=o["repeats"], multiplier=o["multiplier"], level=o["confidence"], unit=o["unit"]
    )
    parts = Parts()
    parts.design = [
        f"{found.limits.n} samples or subjects, {found.readings[0]} readings of x and {found.readings[1]} of y; the "
        f"true value within one is taken as {found.truth}.",
        f"Limits of agreement of single readings: bias ± {o['multiplier']:g} standard deviations; their intervals: "
        f"{found.limits.interval}.",
    ]
    _tell(parts, found.limits, o, found.means, found.differences)
    parts.grids.append(_variance_grid(found, o["unit"]))
    parts.definitions.append(
        Definition(
            "standard deviation of a single difference",
            "Means of repeated readings vary less than single readings: the variance within samples is added back."
            if found.truth == "constant"
            else "Variance of the paired differences between subjects plus that within; a negative estimate between "
            "counts as zero in the total and is shown as it is.",
            "Bland JM, Altman DG. Stat Methods Med Res 8:135-160 (1999), section 5; J Biopharm Stat 17:571-582 "
            "(2007), from memory",
        )
    )
    parts.numbers |= {
        "variance_of_means": found.variance_of_means,
        "within_x": found.within_x,
        "within_y": found.within_y,
        "within": found.within,
        "between_raw": found.between_raw,
        "sd_of_means": found.naive_sd,
    }
    return parts


def _refuse_mixture(o: dict[str, Any]) -> None:
    for other, value in (("scale", "difference"), ("limits", "constant")):
        if o["repeats"] != "none" and o[other] != value:
            raise UsageError(f"option --{other}", got=o[other], allowed=f"{value} together with --repeats")
    if o["limits"] == "by-level" and o["scale"] != "difference":
        raise UsageError("option --scale", got=o["scale"], allowed="difference together with --limits by-level")


def _verdicts(parts: Parts, o: dict[str, Any], bias: Bounded, lower: Bounded, upper: Bounded, where: str = "") -> None:
    unit = shown_unit(o["scale"], o["unit"])
    edge = o["allowed_difference"]
    low, high = _edges(edge, o["scale"])
    rule = (
        f"Met when the whole {100 * lower.level:g} % interval of the limit lies inside the allowed difference, not met "
        "when none "
        "of it does."
    )
    words = ""
    if edge is not None:
        words = f"within ±{edge:g} {unit}" if o["scale"] != "ratio" else f"ratio from {low:.6g} to {high:.6g}"
    for name, found in (("Lower", lower), ("Upper", upper)):
        parts.verdicts.append(
            Verdict(
                f"{name} limit of agreement{where} is allowed",
                found,
                words.strip(),
                outcome(found, low, high, point=o["limits"] == "ranks"),
                rule,
            )
        )


def _edges(allowed: float | None, scale: str) -> tuple[float | None, float | None]:
    if allowed is None:
        return None, None
    least = 1.0 if scale == "ratio" else 0.0
    if not allowed > least:
        raise UsageError("option --allowed-difference", got=allowed, allowed=f"a number above {least:g} on this scale")
    return (1 / allowed, allowed) if scale == "ratio" else (-allowed, allowed)


def _bias_verdict(parts: Parts, bias: Bounded, o: dict[str, Any]) -> None:
    given = tuple(o["allowed_bias"] or ())
    if o["allowed_bias_percent"] and o["scale"] != "percent":
        raise UsageError(
            "option --allowed-bias-percent", got="given", allowed="--scale percent, or --allowed-bias in the unit"
        )
    allowed = given or tuple(o["allowed_bias_percent"] or ())
    if len(allowed) > 1:
        raise UsageError(
            "option --allowed-bias", got=f"{len(allowed)} values", allowed="one value: this bias is one number"
        )
    unit = shown_unit(o["scale"], o["unit"])
    if o["scale"] != "ratio":
        if allowed and not allowed[0] > 0:
            raise UsageError("option --allowed-bias", got=allowed[0], allowed="a number above 0")
        parts.verdicts.append(bias_verdict("Mean difference is allowed", bias, allowed[0] if allowed else None, unit))
        return
    low, high = _edges(allowed[0] if allowed else None, "ratio")
    parts.verdicts.append(
        Verdict(
            "Mean ratio is allowed",
            bias,
            "" if low is None else f"ratio from {low:.6g} to {high:.6g}",
            outcome(bias, low, high),
            f"Met when the whole {100 * bias.level:g} % interval of the mean ratio lies inside the limits.",
        )
    )


def _tell(parts: Parts, found: Differences, o: dict[str, Any], middle: Floats, d: Floats) -> None:
    unit = shown_unit(o["scale"], o["unit"])
    _bias_verdict(parts, found.bias, o)
    _verdicts(parts, o, found.bias, found.lower, found.upper)
    name = {"difference": "y − x", "percent": "(y − x) / mean", "ratio": "y / x"}[o["scale"]]
    rows: tuple[tuple[Cell, ...], ...] = (
        (f"bias, mean of {name}", found.bias),
        ("standard deviation of a difference" + (" (of ln y/x)" if o["scale"] == "ratio" else ""), found.sd),
        ("lower limit of agreement", found.lower),
        ("upper limit of agreement", found.upper),
    )
    parts.grids.append(Grid("Bias and limits of agreement", (Column("quantity"), Column("value", unit)), rows))
    edge = o["allowed_difference"] if o["scale"] != "ratio" else None
    labels = (_show.axis("mean of both methods", o["unit"]), _show.axis(name, unit))
    parts.pictures += [
        _show.difference_picture(
            middle, d, found.bias, found.lower, found.upper, labels, edge, 1.0 if o["scale"] == "ratio" else 0.0
        ),
        _show.histogram_picture(d, labels[1]),
    ]
    if found.n < FEW and "approximation" in found.interval:
        parts.warnings.append(
            "The interval of a limit of agreement is short with few samples (1986 and 1999 approximations): where 95 % "
            "were stated it held the truth in only 92 to 94 % of 2000 simulated studies of 10 samples. The exact one "
            "keeps what it states."
        )
    parts.definitions.append(LIMITS)
    parts.definitions.append(
        Definition(
            "interval of a limit of agreement",
            f"In force: {found.interval}. exact: quantiles of the non-central t distribution; 1986: standard error "
            "√(3 s²/n); 1999: s √(1/n + k²/(2(n − 1))).",
            "Owen DB. J Am Stat Assoc 63:445-478 (1968) for exact; Bland and Altman for the others; Zou GY. Stat "
            "Methods Med Res 22:630-642 (2013) with repeated readings; all from memory",
        )
    )
    parts.numbers |= {
        "n": found.n,
        "bias": found.bias,
        "sd": found.sd,
        "lower": found.lower,
        "upper": found.upper,
        "multiplier": found.multiplier,
        "scale": found.scale,
    }


def _lean(parts: Parts, d: Floats, middle: Floats, o: dict[str, Any]) -> None:
    """Warn where differences or their scatter follow the level."""
    if d.size < 10 or not float(np.ptp(middle)) > 0 or not float(np.ptp(d)) > 0:
        return
    from scipy import stats

    trend = stats.spearmanr(middle, d)
    fan = stats.spearmanr(middle, np.abs(d - np.median(d)))
    parts.numbers |= {"trend_p": float(trend.pvalue), "fan_p": float(fan.pvalue)}
    if trend.pvalue < 0.01:
        parts.warnings.append(
            f"Differences follow the level (rank correlation p = {trend.pvalue:.2g}): one bias does not describe them. "
            "Consider --limits by-level or another --scale."
        )
    if fan.pvalue < 0.01:
        parts.warnings.append(
            f"The scatter of the differences follows the level (rank correlation p = {fan.pvalue:.2g}): the limits "
            "are too "
            "wide at one end and too narrow at the other. Consider --limits by-level or another --scale."
        )


def _variance_grid(found: RepeatedDifferences, unit: str) -> Grid:
    rows: list[tuple[Cell, ...]] = [("variance of the mean differences of subjects", found.variance_of_means)]
    if found.truth == "constant":
        rows += [("variance within subjects, x", found.within_x), ("variance within subjects, y", found.within_y)]
    else:
        rows += [
            ("variance of differences between subjects, as estimated", found.between_raw),
            ("variance of differences within subjects", found.within),
        ]
    rows.append(("standard deviation of the mean differences, not used for the limits", found.naive_sd))
    square = f"({unit})²" if unit else ""
    return Grid(
        "Parts of the variance",
        (Column("quantity"), Column("value")),
        tuple(rows),
        note=f"Variances in {square}." if square else "",
    )


def _from_ranks(x: Floats, y: Floats, o: dict[str, Any], taken: Taken) -> Parts:
    if o["scale"] != "difference":
        raise UsageError("option --scale", got=o["scale"], allowed="absolute together with --limits ranks")
    flags = {
        "x_below": taken.below[o["x"]],
        "x_above": taken.above[o["x"]],
        "y_below": taken.below[o["y"]],
        "y_above": taken.above[o["y"]],
    }
    low, high = difference_bounds(x, y, **flags)
    found = limits_from_ranks(low, high, coverage=o["coverage"], level=o["confidence"], unit=o["unit"])
    parts = Parts()
    parts.design = [
        f"{found.n} samples, each measured once by both methods; differences y − x.",
        f"Limits of agreement hold the middle {found.coverage:.4g} of the differences by rank; no distribution is "
        "assumed.",
    ]
    _bias_verdict(parts, found.median, o)
    _verdicts(parts, o, found.median, found.lower, found.upper)
    rows: tuple[tuple[Cell, ...], ...] = (
        ("median of y − x", found.median),
        ("lower limit of agreement", found.lower),
        ("upper limit of agreement", found.upper),
        ("differences known only as bounds", found.bounds),
    )
    parts.grids.append(Grid("Median and limits by rank", (Column("quantity"), Column("value", o["unit"])), rows))
    known = low == high
    if known.any():
        middle, d = (x / 2 + y / 2)[known], (y - x)[known]
        labels = (_show.axis("mean of both methods", o["unit"]), _show.axis("y − x", o["unit"]))
        parts.pictures += [
            _show.difference_picture(
                middle, d, found.median, found.lower, found.upper, labels, o["allowed_difference"], 0.0
            ),
            _show.histogram_picture(d, labels[1]),
        ]
    if found.bounds:
        parts.warnings.append(
            f"{found.bounds} differences are known only as bounds: they count in the ranks, not drawn."
        )
    parts.definitions.append(
        Definition(
            "limits of agreement by rank",
            "Quantiles of the differences at rank p(n + 1), with intervals from binomial ranks. A result known only "
            "as a bound keeps its side; a quantile that would change with its unknown part is not given.",
            "Bland JM, Altman DG. Stat Methods Med Res 8:135-160 (1999), from memory; treatment of bounds: own",
        )
    )
    parts.numbers = {
        "n": found.n,
        "bounds": found.bounds,
        "median": found.median,
        "lower": found.lower,
        "upper": found.upper,
        "coverage": found.coverage,
    }
    return parts


def _by_level(x: Floats, y: Floats, o: dict[str, Any]) -> Parts:
    found = limits_by_level(
        x, y, multiplier=o["multiplier"], level=o["confidence"], draws=o["draws"], seed=o["seed"], unit=o["unit"]
    )
    d, middle = difference_values(x, y)
    stated = tuple(float(level) for level in o["levels"] or ())
    levels = stated or tuple(float(q) for q in np.quantile(middle, [0.1, 0.5, 0.9]))
    parts = Parts(seeded=True)
    parts.design = [
        f"{d.size} samples, each measured once by both methods; differences y − x follow the level.",
        f"Limits: bias ± {o['multiplier']:g} standard deviations at each level; intervals from {o['draws']} bootstrap "
        "draws.",
    ]
    rows = []
    if (o["allowed_bias"] or o["allowed_bias_percent"] or o["allowed_difference"]) and not stated:
        raise UsageError(
            "option --levels", got="nothing", allowed="the levels the allowed values belong to", do="Give it."
        )
    for place, level in enumerate(levels):
        here = found.at(level)
        rows.append((level, here.bias, here.sd, here.lower, here.upper))
        where = f" at {level:g} {o['unit']}".rstrip()
        allowed = allowed_at(level, place, o) if stated else None
        parts.verdicts.append(bias_verdict(f"Bias{where} is allowed", here.bias, allowed, o["unit"]))
        _verdicts(parts, o, here.bias, here.lower, here.upper, where)
    unit = o["unit"]
    parts.grids.append(
        Grid(
            "Bias and limits by level",
            (
                Column("level", unit),
                Column("bias, y − x", unit),
                Column("standard deviation", unit),
                Column("lower limit", unit),
                Column("upper limit", unit),
            ),
            tuple(rows),
            note="" if stated else "No level was stated: these are the 10, 50 and 90 % points of the means.",
        )
    )
    _by_level_picture(parts, found, d, middle, unit)
    parts.definitions += [
        LIMITS,
        Definition(
            "limits by level",
            "Differences regressed on means; absolute residuals regressed on means and multiplied by √(π/2) for the "
            "standard deviation. Intervals: t for the bias and chi-square for the standard deviation, with the "
            "variances of bootstrap draws, joined by their distances to the ends.",
            "Bland JM, Altman DG. Stat Methods Med Res 8:135-160 (1999), section 3, from memory; intervals: own",
        ),
    ]
    parts.numbers = {
        "n": int(d.size),
        "bias_intercept": found.bias.intercept,
        "bias_slope": found.bias.slope,
        "sd_intercept": found.spread.intercept,
        "sd_slope": found.spread.slope,
        "multiplier": found.multiplier,
        "at": {f"{row[0]!r}": {"bias": row[1], "sd": row[2], "lower": row[3], "upper": row[4]} for row in rows},
    }
    return parts


def _by_level_picture(parts: Parts, found: Any, d: Floats, middle: Floats, unit: str) -> None:
    at = np.linspace(float(middle.min()), float(middle.max()), 41)
    at = at[found.spread.a + found.spread.b * at >= 0]
    if at.size < 2:
        return
    if at.size < 41:
        parts.warnings.append(
            "The line of the standard deviation falls below zero inside the data: it is drawn where above."
        )
    here = [found.at(float(m)) for m in at]
    # Where the standard deviation is small against its uncertainty its interval is open above.
    closed = [k for k, one in enumerate(here) if one.upper.high is not None]
    if len(closed) < 2:
        return
    at, here = at[closed], [here[k] for k in closed]

    def of(name: str, end: str) -> Floats:
        return np.array([getattr(getattr(one, name), end) for one in here])

    lines = {
        "bias": of("bias", "value"),
        "lower limit of agreement": of("lower", "value"),
        "upper limit of agreement": of("upper", "value"),
    }
    bands = {
        "interval of the bias": (of("bias", "low"), of("bias", "high")),
        "interval of the lower limit": (of("lower", "low"), of("lower", "high")),
        "interval of the upper limit": (of("upper", "low"), of("upper", "high")),
    }
    parts.pictures.append(_show.by_level_picture(middle, d, at, lines, bands, unit))
