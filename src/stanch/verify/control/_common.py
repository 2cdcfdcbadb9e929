"""What the accounts of the control designs share: baselines, thinned charts, rule sets, definitions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.control.chain import Rates, rates
from stanch.verify.control.chart import Chart
from stanch.verify.control.rules import Rule
from stanch.verify.control.simulate import Simulated, simulated_rates
from stanch.verify.equivalence import unpaired
from stanch.verify.intervals import mean_interval
from stanch.verify.records import Bounded, Cell, Column, Definition, Grid, Level, Line, Points
from stanch.verify.scales import MARKS

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
SHOWN = 60
SHIFTS = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)

BOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2"
DEFINITIONS = {
    "baseline": Definition(
        "baseline", "The results that set the centre line and the limits; later results are judged by them.", BOOK
    ),
    "moving range": Definition(
        "moving range",
        "Range of neighbouring results; its mean over d2 estimates the standard deviation and is blind to slow drift.",
        BOOK,
    ),
    "EWMA": Definition(
        "EWMA",
        "Exponentially weighted moving average: weight times the new result plus (1 − weight) times the old average.",
        "Roberts SW. Technometrics 1:239-250 (1959), from memory; " + BOOK,
    ),
    "CUSUM": Definition(
        "CUSUM",
        "Tabular cumulative sums: of what results exceed target + k and of what they fall short of target − k, never "
        "below zero; a sum above h is a signal. The sums are not started anew after a signal.",
        "Page ES. Biometrika 41:100-115 (1954), from memory; " + BOOK,
    ),
    "rule": Definition(
        "rule",
        "Counts results in standard deviations from the mean. Limits are strict, a result exactly on the mean breaks a "
        "run on one side, and opposite sides are looked for within the same run only.",
        "Westgard JO, Barry PL, Hunt MR, Groth T. Clin Chem 27:493-501 (1981), from memory",
    ),
    "false rejection": Definition(
        "false rejection",
        "Probability that a run in control is rejected, after a long time in control without rejection; by exact "
        "Markov chain of the rules' memory for independent normal results.",
        "Champ CW, Woodall WH. Technometrics 29:393-399 (1987), from memory",
    ),
    "mean run length": Definition(
        "mean run length",
        "Runs (for EWMA and CUSUM: results) up to and with the first signal, on average, from empty memory, when mean "
        "and standard deviation are known exactly.",
        "Page ES (1954), Crowder SV. Technometrics 29:401-407 (1987), from memory",
    ),
}


def baseline_flags(size: int, count: int | None, phase: NDArray[np.str_] | None, named: str) -> Flags:
    """Which of the results, in their order, belong to the baseline."""
    if phase is not None:
        if count is not None:
            raise UsageError("option --baseline", got="given with --phase", allowed="one of both")
        flags = phase == named
        if not flags.any():
            raise InputError(
                "baseline", got="no row", allowed=f"rows with {named} in the phase column", do="Set --baseline-phase."
            )
        return np.asarray(flags)
    if count is None:
        return np.ones(size, dtype=bool)
    if count < 2:
        raise InputError("baseline", got=count, allowed="at least 2 results")
    return np.asarray(np.arange(size) < count)


def shift_of(later: Floats, centre: float, base: Floats | None, unit: str) -> Bounded:
    """Mean of later values less the centre line with its 90 % interval; `base` are the values that set the line."""
    if base is None:
        mean = mean_interval(later, level=0.90, unit=unit)
    elif base.size < 2:
        return Bounded.missing("A baseline of one value does not tell how sure its level is.", unit)
    else:
        # A line that the baseline itself sets is no better known than the mean of that baseline.
        mean = unpaired(base, later, alpha=0.05, unit=unit).difference
    assert mean.value is not None
    assert mean.low is not None
    assert mean.high is not None
    value, low, high = float(later.mean()) - centre, mean.low - mean.value, mean.high - mean.value
    return Bounded(value, value + low, value + high, unit, 0.90)


def thin(signal: Flags, most: int = MARKS) -> NDArray[np.intp]:
    """Places to draw: evenly spread, with as many of the signals as fit."""
    n = signal.size
    if n <= most:
        return np.arange(n)
    marked = np.flatnonzero(signal)
    if marked.size > most // 2:
        marked = marked[np.unique(np.linspace(0, marked.size - 1, most // 2).astype(np.intp))]
    even = np.linspace(0, n - 1, most - marked.size).astype(np.intp)
    return np.union1d(even, marked)


def thin_note(n: int) -> str:
    """A sentence for the caption where not all marks are drawn."""
    return f" Of {n} marks at most {MARKS} are drawn, signals among them." if n > MARKS else ""


def chart_layers(chart: Chart, *, label: str = "results") -> tuple[Any, ...]:
    """Line and marks of a chart with its centre line and limits."""
    kept = np.flatnonzero(np.isfinite(chart.value))
    place = kept[thin(chart.signal[kept])]
    x = tuple((place + 1.0).tolist())
    steady = bool(np.ptp(chart.low) == 0 and np.ptp(chart.high) == 0)
    marked = place[chart.signal[place]]
    layers: list[Any] = [Line(x, tuple(chart.value[place].tolist()))]
    layers.append(Points(x, tuple(chart.value[place].tolist()), label))
    if marked.size:
        at = tuple((marked + 1.0).tolist())
        layers.append(Points(at, tuple(chart.value[marked].tolist()), "outside the limits", series=1))
    layers.append(Level(chart.centre, "mean", kind="mean"))
    if steady:
        # Ranges cannot fall below a lower limit of zero.
        ends = [chart.high[0]] if chart.low[0] == 0 <= chart.value[kept].min() else [chart.low[0], chart.high[0]]
        layers += [Level(float(end), "limit") for end in ends]
    else:
        layers += [Line(x, tuple(end[place].tolist()), "limit", series=2, step=True) for end in (chart.low, chart.high)]
    return tuple(layers)


def signal_grid(title: str, rows: Sequence[tuple[Cell, ...]], columns: tuple[Column, ...], total: int) -> Grid:
    """A table of signals, cut off where it would fill the report."""
    note = f"The first {SHOWN} of {total}." if total > SHOWN else ""
    return Grid(title, columns, tuple(rows[:SHOWN]), note)


def rule_grid(rules: Sequence[Rule]) -> Grid:
    """The rules in force."""
    rows = tuple(
        (
            r.name,
            r.alias or None,
            r.count,
            r.of,
            r.beyond,
            {"across": "all results", "level": "each level"}.get(r.scope, "one run"),
        )
        for r in rules
    )
    names = ("rule", "trade shorthand", "count", "of")
    return Grid(
        "Rules in force",
        (*(Column(n) for n in names), Column("limit", "SD"), Column("looks at")),
        rows,
        "Shorthand as laboratories write it since 1981; the words decide.",
    )


def rule_rates(
    rules: Sequence[Rule], per_run: int, seed: int, *, unit: str = "SD"
) -> tuple[Grid, dict[str, Any], tuple[str, ...], int | None]:
    """Rates of the rules by size of a systematic error: exact, or simulated where a rule has no finite memory."""
    columns = (Column("shift", unit), Column("rejected in the first run"), Column("mean run length", "runs"))
    title = "What the rules find"
    try:
        found = {s: rates(rules, per_run=per_run, shift=s) for s in SHIFTS}
    except InputError as refused:
        why = f"{refused.where}: {refused.got}."
    else:
        exact = tuple((s, r.rejection, r.mean_run_length) for s, r in found.items())
        note = (
            f"Exact, for {per_run} independent normal results per run, {next(iter(found.values())).states} states of "
            "memory; a shift of 0 is false rejection."
        )
        return Grid(title, columns, exact, note), {f"{s:g}": _plain(r) for s, r in found.items()}, (), None
    if per_run > 200:
        why = f"No rates of the rules: runs of {per_run} results are too long for them. {why}"
        return Grid(title, columns, (), why), {}, (why,), None
    runs = max(20, min(1500, 600_000 // (400 * per_run)))
    seen = {s: simulated_rates(rules, per_run=per_run, shift=s, series=400, runs=runs, seed=seed) for s in SHIFTS}
    rows = tuple((s, r.first_run / r.series, r.mean_run_length if r.rejected else None) for s, r in seen.items())
    why = f"Rates are simulated (400 series of up to {runs} runs, from empty memory). {why}"
    return Grid(title, columns, rows, why), {f"{s:g}": _plain(r) for s, r in seen.items()}, (why,), seed


def one_number(given: tuple[float, ...] | None, name: str) -> float | None:
    """The one number of an option that takes one for each level elsewhere."""
    if not given:
        return None
    if len(given) != 1:
        raise UsageError(f"option {name}", got=f"{len(given)} numbers", allowed="one number with this design")
    return float(given[0])


def _plain(found: Rates | Simulated) -> dict[str, float | None]:
    return {k: (float(v) if np.isfinite(v) else None) for k, v in vars(found).items()}
