"""Median slope and 93 % interval of Sen's (1968) seven points, values by exact fractions (see source.toml)."""

from __future__ import annotations

import csv
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest

from stanch.verify.agreement import passing_bablok

HERE = Path(__file__).resolve().parent


def test_slope_interval_and_intercept() -> None:
    with (HERE / "points.csv").open(encoding="utf-8") as source:
        rows = [(float(row["x"]), float(row["y"])) for row in csv.DictReader(source)]
    expected = {key: float(Fraction(v)) for key, v in tomllib.loads((HERE / "slope.toml").read_text("utf-8")).items()}
    found = passing_bablok(*zip(*rows), level=0.93, bias_interval="none")
    assert found.ranks == (4, 18)
    assert found.line.b == expected["slope"]
    assert found.line.slope.low == pytest.approx(expected["low"], rel=1e-15)
    assert found.line.slope.high == expected["high"]
    assert found.line.a == expected["intercept"]
