"""The account of duplicates of fresh samples."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.errors import UsageError
from stanch.verify.control._common import (
    DEFINITIONS,
    baseline_flags,
    chart_layers,
    one_number,
    rule_grid,
    rule_rates,
    signal_grid,
    thin_note,
)
from stanch.verify.control.duplicates import Duplicates, duplicates
from stanch.verify.control.rules import judge, parse
from stanch.verify.equivalence import outcome
from stanch.verify.intervals import sd_interval
from stanch.verify.records import Account, Bounded, Column, Definition, Grid, Picture, Verdict
from stanch.verify.table import Table, take

PAIR = Definition(
    "duplicate control",
    "Second less first result of the same fresh sample; whole blood cannot be stored, so this stands for control "
    "material. It sees scatter and a shift between the two places, never a drift that both share.",
    "Dahlberg G. Statistical methods for medical and biological students (1940), from memory",
)


def in_pairs(table: Table, question: str, settings: dict[str, Any]) -> Account:
    """Charts of the difference of duplicates."""
    s = settings
    for name in ("first", "second"):
        if not s[name]:
            raise UsageError(f"option --{name}", got="nothing", allowed="a column of results", do="Give it.")
    taken = take(
        table,
        numbers=(s["first"], s["second"]),
        labels=[s["phase"]] if s["phase"] else [],
        treatment="A difference needs two numbers: censored results are refused.",
    )
    x, y = taken.numbers[s["first"]], taken.numbers[s["second"]]
    phase = taken.labels[s["phase"]] if s["phase"] else None
    base = baseline_flags(x.size, s["baseline"], phase, s["baseline_phase"])
    found = duplicates(
        x,
        y,
        scale=s["scale"],
        centre=one_number(s["target"], "--target") or 0.0,
        sigma=one_number(s["sd"], "--sd"),
        baseline=base,
        width=s["width"],
        unit=s["unit"],
    )
    rules = tuple(parse(text) for text in s["rules"])
    z = (found.difference.value - found.difference.centre) / found.difference.sigma
    judged = judge(rules, z)
    rates_grid, rates_numbers, warned, seed = rule_rates(rules, 1, s["seed"])
    hit = np.flatnonzero(judged.signal.any(axis=0))
    signals = [(int(taken.row[i]), float(z[i]), judged.completed(i)) for i in hit[:100]]
    log = s["scale"] == "log"
    shown = "1" if log else s["unit"]
    numbers = {
        "pairs": int(x.size),
        "baseline_pairs": found.pairs,
        "sd": found.sd,
        "cv": found.cv,
        "mean_difference": float(found.difference.value.mean()),
        "low": float(found.difference.low[0]),
        "high": float(found.difference.high[0]),
        "range_high": float(found.range.high[0]),
        "outside": int(found.difference.signal.sum()),
        "ranges_outside": int(found.range.signal.sum()),
        "differences": found.difference.value.tolist() if x.size <= 2000 else None,
        "runs_rejected_by_rule": judged.runs_by_rule(),
        "rates": rates_numbers,
    }
    rows: list[tuple[str, Any]] = [("standard deviation of one measurement", found.sd)]
    if found.cv is not None:
        rows.append(("coefficient of variation", found.cv))
    rows += [("lower limit of the difference", numbers["low"]), ("upper limit of the difference", numbers["high"])]
    rows.append(("upper limit of the range", numbers["range_high"]))
    return Account(
        protocol="control",
        title="Control by duplicates of fresh samples",
        question=question,
        design=(
            f"{x.size} fresh samples, each measured twice; {found.pairs} pairs are the baseline.",
            f"Differences {'of logarithms' if log else 'in the unit of the results'}; limits at {s['width']:g} SD of a "
            "difference. They cannot show a drift that both results share: a phantom or an outside round must.",
        ),
        data=taken.data,
        verdicts=(_verdict(found.difference.value[~base] if not base.all() else found.difference.value, s, shown),),
        grids=(
            Grid("Duplicates", (Column("quantity"), Column("value", shown)), tuple(rows)),
            signal_grid(
                "Signals of the rules",
                signals,
                (Column("row"), Column("difference", "SD"), Column("rule completed")),
                int(hit.size),
            ),
            rule_grid(rules),
            rates_grid,
        ),
        pictures=_pictures(found, s),
        definitions=(PAIR, *(DEFINITIONS[k] for k in ("baseline", "rule", "false rejection"))),
        settings=settings,
        numbers=numbers,
        warnings=warned,
        seed=seed,
    )


def _pictures(found: Duplicates, s: dict[str, Any]) -> tuple[Picture, ...]:
    log, n = s["scale"] == "log", found.difference.value.size
    return (
        Picture(
            "Differences of duplicates",
            "sample in time order [-]",
            "ln(second/first) [-]" if log else f"second − first [{s['unit'] or '-'}]",
            chart_layers(found.difference, label="differences"),
            f"Limits at {s['width']:g} standard deviations of a difference." + thin_note(n),
            f"{n} differences, {int(found.difference.signal.sum())} outside the limits.",
        ),
        Picture(
            "Ranges of duplicates",
            "sample in time order [-]",
            "size of the difference [-]" if log else f"size of the difference [{s['unit'] or '-'}]",
            chart_layers(found.range, label="ranges"),
            "Above the limit: the two results of this sample do not belong together." + thin_note(n),
            f"{int(found.range.signal.sum())} ranges above the limit.",
        ),
    )


def _verdict(d: Any, s: dict[str, Any], unit: str) -> Verdict:
    most = one_number(s["allowed_sd"], "--allowed-sd")
    centre = one_number(s["target"], "--target") or 0.0
    sd = float(np.sqrt(((d - centre) ** 2).mean() / 2))
    value: Bounded = sd_interval(sd, float(d.size), level=0.90, unit=unit)
    return Verdict(
        "Duplicates scatter no more than allowed",
        value,
        ""
        if most is None
        else f"standard deviation of one measurement up to {most:g}{f' {unit}' if unit not in ('', '1', '-') else ''}",
        outcome(value, None, most),
        "Met when the whole 90 % interval of the standard deviation of the later pairs (all, without later ones) lies "
        "below the limit.",
    )
