"""The comparison of media as text and as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.report.lines import grid, wrapped
from stanch.report.numbers import percent, shown
from stanch.report.surface import CAUTIONS, MODEL_LABELS, printable
from stanch.rival_media import SPEAKS, MediaOfWell
from stanch.version import __version__

__all__ = ["SCHEMA", "dumps", "summary"]

SCHEMA = "stanch.media/1"
ROWS = 6
"""Pushes of a well that the text lists [-]."""

EXPLAINED = (
    "ln evidence is the natural logarithm of the marginal likelihood of the pushes under a model, over that of the "
    "model they speak for most. Pushes of a set clot share their speckle and so their error: the probability counts "
    "only as many pushes as are independent by it, all models alike before."
)


def summary(wells: Sequence[MediaOfWell], frequency: float) -> str:
    """Which medium the pushes speak for, for a terminal.

    Parameters
    ----------
    wells : sequence of MediaOfWell
    frequency : float
        The stated one [Hz].

    Returns
    -------
    str
    """
    lines: list[str] = []
    for one in wells:
        lines += ["", one.well] if lines else [one.well]
        lines += [line for problem in one.problems for line in wrapped(problem, "  ")]
        if one.run is None:
            continue
        lines += [line for text in _verdict(one) for line in wrapped(text, "  ")]
        lines += ["", *grid(("model", "pushes", "ln evidence", "ln per push", "probability"), _models(one))]
        for model in [one.run.model, *(m for m in one.states if m != one.run.model)]:
            head = ("time (min)", "ln evidence", "at", "G' (Pa)", "G''/G'")
            lines += ["", f"  {MODEL_LABELS[model]}", *grid(head, _rows(one, model))]
    lines += ["", *wrapped(EXPLAINED, ""), *wrapped(" ".join(CAUTIONS), "")]
    return printable("\n".join(lines))


def _verdict(one: MediaOfWell) -> list[str]:
    run = one.run
    if run is None:
        return []
    best, sure = MODEL_LABELS[run.model], percent(run.probability[run.model])
    told = [
        f"{run.pushes} pushes speak for {best}, before {MODEL_LABELS[run.rival]}: probability {sure} "
        f"({run.independent:.3g} independent pushes)."
    ]
    if one.spoken_from is None:
        told.append(f"At no time do the pushes so far speak for it with {100 * SPEAKS:g} %.")
    else:
        told.append(f"From {one.spoken_from / 60:.1f} min on the pushes so far speak for it with {100 * SPEAKS:g} %.")
    if one.band is not None:
        low, high = one.band
        told.append(f"The frames of the last push inform {low:.3g} to {high:.3g} Hz.")
        told += [
            f"{state.frequency:g} Hz lies outside that: what is stated there is each model's word alone."
            for state in one.states[run.model]
            if not low <= state.frequency <= high
        ]
    return told


def _models(one: MediaOfWell) -> list[tuple[str, ...]]:
    assert one.run is not None
    good = np.isfinite(np.array(list(one.evidence.values()))).all(axis=0)
    top = float(one.evidence[one.run.model][good].sum())
    rows: list[tuple[str, ...]] = []
    for model in sorted(one.evidence, key=lambda name: -one.run.probability[name] if one.run else 0.0):
        total = float(one.evidence[model][good].sum()) - top
        rows.append(
            (
                MODEL_LABELS[model],
                str(int(good.sum())),
                f"{total:.1f}",
                f"{total / good.sum():.2f}",
                percent(one.run.probability[model]),
            )
        )
    return rows


def _rows(one: MediaOfWell, model: str) -> list[tuple[str, ...]]:
    usable = np.flatnonzero(np.isfinite(one.states[model][0].storage))
    if usable.size == 0:
        return []
    chosen = usable[np.unique(np.linspace(0, usable.size - 1, min(ROWS, usable.size)).round().astype(int))]
    assert one.run is not None
    rows: list[tuple[str, ...]] = []
    for k in chosen:
        lead = float(one.evidence[model][k] - one.evidence[one.run.model][k])
        lead_text = f"{lead:.2f}" if math.isfinite(lead) else "none"
        for at, state in enumerate(one.states[model]):
            rows.append(
                (
                    f"{one.push_time[k] / 60:.1f}" if at == 0 else "",
                    lead_text if at == 0 else "",
                    f"{state.frequency:g} Hz",
                    _said(state.storage, state.storage_low, state.storage_high, k),
                    _said(state.loss_tangent, state.loss_low, state.loss_high, k),
                )
            )
    return rows


def _said(value: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64], k: int) -> str:
    ends = float(low[k]), float(high[k])
    if not math.isfinite(ends[1]) or not math.isfinite(value[k]):
        return f"above {shown(ends[0])[0]}" if math.isfinite(ends[0]) else "none"
    if ends[0] <= 0:
        return f"below {shown(ends[1])[0]}"
    middle, first, last = shown(float(value[k]), *ends)
    return f"{middle} ({first} to {last})"


def dumps(wells: Sequence[MediaOfWell], frequency: float) -> str:
    """The comparison as JSON text: every push, not rounded, never NaN or infinity.

    Parameters
    ----------
    wells : sequence of MediaOfWell
    frequency : float
        The stated one [Hz].

    Returns
    -------
    str
    """
    found = {
        "schema": SCHEMA,
        "frequency_hz": frequency,
        "wells": [_well(one) for one in wells],
        "cautions": list(CAUTIONS),
        "software": f"stanch {__version__}",
    }
    return json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(values: NDArray[np.float64]) -> list[float | None]:
    return [float(x) if math.isfinite(x) else None for x in values]


def _well(one: MediaOfWell) -> dict[str, Any]:
    run = None
    if one.run is not None:
        run = {
            "model": one.run.model,
            "rival": one.run.rival,
            "pushes": one.run.pushes,
            "independent_pushes": one.run.independent,
            "log_factor": one.run.log_factor,
            "log_factor_independent": one.run.cautious,
            "probability": one.run.probability,
            "from_s": one.spoken_from,
            "informed_band_hz": None if one.band is None else list(one.band),
        }
    models = []
    for model, states in one.states.items():
        rows = [
            {
                "frequency_hz": s.frequency,
                "informed": None if one.band is None else bool(one.band[0] <= s.frequency <= one.band[1]),
                "modulus_pa": _plain(s.storage),
                "modulus_low_pa": _plain(s.storage_low),
                "modulus_high_pa": _plain(s.storage_high),
                "loss_tangent": _plain(s.loss_tangent),
                "loss_tangent_low": _plain(s.loss_low),
                "loss_tangent_high": _plain(s.loss_high),
            }
            for s in states
        ]
        models.append({"model": model, "log_evidence": _plain(one.evidence[model]), "states": rows})
    return {
        "name": one.well,
        "push": [int(k) for k in one.push],
        "time_s": _plain(one.push_time),
        "run": run,
        "models": models,
        "problems": list(one.problems),
    }
