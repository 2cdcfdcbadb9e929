"""The probit design: hit rates by concentration, lot by lot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.detection import _parts as parts
from stanch.verify.detection._parts import Given, Part
from stanch.verify.detection.probit import HitRates, probit
from stanch.verify.intervals import share_interval
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
)
from stanch.verify.scales import every
from stanch.verify.table import Table, Taken, left_out, take

DELTA = (
    "The delta interval is short with few tests per concentration: where 95 % were stated it held the truth in 92 % of "
    "2000 simulated studies of 6 concentrations with 20 tests each. The profile interval is the default."
)
REFUSED = "Concentrations and counts must be numbers: bounds are refused."


def from_hit_rates(table: Table, given: Given) -> Part:
    concentration, hits = parts.needed(given, "concentration", "hits")
    columns = [concentration, hits, *([given["trials"]] if given["trials"] else [])]
    taken = take(table, numbers=columns, labels=[given["lot"]] if given["lot"] else [], treatment=REFUSED)
    x, hit = taken.numbers[concentration], taken.numbers[hits]
    trials = taken.numbers[given["trials"]] if given["trials"] else np.ones(x.size)
    keep, data = _above_zero(taken, x, given)
    x, hit, trials = x[keep], hit[keep], trials[keep]
    fits: list[tuple[str, HitRates]] = []

    def add(name: str, rows: NDArray[np.bool_]) -> None:
        found = probit(
            x[rows],
            hit[rows],
            trials[rows],
            rate=1 - given["beta"],
            logarithmic=given["scale"] == "log",
            interval=given["interval"],
            confidence=given["confidence"],
            unit=given["unit"],
        )
        fits.append((name, found))

    by_lot = given["lot"] and given["lots"] == "largest"
    parts.by_group(taken.labels[given["lot"]][keep] if by_lot else None, x.size, add)
    name, fit = max(fits, key=lambda pair: pair[1].limit.value or 0.0)
    lot = f", {parts.lot_named(name)}" if name else ""
    unit = given["unit"]
    return Part(
        title="Limit of detection from hit rates",
        design=_design(fits, given),
        data=data,
        verdicts=(
            parts.at_most(f"The limit of detection is low enough{lot}", fit.limit, given["allowed_detection"], unit),
        ),
        grids=(_fits_grid(fits, unit), _rates_grid(fits, given)),
        pictures=(_picture(fit, given),),
        definitions=DEFINITIONS,
        numbers={
            "limit_of_detection": fit.limit,
            "limit_of_detection_lot": name,
            "lots": [_numbers(name, one) for name, one in fits],
        },
        warnings=(*([DELTA] if given["interval"] == "delta" else []), *_warnings(fits)),
    )


def _above_zero(taken: Taken, x: parts.Floats, given: Given) -> tuple[NDArray[np.bool_], DataUsed]:
    keep = np.ones(x.size, dtype=bool)
    if given["scale"] != "log" or not (x == 0).any():
        return keep, taken.data
    keep = x != 0
    if not keep.any():
        raise InputError("concentrations", got="zero throughout", allowed="concentrations above zero")
    return keep, left_out(taken.data, taken.row[~keep], "blank: no logarithm of zero")


def _design(fits: list[tuple[str, HitRates]], given: Given) -> tuple[str, ...]:
    said = [
        f"{'Lot ' + name + ': ' if name else ''}{fit.concentration.size} concentrations, {int(fit.trials.sum())} tests."
        for name, fit in fits
    ]
    where = "logarithm of the concentration" if given["scale"] == "log" else "concentration"
    said.append(f"Probit line in the {where} by maximum likelihood; interval: {given['interval']}.")
    if len(fits) > 1:
        said.append("Each lot by itself; the largest limit counts.")
    elif given["lot"]:
        said.append("All lots pooled.")
    return tuple(said)


def _fits_grid(fits: list[tuple[str, HitRates]], unit: str) -> Grid:
    columns = (
        Column("lot"),
        Column("limit of detection", unit),
        Column("intercept"),
        Column("slope"),
        Column("Pearson sum"),
        Column("degrees of freedom"),
        Column("p"),
    )
    rows = tuple((name or "all", f.limit, f.intercept, f.slope, f.pearson, f.degrees, f.fit_p) for name, f in fits)
    return Grid("Probit lines", columns, rows)


def _rates_grid(fits: list[tuple[str, HitRates]], given: Given) -> Grid:
    columns = (
        Column("lot"),
        Column("concentration", given["unit"]),
        Column("detected"),
        Column("tests"),
        Column("hit rate"),
        Column("hit rate of the line"),
    )
    rows: list[tuple[Cell, ...]] = []
    total = 0
    for name, fit in fits:
        total += fit.concentration.size
        modelled = fit.rate_at(fit.concentration[: parts.MOST_ROWS])[0]
        for k in range(min(fit.concentration.size, parts.MOST_ROWS - len(rows))):
            hit, n = int(fit.hits[k]), int(fit.trials[k])
            shown: Bounded = share_interval(hit, n, level=given["confidence"])
            rows.append((name or "all", float(fit.concentration[k]), hit, n, shown, float(modelled[k])))
    more = total - len(rows)
    return Grid("Hit rates", columns, tuple(rows), f"{more} further ones are not listed." if more else "")


def _picture(fit: HitRates, given: Given) -> Picture:
    low, high = float(fit.concentration.min()), float(fit.concentration.max())
    end = max(high, fit.limit.value or high)
    grid = np.geomspace(low / 1.5, end * 1.5, 121) if fit.logarithmic else np.linspace(0.0, end * 1.1, 121)
    rate, below, above = fit.rate_at(grid, level=given["confidence"])
    pick, thinned = every(fit.concentration.size, "concentration")
    share = fit.hits / fit.trials
    layers: list[Layer] = [
        Band(parts.line(grid), parts.line(below), parts.line(above), f"{100 * given['confidence']:g} % interval"),
        Line(parts.line(grid), parts.line(rate), "probit line"),
        Points(parts.line(fit.concentration[pick]), parts.line(share[pick]), "found", series=1),
        Level(fit.rate, "wanted hit rate", kind="mean"),
    ]
    if fit.limit.value is not None:
        layers.append(Level(fit.limit.value, "limit of detection", axis="x", kind="limit"))
    unit = given["unit"]
    return Picture(
        "Hit rate against concentration",
        f"concentration [{unit or '-'}]",
        "hit rate [-]",
        tuple(layers),
        f"Share of tests that detected the measurand, and the fitted line with its pointwise interval.{thinned}",
        f"{100 * fit.rate:g} % are detected from {parts.words(fit.limit.value)} {unit}".strip() + " on.",
        x_scale="log" if fit.logarithmic else "linear",
    )


def _numbers(name: str, fit: HitRates) -> dict[str, object]:
    return {
        "lot": name,
        "limit_of_detection": fit.limit,
        "intercept": fit.intercept,
        "slope": fit.slope,
        "covariance": fit.covariance.tolist(),
        "deviance": fit.deviance,
        "pearson": fit.pearson,
        "degrees": fit.degrees,
        "p": fit.fit_p,
    }


def _warnings(fits: list[tuple[str, HitRates]]) -> tuple[str, ...]:
    said = []
    for name, fit in fits:
        lot = f"{parts.lot_named(name, first=True)}: " if name else ""
        if fit.limit.why:
            said.append(f"{lot}{fit.limit.why}")
        if fit.fit_p is not None and fit.fit_p < 0.05:
            said.append(f"{lot}the hit rates scatter more than a probit line allows (p = {fit.fit_p:.2g}).")
        part = int(((fit.hits > 0) & (fit.hits < fit.trials)).sum())
        if part < 3 and fit.trials.max() > 1:
            said.append(f"{lot}only {part} concentrations are detected in part; the line rests on them.")
    return tuple(said)


DEFINITIONS = (
    Definition(
        "limit of detection",
        "Concentration at which the probit line reaches a hit rate of 1 − beta.",
        "Guideline EP17, from memory; Finney DJ. Probit Analysis (1971), from memory",
    ),
    Definition(
        "interval",
        "profile: where twice the log likelihood has fallen by the chi-square quantile; fieller: ratio of two normal"
        " estimates; delta: first order, too narrow with few tests per concentration.",
        "Venzon DJ, Moolgavkar SH. Appl Stat 37:87-94 (1988); Fieller EC. J R Stat Soc B 16:175-185 (1954); both from"
        " memory",
    ),
)
