"""The interference protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.interference.carryover import CarryOver, carry_over_regression, carry_over_sequences
from stanch.verify.interference.dose import dose_response
from stanch.verify.interference.paired import paired_interference
from stanch.verify.interference.pictures import dose_picture, paired_picture, share_picture
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account, Cell, Column, Definition, Grid, Verdict
from stanch.verify.scales import allowed_text, grouped, shown
from stanch.verify.table import Table, Taken, take

__all__ = ["PROTOCOL"]

QUESTION = "Does anything in the sample, its handling or the sample before it move the result too far?"
REFUSED = "Mean changes need numbers: results known only as a bound are refused, not guessed."

EQUIVALENCE = Definition(
    "equivalence",
    "Both one-sided t tests at alpha reject; the same as the 1 − 2 alpha interval inside the limits.",
    "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory",
)
TOLERATED = Definition(
    "tolerated dose",
    "Where the curve of the mean change leaves the allowed change. Its near limit, where the pointwise band first "
    "touches the allowed change, is the one to state: a one-sided limit of level 1 − alpha. What the tested range does "
    "not reach is not extrapolated.",
    "Inversion of a confidence band, as Fieller EC. J R Stat Soc B 16:175-185 (1954), from memory",
)


def _run(table: Table, **settings: Any) -> Account:
    design = settings["design"]
    run = {"paired": _paired, "dose": _dose, "stability": _dose, "carry-over": _carry_over}[design]
    return run(table, settings)


def _base(settings: dict[str, Any], title: str, taken: Taken, **rest: Any) -> Account:
    return Account(
        protocol="interference", title=title, question=QUESTION, data=taken.data, settings=dict(settings), **rest
    )


def _paired(table: Table, s: dict[str, Any]) -> Account:
    pool = s["pool"]
    names = (pool,) if pool else ()
    taken = take(table, numbers=(s["control"], s["test"]), labels=names, treatment=REFUSED)
    control, test = taken.numbers[s["control"]], taken.numbers[s["test"]]
    pools, place = grouped(taken.labels[pool]) if pool else (np.array(["all"]), np.zeros(control.size, dtype=np.intp))
    order = np.argsort(place, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(place, minlength=pools.size))[:-1])
    found = [
        paired_interference(
            control[k],
            test[k],
            allowed=s["allowed"],
            scale=s["scale"],
            pairing=s["pairing"],
            alpha=s["alpha"],
            unit=s["unit"],
        )
        for k in parts
    ]
    what = "ratio test over control" if s["scale"] == "ratio" else "difference test minus control"
    limit = allowed_text(s["allowed"], s["scale"], s["unit"], what)
    verdicts = tuple(
        Verdict(
            f"{s['factor'].capitalize()} does not matter" + (f" in pool {name}" if pool else ""),
            one.effect,
            limit,
            one.equivalence.outcome,
            f"Met when the whole {100 * one.effect.level:g} % interval lies inside the limits.",
        )
        for name, one in zip(pools, found)
    )
    rows: list[tuple[Cell, ...]] = [
        (str(name), one.n, one.effect, one.wide, one.equivalence.p) for name, one in zip(pools, found)
    ]
    columns = ("pool", "number", f"effect, {100 * found[0].effect.level:g} % interval", "effect, 95 % interval", "p")
    return _base(
        s,
        f"Interference by {s['factor']}: test against control",
        taken,
        design=(
            f"{control.size} results with and {control.size} without {s['factor']}, in {pools.size} pool(s).",
            "Results in one row belong to one sample."
            if s["pairing"] == "pairs"
            else "Both columns are replicates of two pools; rows are not pairs (Welch).",
            "Two one-sided tests in each pool; a claim for all pools needs every one of them met.",
        ),
        verdicts=verdicts,
        grids=(Grid(what.capitalize(), tuple(Column(c) for c in columns), tuple(rows)),),
        pictures=(paired_picture(control, test, found, pools.tolist(), s),),
        definitions=(EQUIVALENCE,),
        numbers={
            "pools": [str(name) for name in pools],
            "effect": [one.effect for one in found],
            "effect_95": [one.wide for one in found],
            "p_equivalence": [one.equivalence.p for one in found],
            "n": [one.n for one in found],
        },
        warnings=_limit_warning(s),
    )


def _limit_warning(s: dict[str, Any]) -> tuple[str, ...]:
    return () if s["allowed"] is not None else ("No allowed change was stated, so nothing is claimed.",)


def _dose(table: Table, s: dict[str, Any]) -> Account:
    stability = s["design"] == "stability"
    along = s["time"] if stability else s["dose"]
    labels = (s["sample"],) if s["sample"] else ()
    taken = take(table, numbers=(along, s["result"]), labels=labels, treatment=REFUSED)
    names = taken.labels[s["sample"]] if s["sample"] else None
    x, y = taken.numbers[along], taken.numbers[s["result"]]
    found = dose_response(
        x,
        y,
        names,
        allowed=s["allowed"],
        scale=s["scale"],
        reference=s["reference"],
        claim=s["claim"],
        order=s["order"],
        slopes=s["slopes"],
        alpha=s["alpha"],
        unit=s["unit"],
    )
    change = found.change
    word, unit = ("time", s["along_unit"]) if stability else ("dose", s["along_unit"])
    what = "ratio to the reference" if s["scale"] == "ratio" else "change from the reference"
    far = shown(change.at(change.high if change.high != change.reference else change.low), s["scale"], s["unit"])
    verdicts = []
    if s["claim"] is not None and found.claimed is not None:
        verdicts.append(
            Verdict(
                f"Up to {s['claim']:g} {unit} of {s['factor']} the result holds".replace("  ", " "),
                found.claimed,
                allowed_text(s["allowed"], s["scale"], s["unit"], what),
                found.outcome,
                f"Met when the {100 * (1 - 2 * s['alpha']):g} % band stays inside the limits all the way from the "
                f"reference to the claimed {word}.",
            )
        )
    else:
        verdicts.append(
            Verdict(
                f"Effect of {s['factor']} at the end of the tested range",
                far,
                "",
                "no limit stated",
                f"A claim is judged where a {word} is claimed.",
            )
        )
    ends: list[tuple[Cell, ...]] = [
        ("reference", change.reference, unit),
        ("tested from", change.low, unit),
        ("tested to", change.high, unit),
    ]
    for side, one in (("above", found.tolerated_up), ("below", found.tolerated_down)):
        if one is not None:
            ends.append((f"allowed change exceeded, {side} the reference", one, unit))
    rate = "logarithm" if s["scale"] == "ratio" else s["unit"]
    ends.append(("slope at the reference", found.slope, f"{rate}/{unit}" if unit and rate else rate or unit))
    levels = Grid(
        f"Change seen at every {word}",
        (Column(word, unit), Column("samples"), Column(what, "" if s["scale"] == "ratio" else s["unit"])),
        tuple((one.dose, one.samples, one.effect) for one in found.levels),
        "Against the same samples at the reference; no curve is assumed.",
    )
    return _base(
        s,
        f"Stability: {s['factor']}" if stability else f"Dose and response: {s['factor']}",
        taken,
        design=_dose_design(found, s, word),
        verdicts=tuple(verdicts),
        grids=(
            Grid(f"{s['factor'].capitalize()}", (Column("quantity"), Column("value"), Column("unit")), tuple(ends)),
            levels,
        ),
        pictures=(dose_picture(x, y, names, found, s, word),),
        definitions=(EQUIVALENCE, TOLERATED),
        numbers={
            "tolerated_up": found.tolerated_up,
            "tolerated_down": found.tolerated_down,
            "claimed_effect": found.claimed,
            "slope": found.slope,
            "samples": change.samples,
            "left_out_samples": change.left_out,
            "df": change.df,
            "residual_sd": change.residual_sd,
            "misfit": found.misfit,
            "levels": [[one.dose, one.effect] for one in found.levels],
        },
        warnings=_dose_warnings(found, s, word),
    )


def _dose_design(found: Any, s: dict[str, Any], word: str) -> tuple[str, ...]:
    change = found.change
    spread = (
        "Each sample has a curve of its own; the mean curve has a t interval over samples (random coefficients)."
        if change.slopes == "vary"
        else "One curve for all samples, each with a level of its own."
    )
    return (
        f"{change.n} results of {change.samples} sample(s), {word} {change.low:g} to {change.high:g}.",
        f"Polynomial of order {change.order} within samples" + (", on logarithms." if s["scale"] == "ratio" else "."),
        spread,
    )


def _dose_warnings(found: Any, s: dict[str, Any], word: str) -> tuple[str, ...]:
    out = list(_limit_warning(s))
    change = found.change
    if change.left_out:
        out.append(f"{change.left_out} samples had too few different {word}s for a curve of their own.")
    if change.slopes == "common" and change.samples > 1:
        out.append("Common slopes: if samples respond differently, the interval is too short.")
    if change.samples == 1:
        out.append("One sample only: other samples may respond differently, and no interval here covers that.")
    if found.misfit is not None and s["allowed"] is not None:
        edge = np.log(s["allowed"]) if s["scale"] == "ratio" else s["allowed"]
        if found.misfit > 0.25 * edge:
            out.append(
                f"A curve of order {change.order + 1} differs by {100 * (found.misfit / edge):.0f} % of the allowed "
                "change somewhere in the tested range: look at the picture before trusting this one."
            )
    if not change.low <= change.reference <= change.high:
        out.append(f"The reference lies outside the tested {word}s: the change is extrapolated to it.")
    return tuple(out)


def _carry_over(table: Table, s: dict[str, Any]) -> Account:
    if s["sample"] is None:
        raise InputError("option --sample", got="nothing", allowed="the column that names the samples")
    numbers = (s["result"], *((s["order_of"],) if s["order_of"] else ()))
    labels = (s["sample"], *((s["series"],) if s["series"] else ()))
    taken = take(table, numbers=numbers, labels=labels, treatment=REFUSED)
    y, sample = taken.numbers[s["result"]], taken.labels[s["sample"]]
    series = taken.labels[s["series"]] if s["series"] else np.full(y.size, "1")
    order = np.arange(y.size)
    if s["order_of"]:
        runs = np.unique(series, return_inverse=True)[1].reshape(-1)
        order = np.lexsort((taken.numbers[s["order_of"]], runs))
    y, sample, series = y[order], sample[order], series[order]
    if s["scheme"] == "sequences":
        high, low = _sequences(y, sample, series, s)
        found = carry_over_sequences(high, low, allowed=s["allowed"], alpha=s["alpha"], unit=s["unit"])
        how = f"{found.n} sequences of {high.shape[1]} high results followed by {low.shape[1]} low ones."
    else:
        found = carry_over_regression(y, sample, series=series, allowed=s["allowed"], alpha=s["alpha"], unit=s["unit"])
        how = f"{found.n} results in mixed order; regression on the sample before."
    limit = "" if s["allowed"] is None else f"share within ±{s['allowed']:g}"
    return _base(
        s,
        "Carry-over",
        taken,
        design=(how, "Rows stand in the order of measurement." if not s["order_of"] else "Sorted by the order column."),
        verdicts=(
            Verdict(
                "No carry-over that matters",
                found.share,
                limit,
                found.outcome,
                f"Met when the whole {100 * found.share.level:g} % interval of the share lies inside the limits.",
            ),
        ),
        grids=(_carry_grid(found, s),),
        pictures=(share_picture(y, sample, found, s),),
        definitions=(
            Definition(
                "carry-over",
                "Share of the sample before found in the next result: (L1 − Ln)/(Hn − Ln) in a sequence of high and "
                "low results, or the coefficient of the sample before in random order.",
                "Broughton PMG et al. Ann Clin Biochem 11:207-218 (1974), from memory",
            ),
        ),
        numbers={
            "share": found.share,
            "rise": found.rise,
            "high_share": found.high_share,
            "each": list(found.each[:1000]),
            "n": found.n,
        },
        warnings=_limit_warning(s),
    )


def _carry_grid(found: CarryOver, s: dict[str, Any]) -> Grid:
    rows: tuple[tuple[Cell, ...], ...] = (
        ("share of the sample before", found.share),
        ("the same in high samples after low ones", found.high_share),
        ("effect on a result", found.rise),
    )
    return Grid("Carry-over", (Column("quantity"), Column("value")), rows)


def _sequences(
    y: NDArray[np.float64], sample: NDArray[np.str_], series: NDArray[np.str_], s: dict[str, Any]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    for key in ("high", "low"):
        if s[key] is None:
            raise InputError(f"option --{key}", got="nothing", allowed="the name of that sample in the sample column")
    named = np.isin(sample, (s["high"], s["low"]))
    if not named.all():
        got = str(sample[~named][0])
        raise InputError("sample names", got=got, allowed=f"{s['high']} and {s['low']}")
    is_high = sample == s["high"]
    turn = is_high[1:] & (~is_high[:-1] | (series[1:] != series[:-1]))
    part = np.r_[0, np.cumsum(turn | (series[1:] != series[:-1]))]
    width = (np.bincount(part, is_high), np.bincount(part, ~is_high))
    if any((w != w[0]).any() or w[0] < 2 for w in width) or not is_high[0]:
        raise InputError(
            "sequences",
            got="high and low results in unequal numbers, or fewer than two in a row",
            allowed="the same number (two or more) of high results followed by low ones in every sequence",
            do="Choose the scheme random for results in any other order.",
        )
    h, n = int(width[0][0]), int(width[1][0])
    table = y.reshape(-1, h + n)
    return table[:, :h], table[:, h:]


_RESULT = ("dose", "stability", "carry-over")

PROTOCOL = Protocol(
    "interference",
    QUESTION,
    "Test and control results, results along a dose or a time, or results in the order of measurement.",
    (
        Option(
            "design",
            "choice",
            "How the study was laid out.",
            choices=("paired", "dose", "stability", "carry-over"),
            required=True,
        ),
        Option(
            "control",
            "column",
            "Column with the results without the interfering matter.",
            required=True,
            designs=("paired",),
        ),
        Option(
            "test", "column", "Column with the results with the interfering matter.", required=True, designs=("paired",)
        ),
        Option("pool", "column", "Column naming the pool or level; each is judged on its own.", designs=("paired",)),
        Option(
            "pairing",
            "choice",
            "Whether a row is one sample or the columns are replicates of two pools.",
            default="pairs",
            choices=("pairs", "pools"),
            designs=("paired",),
        ),
        Option(
            "dose",
            "column",
            "Column with the dose, dilution, haematocrit or temperature.",
            required=True,
            designs=("dose",),
        ),
        Option(
            "time",
            "column",
            "Column with the time since draw, rest or transport.",
            required=True,
            designs=("stability",),
        ),
        Option("result", "column", "Column with the results.", required=True, designs=_RESULT),
        Option("sample", "column", "Column naming the sample or donor.", designs=_RESULT),
        Option("reference", "number", "Dose or time without effect.", default=0.0, designs=("dose", "stability")),
        Option("claim", "number", "Dose or time up to which the result is to hold.", designs=("dose", "stability")),
        Option("order", "count", "Order of the polynomial, 1 to 3.", default=1, designs=("dose", "stability")),
        Option(
            "slopes",
            "choice",
            "Whether samples may respond differently; by default they may where there are several.",
            choices=("vary", "common"),
            designs=("dose", "stability"),
        ),
        Option("along-unit", "text", "Unit of the dose or time.", default="", designs=("dose", "stability")),
        Option(
            "order-of",
            "column",
            "Column with the order of measurement; by default that of the rows.",
            designs=("carry-over",),
        ),
        Option(
            "series", "column", "Column naming the run; the first of a run follows nothing.", designs=("carry-over",)
        ),
        Option(
            "scheme",
            "choice",
            "Sequences of high and low results, or random order.",
            default="sequences",
            choices=("sequences", "random"),
            designs=("carry-over",),
        ),
        Option("high", "text", "Name of the high sample.", designs=("carry-over",)),
        Option("low", "text", "Name of the low sample.", designs=("carry-over",)),
        Option(
            "allowed",
            "number",
            "Largest change allowed, in the unit of the results; a ratio above 1 on the scale ratio; a share for "
            "carry-over.",
        ),
        Option(
            "scale",
            "choice",
            "Differences or ratios.",
            default="difference",
            choices=("difference", "ratio"),
            designs=("paired", "dose", "stability"),
        ),
        Option("factor", "text", "What is tested, in words.", default="the factor"),
        Option("alpha", "number", "Error of each one-sided test.", default=0.05),
        Option("unit", "text", "Unit of the results.", default=""),
    ),
    _run,
)
