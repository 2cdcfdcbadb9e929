"""One level of control results: its charts and what they amount to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.control._common import baseline_flags
from stanch.verify.control.chart import Chart
from stanch.verify.control.charts import individuals, moving_ranges
from stanch.verify.control.memory import Sums, cumulative_sums, weighted_averages

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ControlLevel:
    """One level with its charts."""

    name: str
    rows: NDArray[np.intp]
    base: NDArray[np.bool_]
    chart: Chart
    ranges: Chart | None
    average: Chart
    sums: Sums
    autocorrelation: float | None
    target: float
    own_centre: bool
    allowed_shift: float | None
    allowed_sd: float | None


def _of_level(given: tuple[float, ...] | None, i: int, count: int, name: str, *, one: bool = False) -> float | None:
    if not given:
        return None
    if one and len(given) == 1:
        return float(given[0])
    if len(given) != count:
        raise InputError(name, got=f"{len(given)} numbers", allowed=f"one for each of {count} levels, in table order")
    return float(given[i])


def level_of(
    name: str,
    rows: NDArray[np.intp],
    i: int,
    x: Floats,
    run: NDArray[np.str_] | None,
    phase: NDArray[np.str_] | None,
    s: dict[str, Any],
    count: int,
) -> ControlLevel:
    """The charts of one level, limits from its baseline."""
    values = x[rows]
    base = baseline_flags(rows.size, s["baseline"], None if phase is None else phase[rows], s["baseline_phase"])
    chart = individuals(
        values,
        centre=_of_level(s["mean"], i, count, "--mean"),
        sigma=_of_level(s["sd"], i, count, "--sd"),
        method=s["sigma"].replace("-", " "),
        run=None if run is None else run[rows],
        baseline=base,
        width=s["width"],
        rounded=s["d2_rounded"],
    )
    start = _of_level(s["ewma_start"], i, count, "--ewma-start")
    average = weighted_averages(
        values,
        centre=chart.centre,
        sigma=chart.sigma,
        weight=s["ewma_weight"],
        width=s["ewma_width"],
        limits=s["ewma_limits"],
        start=start,
    )
    aim = _of_level(s["target"], i, count, "--target")
    target = chart.centre if aim is None else aim
    k, h, head = (s[key] * chart.sigma for key in ("cusum_k", "cusum_h", "cusum_headstart"))
    sums = cumulative_sums(values, target=target, k=k, h=h, headstart=head)
    ranges = moving_ranges(values, chart.sigma, rounded=s["d2_rounded"]) if values.size > 1 else None
    about = values[base] - values[base].mean()
    square = float(about @ about)
    return ControlLevel(
        name,
        rows,
        base,
        chart,
        ranges,
        average,
        sums,
        float(about[1:] @ about[:-1]) / square if square > 0 else None,
        target,
        aim is None and not s["mean"],
        _of_level(s["allowed_shift"], i, count, "--allowed-shift", one=True),
        _of_level(s["allowed_sd"], i, count, "--allowed-sd", one=True),
    )


def numbers_of(level: ControlLevel, result: str) -> dict[str, Any]:
    """Everything about one level, unrounded."""
    c = level.chart
    few = c.value.size <= 2000
    return {
        "column": result,
        "n": int(c.value.size),
        "n_baseline": int(level.base.sum()),
        "centre": c.centre,
        "sigma": c.sigma,
        "low": float(c.low[0]),
        "high": float(c.high[0]),
        "outside": int(c.signal.sum()),
        "moving_ranges_outside": int(level.ranges.signal.sum()) if level.ranges else None,
        "mean_moving_range": float(level.ranges.value.mean()) if level.ranges else None,
        "ewma_outside": int(level.average.signal.sum()),
        "ewma_first": int(np.argmax(level.average.signal)) + 1 if level.average.signal.any() else None,
        "ewma_last": float(level.average.value[-1]),
        "ewma_low": level.average.low.tolist() if few else float(level.average.low[-1]),
        "ewma_high": level.average.high.tolist() if few else float(level.average.high[-1]),
        "ewma": level.average.value.tolist() if few else None,
        "cusum_h": level.sums.limit,
        "cusum_first": level.sums.first,
        "cusum_high": level.sums.high.tolist() if few else float(level.sums.high[-1]),
        "cusum_low": level.sums.low.tolist() if few else float(level.sums.low[-1]),
        "autocorrelation": level.autocorrelation,
    }
