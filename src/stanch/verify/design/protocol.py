"""The design protocol: sample size and power of a study of any other protocol."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from stanch.errors import InputError, UsageError
from stanch.verify.design.plans import KINDS, PLANNED, WHAT, Plan, make_plan
from stanch.verify.design.search import smallest
from stanch.verify.intervals import share_interval
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import (
    Account,
    Band,
    Bounded,
    Cell,
    Column,
    DataUsed,
    Definition,
    Grid,
    Level,
    Line,
    Picture,
    Verdict,
)
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]

QUESTION = "How many samples does a study need, and what can it show?"
OFF = (("as assumed", 1.0), ("20 % larger", 1.2), ("20 % smaller", 0.8))
POINTS = 41
FEW_POINTS = 9


def _run(table: Table | None, **given: Any) -> Account:
    if table is not None:
        raise UsageError("table", got="a table", allowed="none: a study is planned before there are data")
    wanted, n = given["power"], given["n"]
    if not 0 < wanted < 1:
        raise InputError("option --power", got=wanted, allowed="above 0 and below 1")
    kind, plan, options = make_plan(given["for"], given["study"], {key: given[key] for key in WHAT})
    if n is not None and n < plan.start:
        raise InputError("option --n", got=n, allowed=f"{plan.start} or more")
    known: dict[tuple[int, float], float] = {}

    def power(count: int, factor: float) -> float:
        if (count, factor) not in known:
            known[count, factor] = min(1.0, max(0.0, plan.power(count, factor)))
        return known[count, factor]

    factors = OFF if plan.scatter else OFF[:1]
    needed = {name: _needed(plan, power, factor, wanted) for name, factor in factors}
    chosen = n if n is not None else needed["as assumed"]
    at = {name: None if chosen is None else power(chosen, factor) for name, factor in factors}
    settings = {"for": given["for"], "study": kind, "power": wanted, "n": n, **options}
    return Account(
        protocol="design",
        title=f"Design of a study: {given['for']}, {kind}",
        question=QUESTION,
        design=(
            f"Success: {plan.shows}.",
            f"Counted: {plan.counted}.",
            *plan.assumptions,
            "Power by simulation of whole studies." if plan.repeats else "Power by formula.",
        ),
        data=DataUsed(source="no data: planned from the options", sha256="", rows=0, used=0),
        verdicts=_verdicts(plan, n, wanted, at["as assumed"]),
        grids=(_grid(plan, factors, needed, chosen, at, wanted), _steps(plan, power, chosen)),
        pictures=(_picture(plan, factors, power, chosen, wanted), *_by_scatter(plan, power, chosen, wanted)),
        definitions=(
            Definition(
                "power",
                "Probability that the study comes to the success stated, if the assumptions are true.",
                "common practice, no source",
            ),
            Definition("the analysis planned for", plan.shows, plan.source),
        ),
        settings=settings,
        numbers={
            "needed": needed["as assumed"],
            "n": chosen,
            "power": _shown(plan, at["as assumed"]),
            "by_scatter": {
                name: {"factor": factor, "needed": needed[name], "power": _shown(plan, at[name])}
                for name, factor in factors
            },
            "simulated_studies": plan.repeats,
        },
        warnings=_warnings(plan, needed, at),
        seed=options.get("seed"),
    )


def _needed(plan: Plan, power: Callable[[int, float], float], factor: float, wanted: float) -> int | None:
    # A power that comes in steps counts only where no larger number does worse.
    ahead = 60 if plan.uneven else 1
    return smallest(lambda n: min(power(n + k, factor) for k in range(ahead)), wanted, start=plan.start, most=plan.most)


def _shown(plan: Plan, power: float | None) -> Bounded:
    if power is None:
        return Bounded.missing("No number gives the power that is wanted.")
    if plan.repeats is None:
        return Bounded(power)
    return share_interval(round(power * plan.repeats), plan.repeats)


def _verdicts(plan: Plan, n: int | None, wanted: float, found: float | None) -> tuple[Verdict, ...]:
    if n is None or found is None:
        return ()
    value = _shown(plan, found)
    low, high = (value.low, value.high) if value.low is not None and value.high is not None else (found, found)
    return (
        Verdict(
            f"{n} {plan.counted} are enough",
            value,
            f"a power of at least {wanted:g}",
            "met" if low >= wanted else "not met" if high < wanted else "undecided",
            "Met when the power is at least the one wanted; for a simulated one, when its whole interval is.",
        ),
    )


def _grid(
    plan: Plan,
    factors: tuple[tuple[str, float], ...],
    needed: dict[str, int | None],
    chosen: int | None,
    at: dict[str, float | None],
    wanted: float,
) -> Grid:
    rows: list[tuple[Cell, ...]] = [
        (name, needed[name] if needed[name] is not None else f"more than {plan.most}", _shown(plan, at[name]))
        for name, _ in factors
    ]
    note = f"Counted: {plan.counted}. The number is the smallest with a power of {wanted:g}."
    if plan.scatter:
        note += f" Larger and smaller: {plan.scatter}."
    if plan.uneven:
        note += " Counts are whole numbers, so the power rises and falls in steps; from the number on it stays above."
    if plan.repeats:
        note += f" {plan.repeats} simulated studies for each power; intervals are exact binomial."
    head = "power at the number planned" if chosen is None else f"power at {chosen}"
    return Grid("Sample size", (Column("scatter"), Column("number needed"), Column(head)), tuple(rows), note)


def _around(plan: Plan, chosen: int | None, points: int) -> list[int]:
    middle = chosen if chosen is not None else plan.start * 20
    low, high = max(plan.start, math.floor(middle / 4)), max(middle * 2, plan.start + 10)
    return sorted({*(round(low + (high - low) * k / (points - 1)) for k in range(points)), max(plan.start, middle)})


def _steps(plan: Plan, power: Callable[[int, float], float], chosen: int | None) -> Grid:
    rows = tuple((n, _shown(plan, power(n, 1.0))) for n in _around(plan, chosen, 9))
    return Grid("Power by number", (Column(plan.counted), Column("power")), rows)


def _picture(
    plan: Plan,
    factors: tuple[tuple[str, float], ...],
    power: Callable[[int, float], float],
    chosen: int | None,
    wanted: float,
) -> Picture:
    at = _around(plan, chosen, FEW_POINTS if plan.costly else POINTS)
    x = tuple(float(n) for n in at)
    layers: list[Any] = []
    for series, (name, factor) in enumerate(factors):
        y = [power(n, factor) for n in at]
        if plan.repeats and factor == 1.0:
            bounds = [_shown(plan, value) for value in y]
            layers.append(
                Band(x, tuple(b.low or 0.0 for b in bounds), tuple(b.high or 0.0 for b in bounds), "", series)
            )
        layers.append(Line(x, tuple(y), name if plan.scatter else "", series))
    layers.append(Level(wanted, "wanted"))
    if chosen is not None:
        layers.append(Level(float(chosen), f"{chosen} planned", axis="x", kind="mean"))
    caption = f"Probability that {plan.shows}, by the number of {plan.counted}."
    if plan.scatter:
        caption += f" Further lines: {plan.scatter} 20 % off."
    return Picture(
        "Power by number",
        "number [-]",
        "power [-]",
        tuple(layers),
        caption=caption,
        alt="No number reaches the power wanted." if chosen is None else f"Power {power(chosen, 1.0):.3f} at {chosen}.",
    )


def _by_scatter(
    plan: Plan, power: Callable[[int, float], float], chosen: int | None, wanted: float
) -> tuple[Picture, ...]:
    if chosen is None or not plan.scatter:
        return ()
    points = FEW_POINTS if plan.costly else POINTS
    factors = [round(0.5 + 1.5 * k / (points - 1), 6) for k in range(points)]
    y = [power(chosen, factor) for factor in factors]
    marks = ", ".join(f"{power(chosen, factor):.2f} at {factor:g}" for factor in (0.8, 1.0, 1.2))
    return (
        Picture(
            "Power by scatter",
            "true over assumed scatter [-]",
            "power [-]",
            (
                Line(tuple(factors), tuple(y)),
                Level(wanted, "wanted"),
                Level(1.0, "as assumed", axis="x", kind="mean"),
            ),
            caption=f"Power of {chosen} {plan.counted}, if {plan.scatter} is in truth another.",
            alt=f"Power {marks} times the assumed scatter.",
        ),
    )


def _warnings(plan: Plan, needed: dict[str, int | None], at: dict[str, float | None]) -> tuple[str, ...]:
    found = []
    if needed["as assumed"] is None:
        found.append(
            f"No number up to {plan.most} gives the power wanted: the limit is too near to what is assumed true."
        )
    larger, as_assumed = at.get("20 % larger"), at["as assumed"]
    if larger is not None and as_assumed is not None and larger < 0.8 * as_assumed:
        found.append(f"With {plan.scatter} 20 % larger the power falls to {larger:.2f}: plan with a pilot or a margin.")
    if plan.repeats:
        found.append("The number needed is itself simulated: another seed may move it by a few.")
    return tuple(found)


NUMBERS = {
    "sd": "Assumed standard deviation: of a result, of pairs' differences or of ln ratios, as the study says.",
    "other-sd": "That of the second method; the same when not given.",
    "between-sd": "Assumed standard deviation between runs.",
    "range-sd": "Standard deviation of the true values among samples (of ln early modulus for hold).",
    "allowed": "What the laboratory allows: a difference, a standard deviation, a ratio, or a slope's distance from 1.",
    "difference": "True difference, bias or shift; 0 unless given, except where it is what must be found.",
    "ratio": "True ratio; 1 unless given.",
    "slope": "True slope; 1 unless given.",
    "true-share": "True share of successes.",
    "claimed-share": "Share that must be exceeded.",
    "share": "Share of the population; 0.95 unless given.",
    "area": "True area under the ROC curve.",
    "claimed-area": "Area that must be exceeded.",
    "healthy-per-diseased": "Healthy for each diseased; 1 unless given.",
    "limit": "Control limit or score limit in standard deviations; 3 unless given.",
    "alpha": "Error of each one-sided test, or of the two-sided test or interval; 0.05 unless given.",
}
COUNTS = {
    "replicates": "Results in each run; 2 (5 for a claim) for precision and 1 for control unless given.",
    "levels": "Levels; 5 unless given.",
    "wells": "Wells; 6 unless given.",
    "draws": "Simulated studies; 2000 unless given.",
    "seed": "Of the simulation; 0 unless given.",
}
MOST = {"replicates": 1000, "levels": 1000, "wells": 1000, "draws": 1_000_000, "seed": 2**63 - 1}
STUDIES = "; ".join(f"{name}: {', '.join(kinds)}" for name, kinds in KINDS.items())

PROTOCOL = Protocol(
    "design",
    QUESTION,
    "Plans a study of another protocol from what is assumed; no table is read.",
    (
        Option("for", "choice", "Protocol the study is for.", required=True, choices=PLANNED),
        Option("study", "text", f"Kind of study, the first unless given. {STUDIES}."),
        Option("power", "number", "Power wanted.", default=0.9),
        Option("n", "count", "Number planned, where its power is asked for.", most=10_000_000),
        *(Option(name, "number", text) for name, text in NUMBERS.items()),
        Option("rules", "texts", "Control rules, as the control protocol writes them."),
        *(Option(name, "count", text, most=MOST[name]) for name, text in COUNTS.items()),
    ),
    _run,
    needs_table=False,
)
