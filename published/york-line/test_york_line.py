"""Line through Pearson's (1901) points with York's (1966) weights, values by exact fractions (see source.toml)."""

from __future__ import annotations

import csv
import math
import tomllib
from pathlib import Path

import pytest

from stanch.verify.agreement import known_errors

HERE = Path(__file__).resolve().parent


def test_line_and_chi_square() -> None:
    with (HERE / "points.csv").open(encoding="utf-8") as source:
        rows = [[float(cell) for cell in row.values()] for row in csv.DictReader(source)]
    x, y, wx, wy = zip(*rows)
    expected = tomllib.loads((HERE / "line.toml").read_text(encoding="utf-8"))
    found = known_errors(x, y, [1 / math.sqrt(w) for w in wx], [1 / math.sqrt(w) for w in wy])
    assert found.line.a == pytest.approx(expected["intercept"], rel=1e-12)
    assert found.line.b == pytest.approx(expected["slope"], rel=1e-12)
    assert found.chi2 == pytest.approx(expected["chi2"], rel=1e-12)
    assert found.chi2_df == 8
