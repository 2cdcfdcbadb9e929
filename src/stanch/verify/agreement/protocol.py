"""The agreement protocol: from a table to an account."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import UsageError
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account, DataUsed
from stanch.verify.table import Table, Taken, take

__all__ = ["PROTOCOL"]

Floats = NDArray[np.float64]

QUESTION = "Do two methods give the same result on the same samples, and if not, by how much do they differ?"
REFUSED = (
    "A line through both methods needs numbers: results known only as bounds are refused. Leave such samples out "
    "only if "
    "both methods' ranges end there, and say so; or use --design differences --limits ranks, which keeps bounds by "
    "rank."
)
REFUSED_DIFFERENCES = (
    "A standard deviation of differences needs numbers: results known only as bounds are refused. Use --limits "
    "ranks, which "
    "keeps them by rank."
)
KEPT = "Results known only as bounds keep their side in the ranks; a limit that would change with them is not given."
TITLES = {
    "deming": "Agreement of two methods: Deming regression",
    "weighted-deming": "Agreement of two methods: weighted Deming regression",
    "known-errors": "Agreement of two methods: line with known errors",
    "passing-bablok": "Agreement of two methods: Passing-Bablok regression",
    "differences": "Agreement of two methods: differences",
}


def _run(table: Table, **options: Any) -> Account:
    o = dict(options)
    _consistent(o)
    if o["design"] == "differences" and o["repeats"] != "none":
        parts, data, amplitudes = _repeated(table, o)
    else:
        parts, data, amplitudes = _single(table, o)
    if amplitudes is not None:
        from stanch.verify.agreement import _pin

        parts.grids.append(_pin.pin_grid(amplitudes, o["pin_constant"]))
        parts.pictures = [*parts.pictures[:3], _pin.pin_picture(amplitudes, o["pin_constant"])]
        parts.definitions.append(_pin.pin_definition(o["pin_constant"]))
        parts.design.append(f"Pin amplitudes ({o['amplitude']}) were converted to moduli before anything was compared.")
        parts.warnings.append(
            "Moduli converted from pin amplitudes share one constant, which belongs to one geometry and wire: a "
            "slope or a "
            "bias in Pa includes its error."
        )
    settings = {key: value for key, value in o.items() if key != "ratio_words"}
    return Account(
        protocol="agreement",
        title=TITLES[o["design"]],
        question=QUESTION,
        design=tuple(parts.design),
        data=data,
        verdicts=tuple(parts.verdicts),
        grids=tuple(parts.grids),
        pictures=tuple(parts.pictures),
        definitions=tuple(parts.definitions),
        settings=settings,
        numbers=parts.numbers,
        warnings=tuple(parts.warnings),
        seed=o["seed"] if parts.seeded else None,
    )


def _consistent(o: dict[str, Any]) -> None:
    if o["x"] == o["y"]:
        raise UsageError("option --y", got=o["y"], allowed="another column than --x")
    if (o["x_again"] is None) != (o["y_again"] is None):
        raise UsageError("options --x-again and --y-again", got="only one of them", allowed="both, or neither")
    if o["x_again"] is not None and o["error_ratio"] is not None:
        raise UsageError("option --error-ratio", got="given with duplicates", allowed="one source of the ratio")
    if o["repeats"] != "none" and o["sample"] is None:
        raise UsageError(
            "option --sample", got="nothing", allowed="the column naming the sample or subject", do="Give it."
        )
    if o["amplitude"] != "none" and o["unit"] not in ("", "Pa"):
        raise UsageError(
            "option --unit", got=o["unit"], allowed="Pa with --amplitude, since amplitudes become moduli in Pa"
        )
    if o["amplitude"] != "none":
        o["unit"] = "Pa"


def _single(table: Table, o: dict[str, Any]) -> tuple[Any, DataUsed, Floats | None]:
    from stanch.verify.agreement._difference_account import difference_parts
    from stanch.verify.agreement._line_account import line_parts

    names = [o["x"], o["y"]]
    names += [o[key] for key in ("x_again", "y_again", "x_sd", "y_sd") if o[key] is not None]
    differences = o["design"] == "differences"
    if differences and o["limits"] == "ranks":
        taken = take(table, numbers=names, censored="keep", treatment=KEPT)
    else:
        taken = take(table, numbers=names, treatment=REFUSED_DIFFERENCES if differences else REFUSED)
    sd = None if o["design"] != "known-errors" else (taken.numbers[o["x_sd"]], taken.numbers[o["y_sd"]])
    x, y, sd, amplitudes = _converted(taken.numbers[o["x"]], taken.numbers[o["y"]], sd, o)
    if differences:
        return difference_parts(x, y, o, taken), taken.data, amplitudes
    if o["design"] in ("deming", "weighted-deming"):
        x, y = _ratio(taken, x, y, o)
    return line_parts(x, y, o, sd), taken.data, amplitudes


def _repeated(table: Table, o: dict[str, Any]) -> tuple[Any, DataUsed, Floats | None]:
    from stanch.verify.agreement._difference_account import repeated_parts

    subject = [o["sample"]]
    if o["repeats"] == "varying":
        taken = take(table, numbers=(o["x"], o["y"]), labels=subject, treatment=REFUSED_DIFFERENCES)
        x, y, _, amplitudes = _converted(taken.numbers[o["x"]], taken.numbers[o["y"]], None, o)
        names = taken.labels[o["sample"]]
        return repeated_parts(names, x, names, y, o), taken.data, amplitudes
    one, two = (take(table, numbers=(o[key],), labels=subject, treatment=REFUSED_DIFFERENCES) for key in "xy")
    x, _, _, seen_x = _converted(one.numbers[o["x"]], np.empty(0), None, o, only="x")
    _, y, _, seen_y = _converted(np.empty(0), two.numbers[o["y"]], None, o, only="y")
    seen = [part for part in (seen_x, seen_y) if part is not None]
    data = _joined(one.data, two.data, int(np.union1d(one.row, two.row).size))
    parts = repeated_parts(one.labels[o["sample"]], x, two.labels[o["sample"]], y, o)
    return parts, data, np.concatenate(seen) if seen else None


def _joined(one: DataUsed, two: DataUsed, used: int) -> DataUsed:
    """Readings of both methods are taken apart from each other: a row counts as used where either has a value."""
    return replace(
        one,
        used=used,
        missing={**one.missing, **two.missing},
        censored={**one.censored, **two.censored},
        excluded=tuple(dict.fromkeys((*one.excluded, *two.excluded))),
    )


def _converted(
    x: Floats, y: Floats, sd: tuple[Floats, Floats] | None, o: dict[str, Any], only: str = "xy"
) -> tuple[Floats, Floats, tuple[Floats, Floats] | None, Floats | None]:
    """Both methods with pin amplitudes turned into moduli, and the amplitudes there were."""
    from stanch.verify.agreement.amplitude import amplitude_to_modulus

    if o["amplitude"] == "none":
        return x, y, sd, None
    values, errors, seen = [x, y], list(sd or ()), []
    for place, name in enumerate("xy"):
        if o["amplitude"] not in (name, "both") or name not in only:
            continue
        given = values[place]
        seen.append(given)
        values[place] = amplitude_to_modulus(given, constant=o["pin_constant"], name=f"column {o[name]}")
        if errors:
            # dG/dA of the same conversion: an error of an amplitude grows steeply towards 100.
            errors[place] = errors[place] * 100 * o["pin_constant"] / (100 - given) ** 2
    spread = (errors[0], errors[1]) if errors else None
    return values[0], values[1], spread, np.concatenate(seen) if seen else None


def _ratio(taken: Taken, x: Floats, y: Floats, o: dict[str, Any]) -> tuple[Floats, Floats]:
    """Settle the error ratio; with duplicates it comes from them, and their means are compared."""
    from stanch.verify.agreement.deming import ratio_from_duplicates

    if o["x_again"] is None:
        given = o["error_ratio"] is not None
        o["error_ratio"] = o["error_ratio"] if given else 1.0
        o["ratio_words"] = f"Error ratio {o['error_ratio']:.6g} (variance of x errors over variance of y errors), " + (
            "as stated." if given else "by default: both methods taken as equally precise."
        )
        return x, y
    x_again, y_again, _, _ = _converted(taken.numbers[o["x_again"]], taken.numbers[o["y_again"]], None, o)
    proportional = o["design"] == "weighted-deming"
    o["error_ratio"] = ratio_from_duplicates(x, x_again, y, y_again, proportional=proportional)
    o["ratio_words"] = (
        f"Error ratio {o['error_ratio']:.6g} (variance of x errors over variance of y errors) from the duplicates"
        + (", relative to the mean of each pair" if proportional else "")
        + "; the means of the duplicates are compared."
    )
    return (x + x_again) / 2, (y + y_again) / 2


LINES = ("deming", "weighted-deming", "known-errors", "passing-bablok")
DEMING = ("deming", "weighted-deming")
DIFFERENCES = ("differences",)

PROTOCOL = Protocol(
    "agreement",
    QUESTION,
    "Results of both methods on the same samples, one sample per row (one reading per row with --repeats).",
    (
        Option(
            "design",
            "choice",
            "Line with errors in both methods, errors growing with the level, errors known point by point, line from "
            "ranks, or differences.",
            default="deming",
            choices=(*LINES, *DIFFERENCES),
        ),
        Option("x", "column", "Column with the results of the method compared with.", required=True),
        Option("y", "column", "Column with the results of the method under test.", required=True),
        Option("unit", "text", "Unit of both methods, as it should be printed.", default=""),
        Option("levels", "numbers", "Decision levels at which the bias is wanted, in the unit of the results."),
        Option("allowed-bias", "numbers", "Largest bias allowed, one or one per level, in the unit of the results."),
        Option(
            "allowed-bias-percent",
            "numbers",
            "Largest bias allowed in percent of the level, one or one per level; beside --allowed-bias the larger "
            "counts.",
        ),
        Option("confidence", "number", "Probability of the intervals.", default=0.95),
        Option(
            "error-ratio",
            "number",
            "Variance of the errors of x over the variance of the errors of y (square a ratio of SDs or CVs); 1 when "
            "neither it nor duplicates are given.",
            designs=DEMING,
        ),
        Option(
            "x-again", "column", "Second result of x on the same sample; duplicates supply the ratio.", designs=DEMING
        ),
        Option("y-again", "column", "Second result of y on the same sample.", designs=DEMING),
        Option(
            "interval",
            "choice",
            "How intervals of the line are made; analytic belongs to deming only.",
            default="jackknife",
            choices=("jackknife", "analytic", "bootstrap"),
            designs=DEMING,
        ),
        Option(
            "weight-floor",
            "number",
            "Level below which errors stop shrinking, in the unit of the results.",
            designs=("weighted-deming",),
        ),
        Option(
            "x-sd",
            "column",
            "Column with the standard uncertainty of each x, in the unit of x.",
            required=True,
            designs=("known-errors",),
        ),
        Option(
            "y-sd",
            "column",
            "Column with the standard uncertainty of each y, in the unit of y.",
            required=True,
            designs=("known-errors",),
        ),
        Option(
            "error-correlation",
            "number",
            "Correlation of the errors of x and y on the same sample.",
            default=0.0,
            designs=("known-errors",),
        ),
        Option(
            "relation",
            "choice",
            "Methods that share a unit with a slope near 1, or any slope above 0 (median of absolute slopes).",
            default="same",
            choices=("same", "general"),
            designs=("passing-bablok",),
        ),
        Option(
            "rank-rounding",
            "choice",
            "How the ranks of the slope limits become whole numbers.",
            default="nearest",
            choices=("nearest", "outward"),
            designs=("passing-bablok",),
        ),
        Option(
            "bias-interval",
            "choice",
            "How the interval of the bias at a level is made; auto: bootstrap up to 200 samples, influence above.",
            default="auto",
            choices=("auto", "bootstrap", "influence"),
            designs=("passing-bablok",),
        ),
        Option(
            "scale",
            "choice",
            "Differences in the unit, in percent of the mean, or as ratios.",
            default="difference",
            choices=("difference", "percent", "ratio"),
            designs=DIFFERENCES,
        ),
        Option(
            "limits",
            "choice",
            "One pair of limits, limits that follow the level, or limits by rank.",
            default="constant",
            choices=("constant", "by-level", "ranks"),
            designs=DIFFERENCES,
        ),
        Option(
            "repeats",
            "choice",
            "Repeated readings of one true value, or of a subject whose true value varies between paired readings.",
            default="none",
            choices=("none", "constant", "varying"),
            designs=DIFFERENCES,
        ),
        Option("sample", "column", "Column naming the sample or subject, with --repeats.", designs=DIFFERENCES),
        Option(
            "multiplier",
            "number",
            "Standard deviations from the bias to each limit; 1.96, or 2 as in 1986.",
            default=1.96,
            designs=DIFFERENCES,
        ),
        Option(
            "coverage",
            "number",
            "Share of the differences between limits by rank.",
            default=0.95,
            designs=DIFFERENCES,
        ),
        Option(
            "limit-interval",
            "choice",
            "Interval of each limit: exact (non-central t), or the approximation of 1986 or 1999.",
            default="exact",
            choices=("exact", "1986", "1999"),
            designs=DIFFERENCES,
        ),
        Option(
            "allowed-difference",
            "number",
            "Largest difference allowed to the limits of agreement, in the unit, in % or as a ratio by --scale.",
            designs=DIFFERENCES,
        ),
        Option(
            "amplitude",
            "choice",
            "Which columns hold torsion-pin amplitudes (0 to below 100), to be turned into moduli first.",
            default="none",
            choices=("none", "x", "y", "both"),
        ),
        Option("pin-constant", "number", "Modulus at amplitude 50, in Pa.", default=500.0),
        Option("draws", "count", "Bootstrap draws.", default=1000, most=1_000_000),
        Option("seed", "count", "Seed of the random draws.", default=0),
    ),
    _run,
)
