"""Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2 and its examples; see source.toml."""

import csv
import tomllib
from pathlib import Path

import numpy as np
import pytest

from stanch.verify.control import cumulative_sums, individuals, parse, rates, weighted_averages

HERE = Path(__file__).parent
PRINTED = tomllib.loads((HERE / "printed.toml").read_text(encoding="utf-8"))


def column(name: str, which: str) -> np.ndarray:
    rows = csv.DictReader((HERE / f"{name}.csv").read_text(encoding="utf-8").splitlines())
    return np.array([float(row[which]) for row in rows])


def test_individuals_chart_of_flow_rates() -> None:
    chart = individuals(column("flowrate", "x"), rounded=True)
    assert chart.low[0] == pytest.approx(PRINTED["flowrate"]["low"], abs=5e-5)
    assert chart.high[0] == pytest.approx(PRINTED["flowrate"]["high"], abs=5e-5)
    # The exact constant moves the limits in the fourth digit after the point.
    exact = individuals(column("flowrate", "x"))
    assert abs(exact.high[0] - PRINTED["flowrate"]["high"]) > 1e-3
    assert not chart.signal.any()


def test_weighted_averages() -> None:
    printed = PRINTED["ewma"]
    chart = weighted_averages(
        column("ewma", "x"),
        centre=printed["start"],
        sigma=printed["sd"],
        weight=printed["weight"],
        limits="asymptotic",
    )
    assert chart.value == pytest.approx(column("ewma", "ewma_published"), abs=0.0051)
    # The handbook rounds the factor of the limits, so its last digit is off by one or two.
    assert chart.low[0] == pytest.approx(printed["low"], abs=2e-4)
    assert chart.high[0] == pytest.approx(printed["high"], abs=2e-4)
    assert not chart.signal.any()


def test_cumulative_sums() -> None:
    printed = PRINTED["cusum"]
    found = cumulative_sums(column("cusum", "x"), target=printed["target"], k=printed["k"], h=printed["h"])
    assert found.first == printed["first_signal"]
    assert found.signal_high[13:].all()
    assert not found.signal_low.any()


def test_zone_rules() -> None:
    words = (
        "one beyond 3 SD",
        "two of three beyond 2 SD same side",
        "four of five beyond 1 SD same side",
        "eight on one side",
    )
    rules = [parse(text) for text in words]
    assert rates(rules[:1]).mean_run_length == pytest.approx(PRINTED["zone_rules"]["alone"], abs=1.0)
    assert rates(rules).mean_run_length == pytest.approx(PRINTED["zone_rules"]["all_four"], abs=5e-3)
