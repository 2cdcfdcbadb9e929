"""The hold protocol: from a table to an account."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.hold.curves import read_curves
from stanch.verify.hold.pictures import agreement_picture, error_picture, prediction_picture, time_picture
from stanch.verify.hold.study import HoldStudy, hold_study
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account, Bounded, Cell, Column, DataUsed, Definition, Excluded, Grid, Picture, Verdict
from stanch.verify.scales import grouped
from stanch.verify.table import Table, take

__all__ = ["PROTOCOL"]

QUESTION = "How early can stiffness be read?"
HOLDS = tuple(float(m) for m in range(1, 21))
GROUPS = 12
INFLATED = (
    "The correlation of early value and plateau is inflated: the early value is part of the same curve, so some of it "
    "is the plateau compared with itself, and it grows with the spread of the samples. Judge by the prediction error."
)


@dataclasses.dataclass(frozen=True)
class _Read:
    """Curves of one group, times in minutes."""

    early: NDArray[np.float64]
    plateau: NDArray[np.float64]
    hidden: NDArray[np.bool_]
    donor: NDArray[np.str_]
    onset: NDArray[np.float64] | None
    entry: NDArray[np.float64] | None
    late: NDArray[np.bool_] | None
    group: NDArray[np.intp]


def _run(table: Table, **s: Any) -> Account:
    read, names, data, notes = (_curves if s["design"] == "curves" else _readings)(table, s)
    found = [(str(name), _study(read, k, s)) for k, name in enumerate(names)]
    return Account(
        protocol="hold",
        title="Reading stiffness early",
        question=QUESTION,
        design=_design(found, s),
        data=data,
        verdicts=tuple(_verdict(name, one, s, len(found) > 1) for name, one in found),
        grids=tuple(g for name, one in found for g in _grids(name, one, s, len(found) > 1)),
        pictures=_pictures(found, read, s),
        definitions=_definitions(s),
        settings=dict(s),
        numbers={name: _numbers(one) for name, one in found},
        warnings=(*notes, *_warnings(found, s)),
        seed=s["seed"],
    )


def _study(read: _Read, k: int, s: dict[str, Any]) -> HoldStudy:
    own = read.group == k

    def part(values: Any) -> Any:
        return None if values is None else values[own]

    return hold_study(
        read.early[own],
        read.plateau[own],
        read.hidden[own],
        s["holds"],
        donor=read.donor[own],
        onset=part(read.onset),
        entry=part(read.entry),
        entry_open=part(read.late),
        limits=s["limits"] or (),
        positive=s["positive"],
        allowed=s["allowed"],
        folds=s["folds"],
        alpha=s["alpha"],
        resamples=s["resamples"],
        seed=s["seed"],
        unit="min",
    )


def _curves(table: Table, s: dict[str, Any]) -> tuple[_Read, NDArray[np.str_], DataUsed, list[str]]:
    labels = [s["sample"], *(s[k] for k in ("group", "donor") if s[k])]
    taken = take(
        table,
        numbers=(s["time"], s["modulus"]),
        labels=labels,
        censored="keep",
        treatment="A modulus <x with x up to the onset modulus is liquid and enters as x; other bounds are refused. "
        "Plateaus still rising at the end of the run enter as lower bounds.",
    )
    g, below = taken.numbers[s["modulus"]], taken.below[s["modulus"]]
    bad = taken.above[s["modulus"]] | (below & (g > s["onset_modulus"]))
    if bad.any() or (taken.below[s["time"]] | taken.above[s["time"]]).any():
        row = int(taken.row[int(np.argmax(bad))]) if bad.any() else 0
        raise InputError(
            f"modulus or time in row {row}", got="a bound", allowed="numbers, or <x with x up to the onset modulus"
        )
    sample = taken.labels[s["sample"]]
    groups, place = grouped(taken.labels[s["group"]]) if s["group"] else (np.array(["all"]), np.zeros(sample.size, int))
    if groups.size > GROUPS:
        raise InputError(f"column {s['group']}", got=f"{groups.size} groups", allowed=f"at most {GROUPS}")
    number = grouped(sample)[1]
    key, first, curve = np.unique(number * groups.size + place, return_index=True, return_inverse=True)
    factor = 60.0 if s["time_unit"] == "min" else 1.0
    holds = 60.0 * np.asarray(s["holds"], dtype=np.float64)
    found = read_curves(
        curve.reshape(-1),
        taken.numbers[s["time"]] * factor,
        g,
        holds,
        onset_modulus=s["onset_modulus"],
        dwell=s["dwell"],
    )
    donor = taken.labels[s["donor"]][first] if s["donor"] else sample[first]
    onset = np.where(np.isfinite(found.onset), found.onset / 60.0, np.nan)
    read = _Read(
        found.early,
        found.plateau,
        found.plateau_open,
        donor,
        onset,
        np.where(np.isfinite(found.plateau), found.entry / 60.0, np.nan),
        found.plateau_open,
        key % groups.size,
    )
    notes = []
    for count, words in (
        (int(np.isposinf(found.onset).sum()), "never reached the onset modulus for the dwell"),
        (int(np.isneginf(found.onset).sum()), "had reached it before the first push"),
        (int(np.isnan(found.plateau).sum()), "are shorter than the window of the plateau"),
        (int((found.gap > 120).sum()), "have gaps of more than 2 min between pushes, bridged by straight lines"),
    ):
        if count:
            notes.append(f"{count} of {key.size} curves {words}.")
    return read, groups, taken.data, notes


def _readings(table: Table, s: dict[str, Any]) -> tuple[_Read, NDArray[np.str_], DataUsed, list[str]]:
    if len(s["early"]) != len(s["holds"]):
        raise UsageError(
            "option --early", got=f"{len(s['early'])} columns", allowed=f"one for each of {len(s['holds'])} holds"
        )
    if (s["onset"] is None) != (s["entry"] is None):
        raise UsageError("options --onset and --entry", got="one of them", allowed="both or neither")
    labels = [s[k] for k in ("group", "donor") if s[k]]
    taken = take(
        table,
        numbers=(s["plateau"],),
        labels=labels,
        censored="keep",
        treatment="Plateaus >x enter as lower bounds (likelihood); an early reading known only as a "
        "bound is missing at its hold; entries >x count as later.",
    )
    if taken.below[s["plateau"]].any():
        raise InputError(f"column {s['plateau']}", got="a plateau <x", allowed="numbers or >x")
    rows = taken.row - 1
    columns = [table.numbers(name) for name in s["early"]]
    early = np.column_stack([np.where(c.censored, np.nan, c.value)[rows] for c in columns])
    missing = dict(taken.data.missing) | {n: int(c.missing.sum()) for n, c in zip(s["early"], columns)}
    bounds = dict(taken.data.censored) | {n: int(c.censored.sum()) for n, c in zip(s["early"], columns)}
    data = dataclasses.replace(taken.data, missing=missing, censored=bounds)
    size = rows.size
    onset = entry = late = None
    if s["onset"]:
        factor = 1.0 if s["time_unit"] == "min" else 60.0
        first, last = table.numbers(s["onset"]), table.numbers(s["entry"])
        onset = np.where(first.censored, np.nan, first.value)[rows] / factor
        entry, late = last.value[rows] / factor, last.above[rows]
    groups, place = grouped(taken.labels[s["group"]]) if s["group"] else (np.array(["all"]), np.zeros(size, int))
    if groups.size > GROUPS:
        raise InputError(f"column {s['group']}", got=f"{groups.size} groups", allowed=f"at most {GROUPS}")
    donor = taken.labels[s["donor"]] if s["donor"] else taken.row.astype(np.str_)
    read = _Read(early, taken.numbers[s["plateau"]], taken.above[s["plateau"]], donor, onset, entry, late, place)
    low = taken.numbers[s["plateau"]] <= 0
    if low.any():
        gone = Excluded("plateau not above zero", int(low.sum()), tuple(int(r) for r in taken.row[low][:12]))
        data = dataclasses.replace(data, excluded=(*data.excluded, gone), used=data.used - gone.count)
    return read, groups, data, []


def _verdict(name: str, one: HoldStudy, s: dict[str, Any], several: bool) -> Verdict:
    chosen = next((h for h in one.holds if h.hold == one.smallest), one.holds[-1])
    value = chosen.accuracy.ninety if chosen.accuracy else Bounded.missing(chosen.why or "No prediction.", "%")
    where = f" ({name})" if several else ""
    claim = f"Stiffness can be read {chosen.hold:g} min after onset{where}"
    if one.smallest is None:
        claim = f"Stiffness can be read early{where}; shown is the longest hold, {chosen.hold:g} min"
    return Verdict(
        claim,
        value,
        "" if s["allowed"] is None else f"90 % of predicted plateaus within {s['allowed']:g} %",
        one.outcome,
        f"Holds are judged from the longest down: met at the smallest one such that the upper {1 - s['alpha']:.0%} "
        "limit of the 90 % error of it and of every longer hold that can be judged is within the allowed error.",
    )


def _grids(name: str, one: HoldStudy, s: dict[str, Any], several: bool) -> tuple[Grid, ...]:
    where = f" ({name})" if several else ""
    heads = (
        Column("hold", "min"),
        Column("curves"),
        Column("plateaus still rising"),
        Column("half within", "%"),
        Column("90 % within", "%"),
        Column("RMS of logarithm"),
        Column("left of knowing nothing"),
        Column("curves that have it"),
        Column("median time saved", "min"),
        Column("correlation"),
    )
    rows: list[tuple[Cell, ...]] = []
    for h in one.holds:
        a = h.accuracy
        cells: tuple[Cell, ...] = (a.n, a.open, a.median, a.ninety, a.rms, a.left) if a else (None,) * 6
        rows.append((h.hold, *cells, h.available, h.saved, h.correlation.value))
    grids = [Grid(f"Every hold{where}", heads, tuple(rows), INFLATED)]
    for k, limit in enumerate(s["limits"] or ()):
        decided = [(h.hold, h.decisions[k]) for h in one.holds if h.decisions]
        grids.append(
            Grid(
                f"Decisions at {limit:g} {s['unit']}{where}",
                (
                    Column("hold", "min"),
                    Column("both"),
                    Column("early only"),
                    Column("plateau only"),
                    Column("neither"),
                    Column("not known"),
                    Column("sensitivity"),
                    Column("specificity"),
                    Column("kappa"),
                ),
                tuple((hold, *d.counts, d.unknown, d.sensitivity, d.specificity, d.kappa) for hold, d in decided),
                f"Positive: {s['positive']} the limit.",
            )
        )
    return tuple(grids)


def _pictures(found: list[tuple[str, HoldStudy]], read: _Read, s: dict[str, Any]) -> tuple[Picture, ...]:
    pictures = []
    for k, (name, one) in enumerate(found[:2]):
        own = read.group == k
        shown = next((h for h in one.holds if h.hold == one.smallest), one.holds[-1])
        made = [
            error_picture(one, s["allowed"], "min"),
            prediction_picture(shown, read.plateau[own], read.hidden[own], s["unit"], "min"),
        ]
        if len(found) == 1:
            made += [time_picture(one, "min")]
            decided = agreement_picture(one, s["unit"], "min")
            made += [decided] if decided else []
        else:
            made = [dataclasses.replace(p, title=f"{p.title} ({name})") for p in made]
        pictures += made
    return tuple(pictures)


def _numbers(one: HoldStudy) -> dict[str, Any]:
    return {
        "smallest": one.smallest,
        "stopped_at": one.stopped_at,
        "skipped": list(one.skipped),
        "curves": one.curves,
        "donors": one.donors,
        "open": one.open,
        "resamples": one.resamples,
        "holds": [
            {
                "hold": h.hold,
                "why": h.why,
                "available": h.available,
                "saved": h.saved,
                "correlation": h.correlation,
                "slope": h.slope,
                "intercept": h.intercept,
                "median": h.accuracy.median if h.accuracy else None,
                "ninety": h.accuracy.ninety if h.accuracy else None,
                "rms": h.accuracy.rms if h.accuracy else None,
                "left": h.accuracy.left if h.accuracy else None,
                "bias": h.accuracy.bias if h.accuracy else None,
                "decisions": [
                    {
                        "limit": d.limit,
                        "counts": list(d.counts),
                        "unknown": d.unknown,
                        "sensitivity": d.sensitivity,
                        "specificity": d.specificity,
                        "kappa": d.kappa,
                    }
                    for d in h.decisions
                ],
            }
            for h in one.holds
        ],
    }


def _design(found: list[tuple[str, HoldStudy]], s: dict[str, Any]) -> tuple[str, ...]:
    curves, donors = sum(o.curves for _, o in found), max(o.donors for _, o in found)
    folds = (
        "every donor predicted by all others (ten folds beyond 200 donors)" if not s["folds"] else f"{s['folds']} folds"
    )
    return (
        f"{curves} curves with a plateau, {sum(o.open for _, o in found)} of them still rising; up to {donors} donors "
        f"in {len(found)} group(s); holds {min(s['holds']):g} to {max(s['holds']):g} min.",
        f"Logarithm of the plateau on that of the early reading, {folds}; rising plateaus enter by their likelihood.",
        "Errors relative to the plateau: quantiles without assumption where every plateau was reached, else by the "
        "likelihood of normal logarithmic errors; intervals by donor.",
    )


def _definitions(s: dict[str, Any]) -> tuple[Definition, ...]:
    own = "This project's definition"
    return (
        Definition(
            "onset",
            f"First time at or above {s['onset_modulus']:g} {s['unit']} throughout {s['dwell']:g} s."
            if s["design"] == "curves"
            else "As the table states it.",
            own,
        ),
        Definition(
            "plateau",
            "Highest 2-min mean, reached when the run goes on for 10 min after it or grew less than 2 % over its last "
            "10 min; else still rising. Entry: first time at 95 % of it."
            if s["design"] == "curves"
            else "As the table states it; >x is still rising.",
            own,
        ),
        Definition(
            "prediction error",
            "Predicted over found plateau minus 1, the prediction made without the curve's donor.",
            "Out-of-sample validation: Stone M. J R Stat Soc B 36:111-147 (1974), from memory",
        ),
        Definition(
            "left of knowing nothing",
            "RMS error of the prediction over that of predicting every plateau by the mean of the other donors'.",
            own,
        ),
        Definition(
            "rising plateaus",
            "Normal likelihood of being above the bound, in the fit and in the errors; Kaplan-Meier in the time "
            "saved. Right when a bound tells nothing about its plateau except that it lies above.",
            "Tobin J. Econometrica 26:24-36 (1958); Kaplan EL, Meier P. J Am Stat Assoc 53:457-481 (1958); from memory",
        ),
        Definition(
            "interval of an error",
            "Order statistics, with curves reduced to what they are worth where donors have several; "
            "with rising plateaus, the larger of the likelihood's and the resampled donors' errors.",
            "Woodruff RS. J Am Stat Assoc 47:635-646 (1952), from memory",
        ),
        Definition("kappa", "Agreement beyond chance.", "Cohen J. Educ Psychol Meas 20:37-46 (1960), from memory"),
    )


def _warnings(found: list[tuple[str, HoldStudy]], s: dict[str, Any]) -> tuple[str, ...]:
    out = [INFLATED]
    for name, one in found:
        where = f" ({name})" if len(found) > 1 else ""
        if one.skipped:
            holds = ", ".join(f"{h:g}" for h in sorted(one.skipped))
            out.append(f"Too few curves for an upper limit of the 90 % error at {holds} min{where}: passed over.")
        if one.open > 0.3 * one.curves:
            out.append(f"{one.open} of {one.curves} plateaus were still rising{where}: longer runs would tell more.")
        if one.open:
            out.append(
                f"Rising plateaus{where}: limits of the error take its logarithm as normal, and were somewhat short in "
                "simulation (benchmarks/verification_coverage_assay.py)."
            )
        if one.resamples < s["resamples"]:
            out.append(f"{one.resamples} resamples were drawn instead of {s['resamples']}, for the size of the table.")
        for h in one.holds:
            if h.accuracy is None:
                out.append(f"Hold {h.hold:g} min{where}: {h.why}")
    if s["allowed"] is None:
        out.append("No allowed error was stated, so no hold is claimed.")
    if not s["donor"]:
        out.append("No donor was named: every sample counts as a donor of its own.")
    return tuple(out)


_C, _R = ("curves",), ("readings",)

PROTOCOL = Protocol(
    "hold",
    QUESTION,
    "Modulus curves, one push per row, or readings at each hold and plateaus, one curve per row.",
    (
        Option(
            "design",
            "choice",
            "Curves to be read here, or readings made elsewhere.",
            choices=("curves", "readings"),
            required=True,
        ),
        Option("sample", "column", "Samples; with the group it names a curve.", required=True, designs=_C),
        Option("time", "column", "Time since activation.", required=True, designs=_C),
        Option("modulus", "column", "Modulus.", required=True, designs=_C),
        Option(
            "onset-modulus", "number", "Modulus that marks the onset; has no built-in value.", required=True, designs=_C
        ),
        Option("dwell", "number", "Time it must be kept [s]; has no built-in value.", required=True, designs=_C),
        Option("early", "columns", "Modulus at each hold, in the order of the holds.", required=True, designs=_R),
        Option("plateau", "column", "Plateau; >x still rising.", required=True, designs=_R),
        Option("onset", "column", "Onset, for the time saved.", designs=_R),
        Option("entry", "column", "Plateau entry, for the time saved; >x later.", designs=_R),
        Option("time-unit", "choice", "Unit of the times in the table.", choices=("s", "min"), required=True),
        Option("holds", "numbers", "Holds after onset [min].", default=HOLDS),
        Option("group", "column", "Wells or groups, each judged on its own."),
        Option("donor", "column", "Donors; their curves stay together."),
        Option("limits", "numbers", "Decision limits of the plateau."),
        Option("positive", "choice", "Side of the limit that counts.", default="below", choices=("below", "above")),
        Option("allowed", "number", "Largest error of 90 % of predicted plateaus [%]."),
        Option("folds", "count", "Folds; 0 for one per donor up to 200 donors, ten beyond.", default=0),
        Option("resamples", "count", "Resamples of donors.", default=1000),
        Option("seed", "count", "Of the resamples and folds.", default=0),
        Option("alpha", "number", "Error of each one-sided limit.", default=0.05),
        Option("unit", "text", "Unit of the modulus.", default="Pa"),
    ),
    _run,
)
