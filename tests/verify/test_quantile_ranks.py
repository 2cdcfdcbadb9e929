import csv
import math
import os
from fractions import Fraction
from pathlib import Path

import pytest

from stanch.errors import InputError
from stanch.verify.quantile_ranks import least_size, rank_interval

ROOT = Path(os.environ.get("STANCH_REFERENCE") or Path(__file__).resolve().parents[3] / "shared" / "reference")
TABLE = ROOT / "stats" / "ep28_rank_table.csv"


def binomial(k: int, n: int, p: Fraction) -> Fraction:
    """P(X <= k), exactly."""
    return sum((Fraction(math.comb(n, i)) * p**i * (1 - p) ** (n - i) for i in range(k + 1)), Fraction(0))


@pytest.mark.parametrize("n", [119, 120, 150, 240])
def test_ranks_are_the_innermost_whose_tails_are_at_most_five_per_cent(n: int) -> None:
    p, tail = Fraction(25, 1000), Fraction(5, 100)
    low, high = rank_interval(n, 0.025)
    assert low is not None
    assert high is not None
    assert binomial(low - 1, n, p) <= tail < binomial(low, n, p)
    assert 1 - binomial(high - 1, n, p) <= tail < 1 - binomial(high - 2, n, p)


@pytest.mark.skipif(not TABLE.exists(), reason="the table of ranks is not on this machine")
def test_every_row_of_a_published_table_of_ranks_is_met() -> None:
    with TABLE.open(encoding="utf-8") as source:
        rows = list(csv.DictReader(line for line in source if not line.startswith("#")))
    assert len(rows) == 882
    for row in rows:
        n = int(row["SampleSize"])
        assert rank_interval(n, 0.025) == (int(row["Lower"]), int(row["Upper"]))
        assert rank_interval(n, 0.975) == (n + 1 - int(row["Upper"]), n + 1 - int(row["Lower"]))


def test_fewer_than_119_values_have_no_outer_end() -> None:
    assert least_size(0.025) == 119
    assert rank_interval(118, 0.025)[0] is None
    assert rank_interval(118, 0.975)[1] is None
    assert rank_interval(119, 0.025)[0] == 1
    assert least_size(0.5, 0.95) == 6
    assert rank_interval(1, 0.5, 0.9) == (None, None)


@pytest.mark.parametrize("p", [0.01, 0.025, 0.05, 0.5, 0.9, 0.995])
@pytest.mark.parametrize("level", [0.8, 0.9, 0.95])
def test_the_least_size_is_where_both_ends_appear(p: float, level: float) -> None:
    n = least_size(p, level)
    assert None not in rank_interval(n, p, level)
    assert None in rank_interval(n - 1, p, level)


@pytest.mark.parametrize(("n", "p", "level"), [(0, 0.1, 0.9), (10, 0.0, 0.9), (10, 0.1, 1.0)])
def test_what_has_no_ranks_is_refused(n: int, p: float, level: float) -> None:
    with pytest.raises(InputError, match="rank interval"):
        rank_interval(n, p, level)


def test_a_single_limit_has_a_smallest_size_too() -> None:
    with pytest.raises(InputError, match="smallest size"):
        least_size(0.0)
    assert least_size(0.05) == 59
