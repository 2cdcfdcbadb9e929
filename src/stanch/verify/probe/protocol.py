"""The probe protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.errors import InputError, UsageError
from stanch.verify.equivalence import EQUIVALENCE
from stanch.verify.probe.settings import Probe, exposure, probe_effect
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import (
    Account,
    Band,
    Bounded,
    Cell,
    Column,
    Definition,
    Grid,
    Layer,
    Level,
    Line,
    Picture,
    Points,
    Rows,
    Verdict,
)
from stanch.verify.scales import grouped, thinned
from stanch.verify.table import Table, Taken, take

__all__ = ["PROTOCOL"]

QUESTION = "Does measuring change the clot?"


def _run(table: Table, **s: Any) -> Account:
    readings = [name for name in (s["onset"], s["plateau"]) if name]
    if not readings:
        raise UsageError("options --onset and --plateau", got="neither", allowed="a column for one or both")
    if (s["interval_in_use"] is None) != (s["force_in_use"] is None):
        raise UsageError("options --interval-in-use and --force-in-use", got="one of them", allowed="both or neither")
    fixed = [s[k] for k in ("interval", "force") if s[k]]
    taken = take(
        table,
        numbers=(*readings, *fixed),
        labels=(s["sample"],),
        treatment="Mean ratios need numbers: an onset or plateau known only as a bound is refused, not guessed.",
    )
    found = {}
    for word, name, margin in (
        ("onset", s["onset"], s["allowed_onset"]),
        ("plateau", s["plateau"], s["allowed_plateau"]),
    ):
        if name:
            found[word] = _one(taken, name, margin, s)
    first = next(iter(found.values()))
    return Account(
        protocol="probe",
        title="Effect of pushing on the clot",
        question=QUESTION,
        design=(
            f"{first.donors} donors, each split between {len(first.settings) + 1} combinations of push interval and "
            f"force; the gentlest: interval {first.gentlest[0]:g}, force {first.gentlest[1]:g}.",
            "Every other setting against the gentlest: paired ratio, two one-sided t tests. That all are equivalent "
            "needs each of them, and no adjustment.",
            "Logarithm of the reading along exposure within donors, run down to no pushing at all.",
        ),
        data=taken.data,
        verdicts=tuple(v for word, one in found.items() for v in _verdicts(word, one, s)),
        grids=tuple(_grid(word, one) for word, one in found.items()),
        pictures=tuple(
            p
            for word, one in found.items()
            for p in (_settings_picture(word, one, s), _trend_picture(word, one, taken, s))
        ),
        definitions=_definitions(s),
        settings=dict(s),
        numbers={
            word: {
                "ratios": [None if k.ratio is None else k.ratio.difference for k in one.settings],
                "p": [None if k.ratio is None else k.ratio.p for k in one.settings],
                "exposure": [k.exposure for k in one.settings],
                "slope": one.slope,
                "against_none": one.against_none,
            }
            for word, one in found.items()
        },
        warnings=_warnings(found, s),
    )


def _columns(taken: Taken, s: dict[str, Any]) -> tuple[Any, Any]:
    size = taken.row.size
    interval = taken.numbers[s["interval"]] if s["interval"] else np.ones(size)
    force = taken.numbers[s["force"]] if s["force"] else np.ones(size)
    return interval, force


def _one(taken: Taken, name: str, margin: float | None, s: dict[str, Any]) -> Probe:
    if not (s["interval"] or s["force"]):
        raise InputError("options --interval and --force", got="neither", allowed="a column for one or both")
    interval, force = _columns(taken, s)
    used = None if s["interval_in_use"] is None else (s["interval_in_use"], s["force_in_use"])
    return probe_effect(
        taken.numbers[name],
        taken.labels[s["sample"]],
        interval,
        force,
        in_use=used,
        margin=margin,
        measure=s["exposure"],
        slopes=s["slopes"],
        alpha=s["alpha"],
    )


def _verdicts(word: str, one: Probe, s: dict[str, Any]) -> tuple[Verdict, ...]:
    margin = s[f"allowed_{word}"]
    allowed = "" if margin is None else f"ratio within 1/{margin:g} to {margin:g}"
    effects = [k.ratio.difference for k in one.settings if k.ratio is not None]
    worst = max(effects, key=lambda e: abs(np.log(e.value)) if e.value else 0.0, default=None)
    value = worst if worst is not None else Bounded.missing("No setting has two pairs.", "1")
    return (
        Verdict(
            f"The {word} is the same at every setting",
            value,
            allowed,
            one.outcome_settings,
            f"Met when every setting's {100 * value.level:g} % interval lies inside the limits; shown is the setting "
            "farthest off.",
        ),
        Verdict(
            f"The {word} at the setting in use is as without pushing",
            one.against_none,
            allowed,
            one.outcome_trend,
            f"Met when the {100 * one.against_none.level:g} % interval of the trend, run down to no exposure, lies "
            "inside the limits.",
        ),
    )


def _grid(word: str, one: Probe) -> Grid:
    rows: list[tuple[Cell, ...]] = [
        (
            k.interval,
            k.force,
            k.exposure,
            k.donors,
            k.ratio.difference if k.ratio else None,
            k.ratio.p if k.ratio else None,
        )
        for k in one.settings
    ]
    heads = ("push interval", "push force", "exposure", "pairs", "ratio to the gentlest", "p")
    return Grid(f"Settings: {word}", tuple(Column(h) for h in heads), tuple(rows))


def _settings_picture(word: str, one: Probe, s: dict[str, Any]) -> Picture:
    shown = [(k, k.ratio.difference) for k in one.settings if k.ratio is not None][:40]
    margin = s[f"allowed_{word}"]
    layers: list[Layer] = [
        Rows(
            tuple(f"interval {k.interval:g}, force {k.force:g}" for k, _ in shown),
            tuple(e.value for _, e in shown),
            tuple(e.low for _, e in shown),
            tuple(e.high for _, e in shown),
        ),
        Level(1.0, "no effect", "x", "zero"),
    ]
    if margin is not None:
        layers += [Level(1 / margin, "allowed", "x"), Level(margin, "allowed", "x")]
    return Picture(
        f"Settings against the gentlest: {word}",
        "ratio [-]",
        "setting",
        tuple(layers),
        caption=f"Whiskers: {100 * (1 - 2 * s['alpha']):g} % interval, the one that decides.",
        alt="; ".join(f"interval {k.interval:g}, force {k.force:g}: {e.value:.4g}" for k, e in shown[:6]) + ".",
    )


def _trend_picture(word: str, one: Probe, taken: Taken, s: dict[str, Any]) -> Picture:
    interval, force = _columns(taken, s)
    dose = exposure(interval, force, measure=s["exposure"])
    top = float(dose.max()) or 1.0
    y = np.log(taken.numbers[s[word]])
    who = grouped(taken.labels[s["sample"]])[1]
    layers: list[Layer] = []
    if one.trend is not None:
        rest = y - one.trend.curve(dose / top)[0]
        moved = np.exp(np.clip(y - (np.bincount(who, rest) / np.bincount(who))[who], -700, 700))
        at = np.linspace(0.0, 1.0, 101)
        value, low, high = (np.exp(np.clip(v, -700, 700)) for v in one.trend.curve(at, level=1 - 2 * s["alpha"]))
        x = tuple(at.tolist())
        layers += [Band(x, tuple(low.tolist()), tuple(high.tolist()), "band"), Line(x, tuple(value.tolist()), "trend")]
        marks = thinned(dose / top, moved)
        layers.append(Points(marks[0], marks[1], "donors", faint=True))
    layers.append(Level(1.0, "no pushing", kind="zero"))
    margin = s[f"allowed_{word}"]
    if margin is not None:
        layers += [Level(1 / margin, "allowed"), Level(margin, "allowed")]
    thin = " Marks are thinned to 2000." if dose.size > 2000 else ""
    return Picture(
        f"Trend along exposure: {word}",
        "exposure, share of the largest [-]",
        "ratio to no pushing [-]",
        tuple(layers),
        caption=f"Marks: readings with the level of their donor taken out.{thin} At 0 the trend is an extrapolation.",
        alt=one.against_none.why or f"Setting in use against none: {one.against_none.value:.4g}.",
    )


def _definitions(s: dict[str, Any]) -> tuple[Definition, ...]:
    text = "pushes times force squared" if s["exposure"] == "work" else "pushes times force"
    return (
        Definition(
            "exposure",
            f"What is done to the clot in a given time: {text}, so force"
            + ("²" if s["exposure"] == "work" else "")
            + " over push interval. Only ratios matter.",
            "own definition",
        ),
        EQUIVALENCE,
    )


def _warnings(found: dict[str, Probe], s: dict[str, Any]) -> tuple[str, ...]:
    out = []
    for word, one in found.items():
        if s[f"allowed_{word}"] is None:
            out.append(f"No allowed ratio was stated for the {word}, so nothing is claimed about it.")
        if one.trend is not None and one.trend.left_out:
            out.append(f"{one.trend.left_out} donors had one exposure only and say nothing about the trend.")
        if one.trend is None:
            out.append(f"{one.slope.why} ({word})")
    out.append("No setting is free of pushes: the comparison with none rests on the trend being straight.")
    if s["slopes"] == "common":
        out.append("Common slopes: if donors respond differently, the interval of the trend is too short.")
    return tuple(out)


PROTOCOL = Protocol(
    "probe",
    QUESTION,
    "Onset and plateau of donors split between push intervals and forces, one well per row.",
    (
        Option("sample", "column", "Column naming the sample or donor.", required=True),
        Option("onset", "column", "Column with the onset."),
        Option("plateau", "column", "Column with the plateau."),
        Option("interval", "column", "Column with the push interval."),
        Option("force", "column", "Column with the push force, on any scale."),
        Option("interval-in-use", "number", "Push interval of the assay; by default that of the largest exposure."),
        Option("force-in-use", "number", "Push force of the assay, on the scale of the column (1 without one)."),
        Option("allowed-onset", "number", "Largest ratio of onsets that does not matter, above 1."),
        Option("allowed-plateau", "number", "Largest ratio of plateaus that does not matter, above 1."),
        Option(
            "exposure",
            "choice",
            "Pushes times force squared (work), or times force (sound).",
            default="work",
            choices=("work", "sound"),
        ),
        Option(
            "slopes",
            "choice",
            "Whether donors may respond differently.",
            default="vary",
            choices=("vary", "common"),
        ),
        Option("alpha", "number", "Error of each one-sided test.", default=0.05),
    ),
    _run,
)
