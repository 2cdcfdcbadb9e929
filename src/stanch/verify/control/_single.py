"""The account of single control results, by level."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.verify.control._common import DEFINITIONS, rule_grid, rule_rates, shift_of
from stanch.verify.control._level import ControlLevel, level_of, numbers_of
from stanch.verify.control._single_grids import counts_grid, limits_grid, rejected_grid, run_lengths
from stanch.verify.control._single_pictures import pictures
from stanch.verify.control.rules import judge, parse
from stanch.verify.equivalence import outcome
from stanch.verify.groups import named_groups
from stanch.verify.intervals import sd_interval
from stanch.verify.records import Account, Bounded, Verdict
from stanch.verify.table import Table, take
from stanch.verify.words import counted

CENSORED = "Means and standard deviations need numbers: censored control results are refused."
Floats = NDArray[np.float64]


def single(table: Table, question: str, settings: dict[str, Any]) -> Account:
    """Charts and rules for results taken one at a time."""
    s = settings
    named = [c for c in (s["run"], s["level"], s["phase"]) if c]
    taken = take(table, numbers=(s["result"],), labels=named, treatment=CENSORED)
    x = taken.numbers[s["result"]]
    names, index = named_groups(taken, s["level"], alone="control")
    run = taken.labels[s["run"]] if s["run"] else None
    phase = taken.labels[s["phase"]] if s["phase"] else None
    levels = [
        level_of(str(name), np.flatnonzero(index == i), i, x, run, phase, s, len(names)) for i, name in enumerate(names)
    ]
    z = np.empty(x.size)
    for level in levels:
        z[level.rows] = (level.chart.value - level.chart.centre) / level.chart.sigma
    rules = tuple(parse(text) for text in s["rules"])
    judged = judge(rules, z, run=run, level=index)
    per_run = 1 if run is None else int(np.bincount(np.bincount(judged.run)).argmax())
    rates_grid, rates_numbers, warned, seed = rule_rates(rules, per_run, s["seed"])
    lengths_grid, lengths = run_lengths(s)
    later = np.concatenate([level.rows[~level.base] for level in levels])
    rejected = np.asarray(judged.rejected.any(axis=0), dtype=bool)
    late_runs = np.unique(judged.run[later])
    numbers = {
        "levels": {level.name: numbers_of(level, s["result"]) for level in levels},
        "runs": int(rejected.size),
        "runs_rejected": int(rejected.sum()),
        "later_runs": int(late_runs.size),
        "later_runs_rejected": int(rejected[late_runs].sum()),
        "runs_rejected_by_rule": judged.runs_by_rule(),
        "rates": rates_numbers,
        "mean_run_lengths": lengths,
        "z": z.tolist() if z.size <= 2000 else None,
    }
    return Account(
        protocol="control",
        title="Internal quality control",
        question=question,
        design=_design(levels, x.size, run, per_run, s),
        data=taken.data,
        verdicts=tuple(v for level in levels for v in _verdicts(level, s, len(levels) > 1)),
        grids=(
            limits_grid(levels, s["unit"]),
            rejected_grid(judged, z, taken.row, index, names),
            counts_grid(judged, levels, rejected, late_runs),
            rule_grid(rules),
            rates_grid,
            lengths_grid,
        ),
        pictures=pictures(levels, s),
        definitions=tuple(DEFINITIONS.values()),
        settings=settings,
        numbers=numbers,
        warnings=(*_warnings(levels), *warned),
        seed=seed,
    )


def _design(
    levels: list[ControlLevel], n: int, run: NDArray[np.str_] | None, per_run: int, s: dict[str, Any]
) -> tuple[str, ...]:
    base = sum(int(level.base.sum()) for level in levels)
    how = (
        "stated"
        if s["sd"]
        else {"moving-range": "from moving ranges", "sd": "as SD of all", "pooled-runs": "pooled inside runs"}[
            s["sigma"]
        ]
    )
    runs = "each result its own run" if run is None else f"mostly {per_run} per run"
    return (
        f"{n} control results at {counted(len(levels), 'level')}, {runs}, in the order of the table.",
        f"Baseline: {base} results; {n - base} later results are judged by it."
        if base < n
        else "All results are baseline: they are judged by limits that they set themselves.",
        f"Standard deviation {how}{' with d2 to three decimals' if s['d2_rounded'] else ''}; limits at {s['width']:g} "
        f"SD; EWMA with weight {s['ewma_weight']:g} and {s['ewma_limits']} limits; CUSUM with k = {s['cusum_k']:g} SD "
        f"and h = {s['cusum_h']:g} SD.",
    )


def _verdicts(level: ControlLevel, s: dict[str, Any], several: bool) -> list[Verdict]:
    unit = s["unit"]
    tail = f", {level.name}" if several else ""
    later = level.chart.value[~level.base] if not level.base.all() else level.chart.value
    what = "later results" if not level.base.all() else "baseline"
    why = f"Only {later.size} {what}." if later.size < 2 else ""
    if level.own_centre and level.base.all():
        why = "There are no later results: the baseline lies on the centre line that it sets itself."
    if why:
        none = Bounded.missing(why, unit)
        return [
            Verdict(
                f"The control keeps its level{tail}",
                none,
                "",
                "undecided" if level.allowed_shift else "no limit stated",
                "",
            )
        ]
    shift = shift_of(later, level.target, level.chart.value[level.base] if level.own_centre else None, unit)
    edge = level.allowed_shift
    rule = f"Met when the whole 90 % interval of the mean of the {what} less the centre line lies inside the limits."
    if level.own_centre:
        rule += " The scatter of the baseline, which sets the line, is part of the interval (Welch)."
    made = [
        Verdict(
            f"The control keeps its level{tail}",
            shift,
            "" if edge is None else f"mean shift within ±{edge:g} {unit}".strip(),
            outcome(shift, None if edge is None else -edge, edge),
            rule,
        )
    ]
    sd = sd_interval(float(later.std(ddof=1)), later.size - 1.0, level=0.90, unit=unit)
    most = level.allowed_sd
    made.append(
        Verdict(
            f"The control scatters no more than allowed{tail}",
            sd,
            "" if most is None else f"standard deviation up to {most:g} {unit}".strip(),
            outcome(sd, None, most),
            f"Met when the whole 90 % interval of the standard deviation of the {what} lies below the limit.",
        )
    )
    return made


def _warnings(levels: list[ControlLevel]) -> tuple[str, ...]:
    said = []
    for v in levels:
        n = int(v.base.sum())
        if n < 20:
            said.append(
                f"{v.name}: limits rest on {n} baseline results; with fewer than 20 they are rough (common practice, "
                "no source), and the rates shown, which take them as known, are too favourable."
            )
        if v.autocorrelation is not None and n >= 10 and abs(v.autocorrelation) > 2 / math.sqrt(n):
            said.append(
                f"{v.name}: neighbouring baseline results are correlated ({v.autocorrelation:.2f}); rates and run "
                "lengths are for independent results."
            )
    return tuple(said)
