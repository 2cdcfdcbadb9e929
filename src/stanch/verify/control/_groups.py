"""The account of subgroup means."""

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
    shift_of,
    signal_grid,
    thin_note,
)
from stanch.verify.control._single import CENSORED
from stanch.verify.control.rules import Judged, judge, parse
from stanch.verify.control.subgroups import Subgroups, subgroups
from stanch.verify.equivalence import outcome
from stanch.verify.records import Account, Bounded, Column, Grid, Picture, Verdict
from stanch.verify.scales import grouped
from stanch.verify.table import Table, take


def in_groups(table: Table, question: str, settings: dict[str, Any]) -> Account:
    """Charts of the means of runs with several results each, and of the spread inside."""
    s = settings
    if not s["run"]:
        raise UsageError("option --run", got="nothing", allowed="the column that names the subgroup", do="Give it.")
    named = [c for c in (s["run"], s["phase"]) if c]
    taken = take(table, numbers=(s["result"],), labels=named, treatment=CENSORED)
    x, run = taken.numbers[s["result"]], taken.labels[s["run"]]
    names, index = grouped(run)
    if s["phase"]:
        base = baseline_flags(x.size, s["baseline"], taken.labels[s["phase"]], s["baseline_phase"])
    else:
        base = baseline_flags(names.size, s["baseline"], None, "")[index]
    found = subgroups(
        x,
        run,
        by=s["spread"],
        centre=one_number(s["mean"], "--mean"),
        sigma=one_number(s["sd"], "--sd"),
        baseline=base,
        width=s["width"],
        rounded=s["d2_rounded"],
    )
    rules = tuple(parse(text) for text in s["rules"])
    # One mean per subgroup is its own run: rules across runs apply, rules inside a run cannot signal.
    z = (found.mean.value - found.mean.centre) / (found.mean.sigma / np.sqrt(found.size))
    judged = judge(rules, z)
    whole = np.ones(names.size, dtype=bool)
    whole[index[~base]] = False
    rates_grid, rates_numbers, warned, seed = rule_rates(rules, 1, s["seed"], unit="standard errors of a mean")
    hit = np.flatnonzero(judged.signal.any(axis=0))
    signals = [(found.names[i], float(z[i]), judged.completed(i)) for i in hit[:100]]
    word = "range" if s["spread"] == "range" else "standard deviation"
    sizes = (
        f"{found.size.min()}" if found.size.min() == found.size.max() else f"{found.size.min()} to {found.size.max()}"
    )
    verdict = _verdict(found, whole, s)
    single = tuple(str(names[i]) for i in np.flatnonzero(found.size == 1)[:12])
    return Account(
        protocol="control",
        title="Internal quality control by subgroups",
        question=question,
        design=(
            f"{x.size} control results in {len(found.names)} subgroups of {sizes}; {int(whole.sum())} are baseline.",
            f"Standard deviation inside subgroups from the {word} of each, limits at {s['width']:g} standard errors.",
            "A scatter between subgroups is not part of it.",
        ),
        data=taken.data,
        verdicts=(verdict,),
        grids=(
            _limits_grid(found, word, s["unit"]),
            signal_grid(
                "Signals of the rules",
                signals,
                (Column("subgroup"), Column("mean", "standard errors"), Column("rule completed")),
                int(hit.size),
            ),
            rule_grid(rules),
            rates_grid,
        ),
        pictures=_pictures(found, s),
        definitions=tuple(DEFINITIONS[k] for k in ("baseline", "rule", "false rejection")),
        settings=settings,
        numbers={**_numbers(found, judged, int(whole.sum())), "rates": rates_numbers},
        warnings=(*((f"Subgroups of one result have no spread: {', '.join(single)}.",) if single else ()), *warned),
        seed=seed,
    )


def _numbers(found: Subgroups, judged: Judged, baseline: int) -> dict[str, Any]:
    return {
        "subgroups": len(found.names),
        "baseline_subgroups": baseline,
        "centre": found.mean.centre,
        "sigma": found.mean.sigma,
        "mean_spread": found.mean_spread,
        "low": float(found.mean.low[0]),
        "high": float(found.mean.high[0]),
        "spread_low": float(found.spread.low[0]),
        "spread_high": float(found.spread.high[0]),
        "means_outside": int(found.mean.signal.sum()),
        "spreads_outside": int(found.spread.signal.sum()),
        "means": found.mean.value.tolist() if len(found.names) <= 2000 else None,
        "runs_rejected_by_rule": judged.runs_by_rule(),
    }


def _limits_grid(found: Subgroups, word: str, unit: str) -> Grid:
    return Grid(
        "Control limits",
        (Column("quantity"), Column("value", unit)),
        (
            ("centre line", found.mean.centre),
            ("standard deviation inside subgroups", found.mean.sigma),
            (f"mean {word}", found.mean_spread),
            ("lower limit of the first mean", float(found.mean.low[0])),
            ("upper limit of the first mean", float(found.mean.high[0])),
            ("lower limit of the first spread", float(found.spread.low[0])),
            ("upper limit of the first spread", float(found.spread.high[0])),
        ),
        "With subgroups of unequal size every one has limits of its own.",
    )


def _verdict(found: Subgroups, whole: Any, s: dict[str, Any]) -> Verdict:
    unit, edge = s["unit"], one_number(s["allowed_shift"], "--allowed-shift")
    claim = "The control keeps its level"
    later = found.mean.value[~whole] if not whole.all() else found.mean.value
    if whole.all() and not s["target"] and not s["mean"]:
        none = Bounded.missing("There are no later subgroups: the baseline sets the centre line itself.", unit)
        return Verdict(claim, none, "", "undecided" if edge else "no limit stated", "")
    if later.size < 2:
        none = Bounded.missing("Fewer than two later subgroups.", unit)
        return Verdict(claim, none, "", "undecided" if edge else "no limit stated", "")
    centre = found.mean.centre if not s["target"] else float(s["target"][0])
    own = not s["target"] and not s["mean"]
    shift = shift_of(later, centre, found.mean.value[whole] if own else None, unit)
    rule = "Met when the whole 90 % interval of the mean of the later subgroup means less the centre line is inside."
    if own:
        rule += " The scatter of the baseline, which sets the line, is part of the interval (Welch)."
    return Verdict(
        claim,
        shift,
        "" if edge is None else f"mean shift within ±{edge:g} {unit}".strip(),
        outcome(shift, None if edge is None else -edge, edge),
        rule,
    )


def _pictures(found: Subgroups, s: dict[str, Any]) -> tuple[Picture, ...]:
    unit = s["unit"] or "-"
    n = len(found.names)
    word = "range" if s["spread"] == "range" else "standard deviation"
    return (
        Picture(
            "Subgroup means",
            "subgroup in time order [-]",
            f"mean [{unit}]",
            chart_layers(found.mean, label="means"),
            f"Limits at {s['width']:g} standard errors." + thin_note(n),
            f"{n} subgroup means, {int(found.mean.signal.sum())} outside the limits.",
        ),
        Picture(
            "Spread inside subgroups",
            "subgroup in time order [-]",
            f"{word} [{unit}]",
            chart_layers(found.spread, label=word),
            "Subgroups of one result have none." + thin_note(n),
            f"{int(found.spread.signal.sum())} of {n} outside the limits.",
        ),
    )
