"""Tables of the account of single control results."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.verify.control._common import SHIFTS, signal_grid
from stanch.verify.control._level import ControlLevel, numbers_of
from stanch.verify.control.rules import Judged
from stanch.verify.control.runlength import cusum_run_length, ewma_run_length
from stanch.verify.intervals import share_interval
from stanch.verify.records import Column, Grid

Floats = NDArray[np.float64]


def limits_grid(levels: list[ControlLevel], unit: str) -> Grid:
    """Centre lines and limits of every level."""
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
        n = {"name": v.name, **numbers_of(v, "")}
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


def rejected_grid(
    judged: Judged, z: Floats, row: NDArray[np.intp], index: NDArray[np.intp], names: NDArray[np.str_]
) -> Grid:
    """Results that complete a rule."""
    hit = np.flatnonzero(judged.signal.any(axis=0))
    rows = [
        (
            int(row[i]),
            str(names[index[i]]),
            float(z[i]),
            judged.completed(i),
        )
        for i in hit[:100]
    ]
    columns = (Column("row"), Column("level"), Column("result", "SD"), Column("rule completed"))
    return signal_grid("Signals of the rules", rows, columns, int(hit.size))


def counts_grid(
    judged: Judged, levels: list[ControlLevel], rejected: NDArray[np.bool_], later: NDArray[np.intp]
) -> Grid:
    """Runs rejected, by rule."""
    rows: list[tuple[Any, ...]] = []
    every = rejected.size
    for name, flags in (*((r.name, judged.rejected[i]) for i, r in enumerate(judged.rules)), ("any rule", rejected)):
        late = share_interval(int(flags[later].sum()), later.size) if later.size else None
        rows.append((name, int(flags.sum()), share_interval(int(flags.sum()), every), late))
    columns = (Column("rule"), Column("runs with a signal"), Column("share of all runs"), Column("share of later runs"))
    note = "Memory is not emptied after a signal here; in the exact rates it is. Exact binomial intervals."
    return Grid("Runs rejected", columns, tuple(rows), note)


def run_lengths(s: dict[str, Any]) -> tuple[Grid, dict[str, Any]]:
    """How long the charts with memory take to signal."""
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
