"""Control charts, multirules and their rates against the reference numbers, through stanch.verify."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from stanch.verify.control import Rule, cumulative_sums, individuals, moving_ranges, rates, subgroups, weighted_averages

Found = Mapping[tuple[str, str], float]


def _column(load: Any, name: str, column: str) -> np.ndarray:
    return np.array(load(name)[column], dtype=float)


def flow_rate(load: Any) -> Found:
    name = "nist_flowrate.csv (d2=1.128)"
    chart = individuals(_column(load, "nist_flowrate.csv", "x"), rounded=True)
    return {(name, "LCL"): float(chart.low[0]), (name, "UCL"): float(chart.high[0])}


def averages(load: Any) -> Found:
    name = "nist_ewma.csv exact factor"
    x = _column(load, "nist_ewma.csv", "x")
    chart = weighted_averages(x, centre=50.0, sigma=2.0539, weight=0.3, limits="asymptotic")
    return {(name, "LCL"): float(chart.low[-1]), (name, "UCL"): float(chart.high[-1])}


def sums(load: Any) -> Found:
    found = cumulative_sums(_column(load, "nist_cusum.csv", "x"), target=325.0, k=0.3175, h=4.1959).first
    assert found is not None
    return {("nist_cusum.csv", "first signal index"): float(found)}


def rings(load: Any) -> Found:
    name = "pistonrings.csv first 25, R-based exact d2"
    data = load("pistonrings.csv")
    found = subgroups(
        _column(load, "pistonrings.csv", "diameter"), data["sample"], baseline=[t == "TRUE" for t in data["trial"]]
    )
    return {
        (name, "center"): found.mean.centre,
        (name, "Rbar"): found.mean_spread,
        (name, "sigma"): found.mean.sigma,
        (name, "LCL"): float(found.mean.low[0]),
        (name, "UCL"): float(found.mean.high[0]),
    }


def run_lengths(load: Any) -> Found:
    return {("ARL 1-3s", f"ARL{shift}"): rates([Rule(beyond=3.0)], shift=shift).mean_run_length for shift in range(3)}


def false_rejection(load: Any) -> Found:
    return {("false rejection N=2", f"P_1_{m}s"): rates([Rule(beyond=float(m))], per_run=2).rejection for m in (2, 3)}


def engines(load: Any) -> Found:
    name, x = "sas_jets.csv exact d2", _column(load, "sas_jets.csv", "x")
    chart = individuals(x)
    return {
        (name, "mean"): chart.centre,
        (name, "MRbar"): float(moving_ranges(x, chart.sigma).value.mean()),
        (name, "sigma"): chart.sigma,
        (name, "LCL"): float(chart.low[0]),
        (name, "UCL"): float(chart.high[0]),
    }


CHECKS = {
    "CC1": flow_rate,
    "CC2": averages,
    "CC3": sums,
    "CC4": rings,
    "CC5": run_lengths,
    "CC6": false_rejection,
    "CC8": engines,
}
