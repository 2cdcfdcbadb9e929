"""Hanley and McNeil 1982, Table 1: area under the curve of ratings with many ties, and its variance, in fractions."""

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from stanch.verify.discrimination import area, marks


def counts() -> tuple[list[int], list[int]]:
    with Path(__file__).with_name("counts.csv").open(encoding="utf-8") as source:
        rows = list(csv.DictReader(line for line in source if not line.startswith("#")))
    return [int(row["normal"]) for row in rows], [int(row["abnormal"]) for row in rows]


def won(rating: int, other: int) -> Fraction:
    return Fraction(1) if rating > other else Fraction(1, 2) if rating == other else Fraction(0)


def fractions() -> tuple[Fraction, Fraction]:
    """Area and DeLong's variance."""
    normal, abnormal = counts()
    m, n = sum(abnormal), sum(normal)
    levels = range(len(normal))
    over = [sum(normal[j] * won(i, j) for j in levels) / n for i in levels]
    under = [sum(abnormal[i] * won(i, j) for i in levels) / m for j in levels]
    value = sum(abnormal[i] * over[i] for i in levels) / m
    s10 = sum(abnormal[i] * (over[i] - value) ** 2 for i in levels) / (m - 1)
    s01 = sum(normal[j] * (under[j] - value) ** 2 for j in levels) / (n - 1)
    return value, s10 / m + s01 / n


def test_area_and_standard_error() -> None:
    normal, abnormal = counts()
    assert (sum(normal), sum(abnormal)) == (58, 51)
    ratings = np.repeat(np.tile(np.arange(5.0), 2), normal + abnormal)
    found = area(marks(ratings, np.arange(109) >= 58))
    value, variance = fractions()
    assert found.area.value == pytest.approx(float(value), rel=1e-14)
    assert found.se == pytest.approx(float(variance) ** 0.5, rel=1e-12)
    assert found.area.value == pytest.approx(0.8931711, abs=5e-8)
