"""Places of names, and deviations from group means at any level."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.groups import about_means, named_groups, places
from stanch.verify.table import Table, take


def test_names_have_places_in_sorted_order() -> None:
    assert places(["b", "a", "b"]).tolist() == [1, 0, 1]
    assert places(None, 3).tolist() == [0, 0, 0]


def test_groups_of_a_column_and_the_one_group_without() -> None:
    taken = take(Table.of({"lot": ["b", "a", "b"], "y": [1.0, 2.0, 3.0]}), numbers=("y",), labels=("lot",))
    names, place = named_groups(taken, "lot", most=2)
    assert (names.tolist(), place.tolist()) == (["b", "a"], [0, 1, 0])
    names, place = named_groups(taken, None, alone="new lot")
    assert (names.tolist(), place.tolist()) == (["new lot"], [0, 0, 0])
    with pytest.raises(InputError, match="column lot; got 2 lots; allowed: at most 1"):
        named_groups(taken, "lot", most=1, noun="lots")


@settings(derandomize=True, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(-50, 50)), min_size=1), st.sampled_from([0.0, 1e9, -3e12]))
def test_deviations_do_not_depend_on_the_level(rows: list[tuple[int, int]], level: float) -> None:
    which = places([k for k, _ in rows])
    values = np.array([v for _, v in rows], dtype=np.float64)
    count = np.bincount(which)
    mean, away = about_means(values + level, which, count)
    plain = np.array([values[which == k].mean() for k in range(count.size)])
    assert mean - level == pytest.approx(plain, abs=1e-12 * max(1.0, abs(level)))
    assert away == pytest.approx(values - plain[which], abs=1e-12 * max(1.0, abs(level)))


def test_equal_values_do_not_scatter() -> None:
    _, away = about_means(np.full(7, 0.1), np.zeros(7, dtype=np.intp), np.array([7]))
    assert (away == 0).all()
