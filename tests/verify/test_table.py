"""Tables in memory: what counts as a number, a name, a missing cell; and which rows a protocol gets."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.table import Numbers, Table, left_out, take


def test_arrays_lists_and_texts() -> None:
    table = Table.of(
        {
            "a": [1, None, 2.5],
            "b": ["x", None, "y"],
            "c": ["1", "<2", ""],
            "d": np.array([True, False, True]),
            "e": ["x", float("nan"), "NA"],
        }
    )
    assert table.rows == 3
    assert np.array_equal(table.numbers("a").value, [1.0, np.nan, 2.5], equal_nan=True)
    assert table.labels("b").tolist() == ["x", "", "y"]
    assert table.numbers("c").below.tolist() == [False, True, False]
    assert table.labels("c").tolist() == ["1", "<2", ""]
    assert table.numbers("d").value.tolist() == [1.0, 0.0, 1.0]
    assert table.labels("e").tolist() == ["x", "", ""]


def test_missing_marks_of_data_frames_are_missing() -> None:
    pd = pytest.importorskip("pandas")
    frame = pd.DataFrame({"a": pd.array([1, None], dtype="Int64"), "b": pd.array(["x", None], dtype="string")})
    table = Table.of({name: frame[name] for name in frame})
    assert np.array_equal(table.numbers("a").value, [1.0, np.nan], equal_nan=True)
    assert table.labels("b").tolist() == ["x", ""]


def test_numbers_as_names() -> None:
    table = Table.of({"whole": [1.0, np.nan, -3.0], "part": [1.5, 2.0, np.nan]})
    assert table.labels("whole").tolist() == ["1", "", "-3"]
    assert table.labels("part").tolist() == ["1.5", "2.0", ""]


def test_names_made_of_numbers_are_no_wider_than_they_need_be() -> None:
    runs = Table.of({"run": np.tile([7, -12, 0], 1000)}).labels("run")
    assert runs.dtype == np.dtype("<U3")
    assert runs[:3].tolist() == ["7", "-12", "0"]
    assert Table.of({"day": [np.nan, np.nan]}).labels("day").tolist() == ["", ""]
    assert Table.of({"x": [0.0, -0.0, 0.5, 1e300]}).labels("x").tolist() == ["0.0", "0.0", "0.5", "1e+300"]


@pytest.mark.parametrize(
    ("columns", "words"),
    [({"a": [1, 2], "b": [1]}, "equal length"), ({"a": [[1, 2], [3, 4]]}, "one dimension")],
)
def test_tables_that_cannot_be(columns: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Table.of(columns)


def test_a_column_that_is_not_there_is_named_with_those_that_are() -> None:
    table = Table.of({"a": [1], "b": ["x"]})
    for ask in (table.numbers, table.labels):
        with pytest.raises(InputError, match=r"column c.*allowed: a, b"):
            ask("c")


@pytest.mark.parametrize("row", [1, 2, 77, 100])
def test_the_first_cell_that_is_no_number_is_found(row: int) -> None:
    cells = [str(k) for k in range(1, 101)]
    cells[row - 1] = "five"
    cells[-1] = "six"
    with pytest.raises(InputError, match=rf"row {row}; got {'six' if row == 100 else 'five'}"):
        Table.of({"a": cells}).numbers("a")


TABLE = Table.of({"x": ["1", "", "<3", "4", "5"], "y": [1.0, 2.0, 3.0, None, 5.0], "well": ["a", "b", "a", "b", ""]})


def test_take_keeps_complete_rows_and_counts_the_rest() -> None:
    taken = take(TABLE, numbers=("x", "y"), labels=("well",), censored="keep", treatment="Kept as bounds.")
    assert taken.row.tolist() == [1, 3]
    assert taken.numbers["x"].tolist() == [1.0, 3.0]
    assert taken.below["x"].tolist() == [False, True]
    assert not taken.above["x"].any()
    assert taken.labels["well"].tolist() == ["a", "a"]
    assert taken.data.rows == 5
    assert taken.data.used == 2
    assert taken.data.missing == {"x": 1, "y": 1, "well": 1}
    assert taken.data.censored == {"x": 1, "y": 0}
    assert taken.data.censored_treatment == "Kept as bounds."
    assert [(e.why, e.count, e.rows) for e in taken.data.excluded] == [
        ("no value in x", 1, (2,)),
        ("no value in y", 1, (4,)),
        ("no value in well", 1, (5,)),
    ]


def test_take_drops_bounds_when_told_and_refuses_them_else() -> None:
    taken = take(TABLE, numbers=("x",), censored="drop", treatment="Left out.")
    assert taken.row.tolist() == [1, 4, 5]
    assert [e.why for e in taken.data.excluded] == ["no value in x", "only a bound in x"]
    with pytest.raises(InputError, match=r"row 3.*bound"):
        take(TABLE, numbers=("x",))
    assert take(TABLE, numbers=("y",)).data.censored_treatment == ""


def test_a_row_is_left_out_once_for_its_first_reason() -> None:
    taken = take(Table.of({"a": [None, None, 1], "b": [None, 1, 1]}), numbers=("a", "b"))
    assert sum(e.count for e in taken.data.excluded) + taken.data.used == taken.data.rows == 3


@pytest.mark.parametrize(
    ("columns", "words"),
    [({"a": [1.0, np.inf]}, "row 2; got infinity"), ({"a": [None, None]}, "2 rows, none complete"), ({}, "column a")],
)
def test_take_refuses(columns: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        take(Table.of(columns), numbers=("a",))


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.none(), st.floats(-1e6, 1e6).filter(lambda x: x == 0 or abs(x) > 1e-90)),
            st.sampled_from(["", "a", "b"]),
        ),
        min_size=1,
    )
)
def test_rows_used_and_left_out_add_up(rows: list[tuple[float | None, str]]) -> None:
    table = Table.of({"x": [x for x, _ in rows], "g": np.array([g for _, g in rows])})
    whole = [k for k, (x, g) in enumerate(rows, start=1) if x is not None and g]
    if not whole:
        with pytest.raises(InputError):
            take(table, numbers=("x",), labels=("g",))
        return
    taken = take(table, numbers=("x",), labels=("g",))
    assert taken.row.tolist() == whole
    assert taken.numbers["x"].tolist() == [rows[k - 1][0] for k in whole]
    assert taken.data.used + sum(e.count for e in taken.data.excluded) == len(rows)


def test_a_million_rows_are_taken_quickly() -> None:
    n = 1_000_000
    rng = np.random.default_rng(1)
    value = rng.normal(size=n)
    value[::1000] = np.nan
    table = Table.of(
        {"x": value, "well": np.array(["base", "low"])[rng.integers(0, 2, n)], "day": rng.integers(0, 20, n)}
    )
    start = time.process_time()
    taken = take(table, numbers=("x",), labels=("well", "day"))
    assert time.process_time() - start < 10
    assert taken.data.used == n - n // 1000
    assert taken.labels["well"].size == taken.row.size == taken.data.used


def test_exact_numbers_have_no_bounds() -> None:
    column = Numbers.exact([1.0, np.nan])
    assert column.missing.tolist() == [False, True]
    assert not column.censored.any()


@pytest.mark.parametrize("odd", [1e101, -1e300, 1e-101, 5e-324])
def test_sizes_whose_squares_cannot_be_held_are_refused(odd: float) -> None:
    table = Table.of({"y": [1.0, odd, 2.0], "z": [0.0, 1e100, 1e-100]})
    assert take(table, numbers=("z",)).numbers["z"][1] == 1e100
    with pytest.raises(InputError, match=r"column y of arrays, row 2; got .*1e-100 to 1e\+100 in size.*another unit"):
        take(table, numbers=("y",))


def test_rows_left_out_later_are_counted_too() -> None:
    data = take(Table.of({"x": np.arange(20.0)}), numbers=("x",)).data
    fewer = left_out(data, np.arange(1, 16), "not wanted")
    assert (fewer.used, fewer.excluded[-1].count, fewer.excluded[-1].rows) == (5, 15, tuple(range(1, 13)))
    assert left_out(data, np.array([], dtype=np.intp), "nothing") is data
