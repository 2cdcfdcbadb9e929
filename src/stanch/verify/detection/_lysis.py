"""The lysis design: which excess loss rate is told from none, at one follow time and by follow time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.detection import _parts as parts
from stanch.verify.detection._parts import Given, Part
from stanch.verify.detection.lysis import FollowDesign, LysisLimit, follow_design, lysis_limit
from stanch.verify.detection.scatter import group_scatter
from stanch.verify.equivalence import outcome
from stanch.verify.records import (
    Band,
    Bounded,
    Cell,
    Column,
    DataUsed,
    Definition,
    Grid,
    Layer,
    Level,
    Line,
    Picture,
    Points,
    Verdict,
)
from stanch.verify.scales import every
from stanch.verify.table import Table, take

UNIT = "%/min"
TREATMENT = "Rates are signed numbers: bounds are refused, since the scatter on both sides of zero is wanted."


@dataclass(frozen=True)
class Scatter:
    """SD of the rate by follow time."""

    follow: parts.Floats
    sd: parts.Floats
    degrees: parts.Floats


@dataclass(frozen=True)
class Study:
    """What the table held, and what follows from it."""

    data: DataUsed
    counts: str
    at: float | None
    limit: LysisLimit | None
    design: FollowDesign | None
    without: parts.Floats
    weak: parts.Floats
    scatter: Scatter | None
    smallest: Bounded


def from_lysis(table: Table, given: Given) -> Part:
    study = _from_sds(table, given) if given["sd"] is not None else _from_rates(table, given)
    wanted, needed = given["wanted_rate"], None
    if study.design is not None and wanted is not None:
        needed = study.design.follow_for(wanted)
    pictures = [] if study.limit is None else [_histogram(study, study.limit)]
    if study.design is not None and study.scatter is not None:
        pictures.append(_by_follow(study, study.design, study.scatter, given))
    return Part(
        title="Detection of lysis",
        design=_sentences(study),
        data=study.data,
        verdicts=_verdicts(study, needed, given),
        grids=_grids(study),
        pictures=tuple(pictures),
        definitions=DEFINITIONS,
        numbers=_numbers(study, needed),
        warnings=_warnings(study),
    )


def _from_sds(table: Table, given: Given) -> Study:
    columns = parts.needed(given, "follow", "sd", "df")
    taken = take(table, numbers=columns, labels=[given["kind"]] if given["kind"] else [], treatment=TREATMENT)
    t, sd, df = (taken.numbers[c] for c in columns)
    blank, weak = np.ones(t.size, dtype=bool), np.zeros(t.size, dtype=bool)
    if given["kind"]:
        blank, weak, taken = parts.split(taken, given)
    scatter = Scatter(t[blank], sd[blank], df[blank])
    design = _designed(scatter, Scatter(t[weak], sd[weak], df[weak]), given["offset"], given)
    counts = f"{int(blank.sum())} SDs of pairs without lysis, {int(weak.sum())} SDs of pairs with weak lysis."
    at = float(t[blank].max()) if given["follow_time"] is None else float(given["follow_time"])
    none = np.empty(0)
    return Study(taken.data, counts, at, None, design, none, none, scatter, design.smallest_at(at))


def _from_rates(table: Table, given: Given) -> Study:
    result, kind = parts.needed(given, "result", "kind")
    follow, sample = given["follow"], given["sample"]
    taken = take(
        table,
        numbers=[result, *([follow] if follow else [])],
        labels=[kind, *([sample] if sample else [])],
        treatment=TREATMENT,
    )
    blank, weak, taken = parts.split(taken, given)
    rate = taken.numbers[result]
    names = taken.labels[sample] if sample else np.full(rate.size, "weak")
    counts = f"{int(blank.sum())} rates of pairs without lysis, {int(weak.sum())} of pairs with weak lysis."
    if not follow:
        only = _limit(rate[blank], rate[weak], names[weak], given)
        return Study(taken.data, counts, None, only, None, rate[blank], rate[weak], None, only.detection.limit)
    time = taken.numbers[follow]
    at = float(time[blank].max()) if given["follow_time"] is None else float(given["follow_time"])
    here = time == at
    scatter = _by_time(rate[blank], time[blank], np.zeros(int(blank.sum()), dtype=int))
    weakly = _by_time(rate[weak], time[weak], np.unique(names[weak], return_inverse=True)[1])
    design = None
    if scatter.follow.size > 1:
        design = _designed(scatter, weakly, float(rate[blank].mean()), given)
    limit: LysisLimit | None = None
    if int((blank & here).sum()) > 2:
        limit = _limit(rate[blank & here], rate[weak & here], names[weak & here], given)
    if limit is not None:
        found = limit.detection.limit
    elif design is not None:
        found = design.smallest_at(at)
    else:
        raise InputError("pairs without lysis", got=f"fewer than 3 followed {at:g} min", allowed="at least 3")
    return Study(taken.data, counts, at, limit, design, rate[blank & here], rate[weak & here], scatter, found)


def _by_time(rate: parts.Floats, time: parts.Floats, sample: NDArray[np.intp]) -> Scatter:
    """SDs pooled over the samples of each follow time: weak samples differ in their true rates."""
    if rate.size == 0:
        return Scatter(np.empty(0), np.empty(0), np.empty(0))
    times, which = np.unique(time, return_inverse=True)
    code = which * (int(sample.max()) + 1) + sample
    groups, of = group_scatter(rate, code), np.unique(code) // (int(sample.max()) + 1)
    squares = np.bincount(of, weights=groups.squares, minlength=times.size)
    degrees = np.asarray(np.bincount(of, weights=groups.n - 1.0, minlength=times.size), dtype=np.float64)
    use = degrees > 0
    return Scatter(times[use], np.sqrt(squares[use] / degrees[use]), degrees[use])


def _designed(scatter: Scatter, weak: Scatter, offset: float, given: Given) -> FollowDesign:
    return follow_design(
        scatter.follow,
        scatter.sd,
        scatter.degrees,
        weak=(weak.follow, weak.sd, weak.degrees) if weak.follow.size > 1 else None,
        offset=offset,
        alpha=given["alpha"],
        beta=given["beta"],
        confidence=given["confidence"],
    )


def _limit(without: parts.Floats, weak: parts.Floats, names: NDArray[np.str_], given: Given) -> LysisLimit:
    enough = weak.size > np.unique(names).size
    return lysis_limit(
        without,
        weak if enough else None,
        names if enough else None,
        alpha=given["alpha"],
        beta=given["beta"],
        method=given["method"],
        factor=not given["plain_factor"],
        confidence=given["confidence"],
    )


def _sentences(study: Study) -> tuple[str, ...]:
    said = [study.counts]
    if study.limit is not None:
        when = "" if study.at is None else f" at a follow time of {study.at:g} min"
        whose = "pairs without lysis, whose scatter stands in for weak lysis" if study.limit.borrowed else "weak lysis"
        said.append(f"Limit of blank {study.limit.blank.method}{when}; limit of detection with the scatter of {whose}.")
    if study.design is not None:
        low, high = study.design.measured
        said.append(f"SD against follow time as a power, measured from {low:g} to {high:g} min.")
    return tuple(said)


def _verdicts(study: Study, needed: Bounded | None, given: Given) -> tuple[Verdict, ...]:
    when = "" if study.at is None else f" at a follow time of {study.at:g} min"
    found = [
        parts.at_most(
            f"The smallest excess loss rate told from none{when} is small enough",
            study.smallest,
            given["wanted_rate"],
            UNIT,
        )
    ]
    if study.limit is not None:
        edge = given["allowed_offset"]
        state = outcome(study.limit.offset, None if edge is None else -edge, edge)
        words = "" if edge is None else f"within ±{edge:g} {UNIT}"
        level = f"{100 * study.limit.offset.level:g} %"
        rule = f"Met when the whole {level} interval of the mean lies inside, not met when it lies outside."
        found.append(
            Verdict(
                "The mean excess loss rate without lysis is near enough to zero", study.limit.offset, words, state, rule
            )
        )
    if needed is not None and given["allowed_follow"] is not None:
        claim = f"The follow time needed for {given['wanted_rate']:g} {UNIT} is short enough"
        found.append(parts.at_most(claim, needed, given["allowed_follow"], "min"))
    return tuple(found)


def _grids(study: Study) -> tuple[Grid, ...]:
    grids: list[Grid] = []
    if study.limit is not None:
        d = study.limit.detection
        rows: list[tuple[Cell, ...]] = [
            ("mean without lysis", study.limit.offset),
            ("limit of blank", study.limit.blank.limit),
            ("SD used for weak lysis", d.sd),
            ("limit of detection", d.limit),
        ]
        note = f"Limit of detection: limit of blank plus {d.factor:.4g} SDs."
        grids.append(Grid("Excess loss rate", (Column("quantity"), Column("value", UNIT)), tuple(rows), note))
        if not study.limit.borrowed:
            head = (
                Column("sample"),
                Column("pairs"),
                Column("mean", UNIT),
                Column("SD", UNIT),
                Column("share at or below the limit of blank"),
            )
            weak = tuple((s.name, s.n, s.mean, s.sd, s.missed) for s in d.samples[: parts.MOST_ROWS])
            grids.append(Grid("Weak lysis", head, weak))
    if study.design is not None and study.scatter is not None:
        columns = (
            Column("follow time", "min"),
            Column("SD without lysis", UNIT),
            Column("degrees of freedom"),
            Column("fitted SD", UNIT),
            Column("limit of blank", UNIT),
            Column("limit of detection", UNIT),
        )
        order = np.argsort(study.scatter.follow, kind="stable")[: parts.MOST_ROWS]
        by_time = tuple(
            (
                float(t := study.scatter.follow[k]),
                float(study.scatter.sd[k]),
                float(study.scatter.degrees[k]),
                float(study.design.function.sd_at(float(t))),
                study.design.blank_at(float(t)),
                study.design.smallest_at(float(t)),
            )
            for k in order
        )
        p = study.design.function.parameters["p"]
        grids.append(Grid("By follow time", columns, by_time, f"Fitted SD goes with follow time to the power {p:.3g}."))
    return tuple(grids)


def _histogram(study: Study, limit: LysisLimit) -> Picture:
    edges = parts.shared_edges(study.without, study.weak)
    layers: list[Layer] = [parts.bars(study.without, edges, "without lysis", 0)]
    if study.weak.size:
        layers.append(parts.bars(study.weak, edges, "weak lysis", 1))
    layers.append(Level(0.0, "no excess loss", axis="x", kind="zero"))
    for name, found in (("limit of blank", limit.blank.limit), ("limit of detection", limit.detection.limit)):
        if found.value is not None:
            layers.append(Level(found.value, name, axis="x"))
    return Picture(
        "Excess loss rates",
        f"excess loss rate [{UNIT}]",
        "pairs",
        tuple(layers),
        "Rates are signed: without lysis they scatter about zero, or about the offset of the assay.",
        f"Smallest rate told from none {parts.words(study.smallest.value)} {UNIT}.",
    )


def _by_follow(study: Study, design: FollowDesign, scatter: Scatter, given: Given) -> Picture:
    low, high = design.measured
    grid = np.geomspace(low, high, 61)
    found = [design.smallest_at(float(t)) for t in grid]
    value, down, up = (
        tuple(float(getattr(f, end)) for f in found if f.value is not None) for end in ("value", "low", "high")
    )
    times = tuple(float(t) for t, f in zip(grid, found, strict=True) if f.value is not None)
    pick, thinned = every(scatter.follow.size, "follow time")
    layers: list[Layer] = [
        Band(times, down, up, f"{100 * design.confidence:g} % interval"),
        Line(times, value, "limit of detection"),
        Points(parts.line(scatter.follow[pick]), parts.line(scatter.sd[pick]), "SD without lysis", series=1),
    ]
    if given["wanted_rate"] is not None:
        layers.append(Level(given["wanted_rate"], "wanted"))
    return Picture(
        "Smallest rate by follow time",
        "follow time [min]",
        f"excess loss rate [{UNIT}]",
        tuple(layers),
        "How small a rate is told from none when pairs are followed that long, within the times measured." + thinned,
        f"From {value[0]:.3g} {UNIT} at {low:g} min to {value[-1]:.3g} {UNIT} at {high:g} min." if value else "None.",
    )


def _numbers(study: Study, needed: Bounded | None) -> dict[str, object]:
    limit, design = study.limit, study.design
    return {
        "smallest_rate": study.smallest,
        "follow_time": study.at,
        "offset": None if limit is None else limit.offset,
        "limit_of_blank": None if limit is None else limit.blank.limit,
        "limit_of_detection": None if limit is None else limit.detection.limit,
        "sd_weak": None if limit is None else limit.detection.sd,
        "borrowed": None if limit is None else limit.borrowed,
        "follow_power": None if design is None else dict(design.function.parameters),
        "follow_needed": needed,
    }


def _warnings(study: Study) -> tuple[str, ...]:
    said = [study.smallest.why] if study.smallest.why else []
    if study.limit is not None:
        offset = study.limit.offset
        if offset.low is not None and offset.high is not None and not offset.low <= 0 <= offset.high:
            said.append("Pairs without lysis do not scatter about zero: the offset is part of the limits.")
        if study.limit.borrowed:
            said.append("No repeated pairs with weak lysis: theirs is taken to scatter like pairs without lysis.")
        skew = parts.skewness(study.without)
        if study.limit.blank.method == "parametric" and skew is not None:
            said.append(f"Rates without lysis are skew (skewness {skew:.2f}): use ranks.")
    if study.design is not None:
        if study.design.function.parameters["p"] >= 0:
            said.append("The scatter does not fall with the follow time: following longer does not help here.")
        p = study.design.function.lack_p
        if p is not None and p < 0.05:
            said.append(f"The SDs do not follow a power of the follow time (p = {p:.2g}).")
    return tuple(said)


DEFINITIONS = (
    Definition(
        "excess loss rate",
        "Minus the least-squares slope of the log ratio of the well without to the well with antifibrinolytic, at equal"
        " clot age; signed.",
        "own definition",
    ),
    Definition(
        "limit of blank and of detection of a rate",
        "As for a concentration, but on the signed rate: the rate that pairs without lysis exceed in a share alpha, and"
        " the true rate missed in a share beta.",
        "Guideline EP17 for concentrations, from memory; its use on a signed rate is our own",
    ),
    Definition(
        "design by follow time",
        "SD of the rate as a power of the follow time, fitted by the likelihood of the SDs, which are taken as "
        "independent: where the same pairs were followed on, intervals between the times measured are too short.",
        "own definition",
    ),
)
