"""Every pairwise slope of Sen's points in exact fractions, its median and the ends at ranks 4 and 18 of 21.

``python published/sen-slope/slopes.py`` prints the values of slope.toml.
"""

from __future__ import annotations

import csv
from fractions import Fraction
from itertools import combinations
from pathlib import Path


def main() -> None:
    with Path(__file__).with_name("points.csv").open(encoding="utf-8") as source:
        points = [(Fraction(row["x"]), Fraction(row["y"])) for row in csv.DictReader(source)]
    slopes = sorted((d - b) / (c - a) for (a, b), (c, d) in combinations(points, 2))
    assert all(slope > -1 for slope in slopes)
    middle = slopes[len(slopes) // 2]
    heights = sorted(y - middle * x for x, y in points)
    for name, value in (("slope", middle), ("low", slopes[3]), ("high", slopes[17]), ("intercept", heights[3])):
        print(f'{name} = "{value}"')


if __name__ == "__main__":
    main()
