"""The classical design: blanks and low samples, lot by lot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.detection import _parts as parts
from stanch.verify.detection._parts import Given, Part
from stanch.verify.detection.blank import limit_of_blank
from stanch.verify.detection.low import DetectionLimit, LotLimits, largest_lot, limit_of_detection
from stanch.verify.records import Bars, Cell, Column, Definition, Grid, Level, Picture, Verdict
from stanch.verify.table import Table, Taken, take

TREATMENT = {
    "non-parametric": "Blanks known as a bound keep their rank; no limit where the wanted rank is among them.",
    "parametric": "Blanks known as a bound enter by the normal likelihood, without a small-sample factor.",
}


def classical(table: Table, given: Given) -> Part:
    result, kind = parts.needed(given, "result", "kind")
    names = [kind, *(given[k] for k in ("sample", "lot") if given[k])]
    taken = take(table, numbers=(result,), labels=names, censored="keep", treatment=TREATMENT[given["method"]])
    blank, low, taken = parts.split(taken, given)
    parts.refuse_bounds(taken, result, low, "low samples")
    lots: list[LotLimits] = []
    wanted = taken.labels[given["lot"]] if given["lot"] and given["lots"] == "largest" else None

    def add(name: str, rows: NDArray[np.bool_]) -> None:
        lots.append(_one(name, taken, blank & rows, low & rows, given))

    parts.by_group(wanted, blank.size, add)
    if len({lot.detection is None for lot in lots}) > 1:
        raise InputError("low samples", got="none of some lots", allowed="low samples of every lot, or of none")
    chosen = largest_lot(lots) if len(lots) > 1 else lots[0]
    blankest = largest_lot([LotLimits(lot.lot, lot.blank, None) for lot in lots]) if len(lots) > 1 else chosen
    every = taken.numbers[result]
    return Part(
        title="Limits of blank and of detection",
        design=_design(lots, chosen, given),
        data=taken.data,
        verdicts=_verdicts(blankest, chosen, given),
        grids=(_lots_grid(lots, given["unit"]), *_low_grids(lots, given["unit"])),
        pictures=(_picture(every[blank], every[low], blankest, chosen, given["unit"]),),
        definitions=DEFINITIONS,
        numbers={
            "limit_of_blank": blankest.blank.limit,
            "limit_of_blank_lot": blankest.lot,
            "limit_of_detection": None if chosen.detection is None else chosen.detection.limit,
            "limit_of_detection_lot": chosen.lot,
            "lots": [_numbers(lot) for lot in lots],
        },
        warnings=_warnings(lots, taken, result, blank),
    )


def _one(name: str, taken: Taken, blank: NDArray[np.bool_], low: NDArray[np.bool_], given: Given) -> LotLimits:
    result, unit = given["result"], given["unit"]
    values, sample = taken.numbers[result], taken.labels[given["sample"]] if given["sample"] else None
    where = f" of {parts.lot_named(name)}" if name else ""
    if not blank.any():
        raise InputError(f"blanks{where}", got="none", allowed="blanks of every lot")
    found = limit_of_blank(
        values[blank],
        alpha=given["alpha"],
        method=given["method"],
        samples=1 if sample is None else int(np.unique(sample[blank]).size),
        factor=not given["plain_factor"],
        below=taken.below[result][blank],
        above=taken.above[result][blank],
        confidence=given["confidence"],
        unit=unit,
    )
    if not low.any():
        return LotLimits(name, found, None)
    lows = limit_of_detection(
        found,
        values[low],
        None if sample is None else sample[low],
        beta=given["beta"],
        factor=not given["plain_factor"],
        confidence=given["confidence"],
        unit=unit,
    )
    return LotLimits(name, found, lows)


def _design(lots: list[LotLimits], chosen: LotLimits, given: Given) -> tuple[str, ...]:
    counts = []
    for lot in lots:
        name = f"{parts.lot_named(lot.lot, first=True)}: " if lot.lot else ""
        lows = ""
        if lot.detection is not None:
            d = lot.detection
            lows = f", {d.degrees + len(d.samples)} results of {len(d.samples)} low samples"
        counts.append(f"{name}{lot.blank.n} results of {lot.blank.samples} blank samples{lows}.")
    rule = f"Limit of blank {chosen.blank.method}, {given['alpha']:.3g} of blank results allowed above."
    more = []
    if len(lots) > 1:
        more.append(
            f"Each lot by itself; the largest limits count, that of detection is {parts.lot_named(chosen.lot)}'s."
        )
    elif given["lot"]:
        more.append("All lots pooled.")
    return (*counts, rule, *more)


def _verdicts(blankest: LotLimits, chosen: LotLimits, given: Given) -> tuple[Verdict, ...]:
    unit, lot = given["unit"], f", {parts.lot_named(chosen.lot)}" if chosen.lot else ""
    other = f", {parts.lot_named(blankest.lot)}" if blankest.lot else ""
    found = [
        parts.at_most(f"The limit of blank is low enough{other}", blankest.blank.limit, given["allowed_blank"], unit)
    ]
    if chosen.detection is not None:
        found.append(
            parts.at_most(
                f"The limit of detection is low enough{lot}", chosen.detection.limit, given["allowed_detection"], unit
            )
        )
    return tuple(found)


def _lots_grid(lots: list[LotLimits], unit: str) -> Grid:
    columns = (
        Column("lot"),
        Column("blank results"),
        Column("known as a bound"),
        Column("limit of blank", unit),
        Column("pooled SD of low samples", unit),
        Column("factor"),
        Column("limit of detection", unit),
    )
    rows: list[tuple[Cell, ...]] = []
    for lot in lots:
        d = lot.detection
        tail = (None, None, None) if d is None else (d.sd, d.factor, d.limit)
        rows.append((lot.lot or "all", lot.blank.n, lot.blank.censored, lot.blank.limit, *tail))
    return Grid("Limits by lot", columns, tuple(rows))


def _low_grids(lots: list[LotLimits], unit: str) -> tuple[Grid, ...]:
    rows: list[tuple[Cell, ...]] = [
        (lot.lot or "all", s.name, s.n, s.mean, s.sd, s.missed)
        for lot in lots
        if lot.detection is not None
        for s in lot.detection.samples
    ]
    if not rows:
        return ()
    columns = (
        Column("lot"),
        Column("low sample"),
        Column("results"),
        Column("mean", unit),
        Column("SD", unit),
        Column("share at or below the limit of blank"),
    )
    more = len(rows) - parts.MOST_ROWS
    note = f"{more} further samples are not listed." if more > 0 else ""
    return (Grid("Low samples", columns, tuple(rows[: parts.MOST_ROWS]), note),)


def _picture(blanks: parts.Floats, lows: parts.Floats, blankest: LotLimits, chosen: LotLimits, unit: str) -> Picture:
    edges = parts.shared_edges(blanks, lows)
    layers: list[Bars | Level] = [parts.bars(blanks, edges, "blanks", 0)]
    if lows.size:
        layers.append(parts.bars(lows, edges, "low samples", 1))
    said = []
    for name, limit in (
        ("limit of blank", blankest.blank.limit),
        ("limit of detection", None if chosen.detection is None else chosen.detection.limit),
    ):
        if limit is not None and limit.value is not None:
            layers.append(Level(limit.value, name, axis="x", kind="limit"))
            said.append(f"{name} {limit.value:.4g} {unit}".strip())
    caption = "Blanks and low samples, all lots. A result known as a bound is drawn at the bound."
    return Picture(
        "Blanks and low samples",
        f"result [{unit or '-'}]",
        "results",
        tuple(layers),
        caption,
        "; ".join(said) or "No limit.",
    )


def _numbers(lot: LotLimits) -> dict[str, object]:
    b, d = lot.blank, lot.detection
    return {
        "lot": lot.lot,
        "limit_of_blank": b.limit,
        "blank_n": b.n,
        "blank_rank": b.rank,
        "blank_mean": b.mean,
        "blank_sd": b.sd,
        "blank_factor": b.factor,
        "limit_of_detection": None if d is None else d.limit,
        "low_sd": None if d is None else d.sd,
        "low_degrees": None if d is None else d.degrees,
        "low_factor": None if d is None else d.factor,
        "low_equal_sd_p": None if d is None else d.equal_p,
    }


def _warnings(lots: list[LotLimits], taken: Taken, result: str, blank: NDArray[np.bool_]) -> tuple[str, ...]:
    said = []
    for lot in lots:
        name = f"{parts.lot_named(lot.lot, first=True)}: " if lot.lot else ""
        if lot.blank.limit.why:
            said.append(f"{name}{lot.blank.limit.why}")
        d: DetectionLimit | None = lot.detection
        if d is None:
            said.append(f"{name}no low samples, so no limit of detection.")
        elif d.equal_p is not None and d.equal_p < 0.01:
            said.append(f"{name}the SDs of the low samples differ (Bartlett p = {d.equal_p:.2g}): pooling hides it.")
    known = blank & ~taken.below[result] & ~taken.above[result]
    values = taken.numbers[result][known]
    floor = int((values == values.min()).sum()) if values.size else 0
    if values.size > 4 and floor > values.size / 4 and lots[0].blank.method == "parametric":
        said.append(f"{floor} of {values.size} blanks share the lowest value: cut off below, not normal; use ranks.")
    skew = parts.skewness(values)
    if lots[0].blank.method == "parametric" and skew is not None:
        said.append(
            f"The blanks are skew (skewness {skew:.2f}): the parametric limit lets another share through than alpha;"
            " use ranks."
        )
    return tuple(said)


DEFINITIONS = (
    Definition(
        "limit of blank, non-parametric",
        "Rank 0.5 + (1 − alpha) B of the B blank results in order, neighbours interpolated; a rank above B takes the"
        " largest. Interval by order statistics.",
        "Guideline EP17, from memory; rank: Hazen's plotting position",
    ),
    Definition(
        "limit of blank, parametric",
        "Mean of all blank results plus z/(1 − 1/(4(B − K))) of their SD, B results of K samples; on request plain z."
        " Interval exact for a normal quantile (non-central t).",
        "Guideline EP17, from memory",
    ),
    Definition(
        "limit of detection",
        "Limit of blank plus z/(1 − 1/(4(B − K))) of the SD pooled over K low samples with B results.",
        "Guideline EP17, from memory; interval: Zou GY, Donner A. Stat Med 27:1693-1702 (2008), from memory",
    ),
    Definition(
        "largest lot",
        "Each lot by itself; the largest limit of blank and the largest limit of detection count.",
        "Guideline EP17, from memory",
    ),
)
