"""The account of single control results, by level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.control._common import (
    DEFINITIONS,
    SHIFTS,
    baseline_flags,
    chart_layers,
    rule_grid,
    rule_rates,
    signal_grid,
    thin,
    thin_note,
)
from stanch.verify.control.charts import (
    Chart,
    Sums,
    cumulative_sums,
    individuals,
    moving_ranges,
    weighted_averages,
)
from stanch.verify.control.rules import Judged, judge, parse
from stanch.verify.control.runlength import cusum_run_length, ewma_run_length
from stanch.verify.equivalence import outcome
from stanch.verify.intervals import mean_interval, sd_interval, share_interval
from stanch.verify.records import Account, Bounded, Column, Grid, Level, Line, Picture, Points, Verdict
from stanch.verify.scales import grouped
from stanch.verify.table import Table, take

CENSORED = "Means and standard deviations need numbers: censored control results are refused."
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Level:
    name: str
    rows: NDArray[np.intp]
    base: NDArray[np.bool_]
    chart: Chart
    ranges: Chart | None
    average: Chart
    sums: Sums
    autocorrelation: float | None
    target: float
    own_centre: bool
    allowed_shift: float | None
    allowed_sd: float | None


def single(table: Table, question: str, settings: dict[str, Any]) -> Account:
    """Charts and rules for results taken one at a time."""
    s = settings
    named = [c for c in (s["run"], s["level"], s["phase"]) if c]
    taken = take(table, numbers=(s["result"],), labels=named, treatment=CENSORED)
    x = taken.numbers[s["result"]]
    names, index = grouped(taken.labels[s["level"]]) if s["level"] else (np.array(["control"]), np.zeros(x.size, int))
    run = taken.labels[s["run"]] if s["run"] else None
    phase = taken.labels[s["phase"]] if s["phase"] else None
    levels = [
        _level(str(name), np.flatnonzero(index == i), i, x, run, phase, s, len(names)) for i, name in enumerate(names)
    ]
    z = np.empty(x.size)
    for level in levels:
        z[level.rows] = (level.chart.value - level.chart.centre) / level.chart.sigma
    rules = tuple(parse(text) for text in s["rules"])
    judged = judge(rules, z, run=run, level=index)
    per_run = 1 if run is None else int(np.bincount(np.bincount(judged.run)).argmax())
    rates_grid, rates_numbers, warned, seed = rule_rates(rules, per_run, s["seed"])
    lengths_grid, lengths = _run_lengths(s)
    later = np.concatenate([level.rows[~level.base] for level in levels])
    rejected = np.asarray(judged.rejected.any(axis=0), dtype=bool)
    late_runs = np.unique(judged.run[later])
    numbers = {
        "levels": {level.name: _numbers(level, s["result"]) for level in levels},
        "runs": int(rejected.size),
        "runs_rejected": int(rejected.sum()),
        "later_runs": int(late_runs.size),
        "later_runs_rejected": int(rejected[late_runs].sum()),
        "runs_rejected_by_rule": {r.name: int(judged.rejected[i].sum()) for i, r in enumerate(rules)},
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
            _limits_grid(levels, s["unit"]),
            _rejected_grid(judged, z, taken.row, index, names),
            _counts_grid(judged, levels, rejected, late_runs),
            rule_grid(rules),
            rates_grid,
            lengths_grid,
        ),
        pictures=_pictures(levels, s),
        definitions=tuple(DEFINITIONS.values()),
        settings=settings,
        numbers=numbers,
        warnings=(*_warnings(levels), *warned),
        seed=seed,
    )


def _of_level(given: tuple[float, ...] | None, i: int, count: int, name: str, *, one: bool = False) -> float | None:
    if not given:
        return None
    if one and len(given) == 1:
        return float(given[0])
    if len(given) != count:
        raise InputError(name, got=f"{len(given)} numbers", allowed=f"one for each of {count} levels, in table order")
    return float(given[i])


def _level(
    name: str,
    rows: NDArray[np.intp],
    i: int,
    x: Floats,
    run: NDArray[np.str_] | None,
    phase: NDArray[np.str_] | None,
    s: dict[str, Any],
    count: int,
) -> _Level:
    values = x[rows]
    base = baseline_flags(rows.size, s["baseline"], None if phase is None else phase[rows], s["baseline_phase"])
    chart = individuals(
        values,
        centre=_of_level(s["mean"], i, count, "--mean"),
        sigma=_of_level(s["sd"], i, count, "--sd"),
        method=s["sigma"].replace("-", " "),
        run=None if run is None else run[rows],
        baseline=base,
        width=s["width"],
        rounded=s["d2_rounded"],
    )
    start = _of_level(s["ewma_start"], i, count, "--ewma-start")
    average = weighted_averages(
        values,
        centre=chart.centre,
        sigma=chart.sigma,
        weight=s["ewma_weight"],
        width=s["ewma_width"],
        limits=s["ewma_limits"],
        start=start,
    )
    aim = _of_level(s["target"], i, count, "--target")
    target = chart.centre if aim is None else aim
    k, h, head = (s[key] * chart.sigma for key in ("cusum_k", "cusum_h", "cusum_headstart"))
    sums = cumulative_sums(values, target=target, k=k, h=h, headstart=head)
    ranges = moving_ranges(values, chart.sigma, rounded=s["d2_rounded"]) if values.size > 1 else None
    about = values[base] - values[base].mean()
    square = float(about @ about)
    return _Level(
        name,
        rows,
        base,
        chart,
        ranges,
        average,
        sums,
        float(about[1:] @ about[:-1]) / square if square > 0 else None,
        target,
        aim is None and not s["mean"],
        _of_level(s["allowed_shift"], i, count, "--allowed-shift", one=True),
        _of_level(s["allowed_sd"], i, count, "--allowed-sd", one=True),
    )


def _numbers(level: _Level, result: str) -> dict[str, Any]:
    c = level.chart
    few = c.value.size <= 2000
    return {
        "column": result,
        "n": int(c.value.size),
        "n_baseline": int(level.base.sum()),
        "centre": c.centre,
        "sigma": c.sigma,
        "low": float(c.low[0]),
        "high": float(c.high[0]),
        "outside": int(c.signal.sum()),
        "moving_ranges_outside": int(level.ranges.signal.sum()) if level.ranges else None,
        "mean_moving_range": float(level.ranges.value.mean()) if level.ranges else None,
        "ewma_outside": int(level.average.signal.sum()),
        "ewma_first": int(np.argmax(level.average.signal)) + 1 if level.average.signal.any() else None,
        "ewma_last": float(level.average.value[-1]),
        "ewma_low": level.average.low.tolist() if few else float(level.average.low[-1]),
        "ewma_high": level.average.high.tolist() if few else float(level.average.high[-1]),
        "ewma": level.average.value.tolist() if few else None,
        "cusum_h": level.sums.limit,
        "cusum_first": level.sums.first,
        "cusum_high": level.sums.high.tolist() if few else float(level.sums.high[-1]),
        "cusum_low": level.sums.low.tolist() if few else float(level.sums.low[-1]),
        "autocorrelation": level.autocorrelation,
    }


def _design(
    levels: list[_Level], n: int, run: NDArray[np.str_] | None, per_run: int, s: dict[str, Any]
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
        f"{n} control results at {len(levels)} level(s), {runs}, in the order of the table.",
        f"Baseline: {base} results; {n - base} later results are judged by it."
        if base < n
        else "All results are baseline: they are judged by limits that they set themselves.",
        f"Standard deviation {how}{' with d2 to three decimals' if s['d2_rounded'] else ''}; limits at {s['width']:g} "
        f"SD; EWMA with weight {s['ewma_weight']:g} and {s['ewma_limits']} limits; CUSUM with k = {s['cusum_k']:g} SD "
        f"and h = {s['cusum_h']:g} SD.",
    )


def _verdicts(level: _Level, s: dict[str, Any], several: bool) -> list[Verdict]:
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
    mean = mean_interval(later, level=0.90, unit=unit)
    assert mean.value is not None
    centre = level.target
    shift = Bounded(mean.value - centre, _less(mean.low, centre), _less(mean.high, centre), unit, 0.90)
    edge = level.allowed_shift
    rule = f"Met when the whole 90 % interval of the mean of the {what} less the centre line lies inside the limits."
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


def _less(end: float | None, centre: float) -> float | None:
    return None if end is None else end - centre


def _limits_grid(levels: list[_Level], unit: str) -> Grid:
    columns = (
        Column("level"),
        Column("results"),
        Column("of them baseline"),
        *(Column(name, unit) for name in ("centre line", "standard deviation", "lower limit", "upper limit")),
        Column("results outside"),
        Column("moving ranges above"),
        Column("first EWMA signal"),
        Column("first CUSUM signal"),
    )
    rows = []
    for v in levels:
        n = {"name": v.name, **_numbers(v, "")}
        rows.append(
            tuple(
                n[key]
                for key in (
                    *("name", "n", "n_baseline", "centre", "sigma", "low", "high", "outside"),
                    *("moving_ranges_outside", "ewma_first", "cusum_first"),
                )
            )
        )
    return Grid("Control limits", columns, tuple(rows), "Signals are places within the level, counted from 1.")


def _rejected_grid(
    judged: Judged, z: Floats, row: NDArray[np.intp], index: NDArray[np.intp], names: NDArray[np.str_]
) -> Grid:
    hit = np.flatnonzero(judged.signal.any(axis=0))
    rows = [
        (
            int(row[i]),
            str(names[index[i]]),
            float(z[i]),
            "; ".join(r.name for r, flag in zip(judged.rules, judged.signal[:, i], strict=True) if flag),
        )
        for i in hit[:100]
    ]
    columns = (Column("row"), Column("level"), Column("result", "SD"), Column("rule completed"))
    return signal_grid("Signals of the rules", rows, columns, int(hit.size))


def _counts_grid(judged: Judged, levels: list[_Level], rejected: NDArray[np.bool_], later: NDArray[np.intp]) -> Grid:
    rows: list[tuple[Any, ...]] = []
    every = rejected.size
    for name, flags in (*((r.name, judged.rejected[i]) for i, r in enumerate(judged.rules)), ("any rule", rejected)):
        late = share_interval(int(flags[later].sum()), later.size) if later.size else None
        rows.append((name, int(flags.sum()), share_interval(int(flags.sum()), every), late))
    columns = (Column("rule"), Column("runs with a signal"), Column("share of all runs"), Column("share of later runs"))
    note = "Memory is not emptied after a signal here; in the exact rates it is. Exact binomial intervals."
    return Grid("Runs rejected", columns, tuple(rows), note)


def _run_lengths(s: dict[str, Any]) -> tuple[Grid, dict[str, Any]]:
    rows, numbers = [], {}
    for shift in SHIFTS:
        average = ewma_run_length(s["ewma_weight"], s["ewma_width"], shift=shift, limits=s["ewma_limits"])
        sums = cusum_run_length(s["cusum_k"], s["cusum_h"], shift=shift, headstart=s["cusum_headstart"])
        rows.append((shift, average, sums))
        numbers[f"{shift:g}"] = {"ewma": average, "cusum": sums}
    columns = (Column("shift", "SD"), Column("EWMA", "results"), Column("CUSUM", "results"))
    note = (
        "For one level, from empty memory, with mean and standard deviation known; the EWMA starts on the centre line."
    )
    return Grid("Mean run length of the charts with memory", columns, tuple(rows), note), numbers


def _warnings(levels: list[_Level]) -> tuple[str, ...]:
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


def _pictures(levels: list[_Level], s: dict[str, Any]) -> tuple[Picture, ...]:
    unit = s["unit"] or "-"
    if len(levels) == 1:
        v = levels[0]
        lines = chart_layers(v.chart)
        split = v.base.argmin() + 0.5 if not v.base.all() and v.base[: v.base.argmin()].all() else None
        mark = () if split is None else (Level(float(split), "end of baseline", axis="x", kind="warning"),)
        outside = int(v.chart.signal.sum())
        results = Picture(
            "Control results",
            "result in time order [-]",
            f"{s['result']} [{unit}]",
            (*lines, *mark),
            f"Limits at {s['width']:g} standard deviations." + thin_note(v.chart.value.size),
            f"{v.chart.value.size} control results, {outside} outside the limits.",
        )
        pictures = [results]
        if v.ranges is not None:
            pictures.append(
                Picture(
                    "Moving ranges",
                    "pair of neighbours in time order [-]",
                    f"range [{unit}]",
                    chart_layers(v.ranges, label="moving ranges"),
                    "Range of each result and the one before." + thin_note(v.ranges.value.size),
                    f"{int(v.ranges.signal.sum())} moving ranges above their limit.",
                )
            )
        pictures.append(
            Picture(
                "Weighted averages (EWMA)",
                "result in time order [-]",
                f"average [{unit}]",
                chart_layers(v.average, label="EWMA"),
                f"Weight {s['ewma_weight']:g}, {s['ewma_limits']} limits." + thin_note(v.average.value.size),
                f"{int(v.average.signal.sum())} weighted averages outside their limits.",
            )
        )
    else:
        pictures = [_together(levels, s)]
    pictures.append(_sums_picture(levels, s))
    return tuple(pictures)


def _together(levels: list[_Level], s: dict[str, Any]) -> Picture:
    layers: list[Any] = []
    for i, v in enumerate(levels):
        place = thin(v.chart.signal, max(2, 2000 // len(levels)))
        z = (v.chart.value[place] - v.chart.centre) / v.chart.sigma
        layers.append(Points(tuple((v.rows[place] + 1.0).tolist()), tuple(z.tolist()), v.name, series=i))
    layers.append(Level(0.0, "mean", kind="mean"))
    layers += [Level(sign * s["width"], "limit") for sign in (-1, 1)]
    outside = sum(int(v.chart.signal.sum()) for v in levels)
    return Picture(
        "Control results of all levels",
        "result in time order [-]",
        "result [SD from the mean]",
        tuple(layers),
        "Each level in its own standard deviations." + thin_note(sum(v.rows.size for v in levels)),
        f"{len(levels)} levels, {outside} results outside the limits.",
    )


def _sums_picture(levels: list[_Level], s: dict[str, Any]) -> Picture:
    layers: list[Any] = []
    for i, v in enumerate(levels):
        place = thin(v.sums.signal_high | v.sums.signal_low, max(2, 1000 // len(levels)))
        x = tuple((place + 1.0).tolist())
        tail = f", {v.name}" if len(levels) > 1 else ""
        layers.append(Line(x, tuple((v.sums.high[place] / v.chart.sigma).tolist()), f"upward{tail}", series=2 * i))
        layers.append(
            Line(x, tuple((-v.sums.low[place] / v.chart.sigma).tolist()), f"downward{tail}", series=2 * i + 1)
        )
    h = s["cusum_h"]
    layers += [Level(0.0, kind="zero"), Level(h, "decision limit"), Level(-h, "decision limit")]
    first = [v.sums.first for v in levels if v.sums.first is not None]
    return Picture(
        "Cumulative sums (CUSUM)",
        "result of the level in time order [-]",
        "sum [SD]",
        tuple(layers),
        f"Allowance {s['cusum_k']:g} SD, decision limit {h:g} SD; downward sums drawn below zero."
        + thin_note(max(v.rows.size for v in levels)),
        f"First signal at result {min(first)}." if first else "No sum passes its decision limit.",
    )
