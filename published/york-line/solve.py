"""Line through Pearson's points with York's weights, another way: the derivative of chi-square bisected in fractions.

``python published/york-line/solve.py`` prints the values of line.toml.
"""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

with Path(__file__).with_name("points.csv").open(encoding="utf-8") as source:
    ROWS = [[Fraction(row[key]) for key in ("x", "y", "weight_x", "weight_y")] for row in csv.DictReader(source)]


def profile(b: Fraction) -> tuple[Fraction, Fraction, Fraction]:
    """Best intercept for a slope, chi-square there, and its derivative along the slope, all exact."""
    weights = [1 / (1 / wy + b * b / wx) for _, _, wx, wy in ROWS]
    total = sum(weights)
    a = sum(w * (y - b * x) for w, (x, y, _, _) in zip(weights, ROWS)) / total
    rest = [y - a - b * x for x, y, _, _ in ROWS]
    chi2 = sum((w * r * r for w, r in zip(weights, rest)), Fraction(0))
    lean = sum(
        (-2 * w * r * x - 2 * b / wx * w * w * r * r for w, r, (x, _, wx, _) in zip(weights, rest, ROWS)), Fraction(0)
    )
    return a, chi2, lean


def main() -> None:
    low, high = Fraction(-1), Fraction(0)
    assert profile(low)[2] < 0 < profile(high)[2]
    for _ in range(70):
        middle = (low + high) / 2
        low, high = (middle, high) if profile(middle)[2] < 0 else (low, middle)
    a, chi2, _ = profile(low)
    print(f"intercept = {float(a):.15g}\nslope = {float(low):.15g}\nchi2 = {float(chi2):.15g}")


if __name__ == "__main__":
    main()
