import csv
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.control import Rule, judge, parse

ROOT = Path(os.environ.get("STANCH_REFERENCE") or Path(__file__).parents[4] / "shared" / "reference")
TRUTH = ROOT / "stats" / "westgard_truth.csv"
WORDS = {
    "1_3s": "one beyond 3 SD",
    "2_2s": "two in a row beyond 2 SD same side",
    "R_4s": "two of a run beyond 2 SD on opposite sides",
    "4_1s": "four in a row beyond 1 SD same side",
    "10_x": "ten on one side",
    "2of3_2s": "two of three beyond 2 SD same side",
}
QUIET = settings(derandomize=True, deadline=None, max_examples=80)


def signals(words: str, z: list[float], **more: object) -> list[bool]:
    return judge([parse(words)], z, **more).signal[0].tolist()  # type: ignore[arg-type]


@pytest.mark.skipif(not TRUTH.exists(), reason="the truth table is not on this machine")
def test_truth_table_worked_by_hand() -> None:
    rows = list(csv.DictReader(line for line in TRUTH.read_text().splitlines() if not line.startswith("#")))
    assert len(rows) == 14
    for row in rows:
        z = [float(v) for v in row["z"].split()]
        run = ["one"] * len(z) if row["rule"] == "R_4s" else None
        found = judge([parse(WORDS[row["rule"]])], z, run=run)
        assert bool(found.signal.any()) is (row["expected"] == "1"), row["id"]


@pytest.mark.parametrize(
    ("words", "z", "at"),
    [
        ("one beyond 3 SD", [3.0, -3.0, -3.01], [2]),
        ("two in a row beyond 2 SD same side", [2.5, -2.5, -2.1, -2.1], [2, 3]),
        ("two in a row beyond 2 SD either side", [2.5, -2.5, 0.0, 3.0], [1]),
        ("two of three beyond 2 SD same side", [2.1, 2.1], [1]),
        ("two of three beyond 2 SD same side", [2.1, 0.0, 0.0, 2.1, 0.0, 2.1], [5]),
        ("three of five beyond 1 SD same side", [1.5, -1.5, 1.5, -1.5, 1.5, -1.5], [4, 5]),
        ("three on one side", [0.1, 0.0, 0.1, 0.2, 0.3, -0.1, -0.1, -0.1], [4, 7]),
        ("three in a row rising or falling", [1.0, 2.0, 2.0, 3.0, 4.0, 3.0, 2.0], [4, 6]),
    ],
)
def test_rules_signal_where_they_are_completed(words: str, z: list[float], at: list[int]) -> None:
    assert np.flatnonzero(signals(words, z)).tolist() == at


def test_opposite_sides_count_within_a_run_only() -> None:
    words = "two of a run beyond 2 SD on opposite sides"
    assert signals(words, [2.3, -2.1], run=["a", "a"]) == [False, True]
    assert signals(words, [2.3, -2.1], run=["a", "b"]) == [False, False]
    assert signals(words, [2.3, -2.0], run=["a", "a"]) == [False, False]
    # A wide range with one result inside its limit is for the other definition only.
    assert signals(words, [2.6, -1.5], run=["a", "a"]) == [False, False]
    assert signals("range within a run above 4 SD", [2.6, -1.5], run=["a", "a"]) == [False, True]
    assert signals("range within a run above 4 SD", [2.0, -2.0], run=["a", "a"]) == [False, False]


def test_levels_series_and_runs_keep_their_results_apart() -> None:
    words = "two in a row beyond 2 SD same side"
    z, level = [2.5, 0.0, 2.5, 0.0], ["low", "high", "low", "high"]
    assert signals(words, z) == [False] * 4
    assert signals(words + " by level", z, level=level) == [False, False, True, False]
    assert signals(words, [2.5, 2.5], series=["one", "two"]) == [False, False]
    assert signals(words + " within a run", [2.5, 2.5, 2.5], run=["a", "b", "b"]) == [False, False, True]


def test_results_of_one_run_are_brought_together() -> None:
    words = "two in a row beyond 2 SD same side"
    found = judge([parse(words)], [2.5, 0.0, 2.5], run=["a", "b", "a"])
    assert found.signal[0].tolist() == [False, False, True]
    assert found.rejected[0].tolist() == [True, False]


@QUIET
@given(
    st.sampled_from(["beyond", "opposite", "range", "trend"]),
    st.integers(1, 11),
    st.integers(0, 6),
    st.sampled_from([0.0, 1.0, 2.5, 3.0]),
    st.booleans(),
    st.sampled_from(["across", "level", "run"]),
)
def test_words_and_records_are_the_same(
    kind: str, count: int, more: int, beyond: float, same: bool, scope: str
) -> None:
    if kind == "opposite":
        rule = Rule("opposite", 2, 2, beyond, False, "run")
    elif kind == "range":
        rule = Rule("range", 1, 1, beyond, False, "run")
    elif kind == "trend":
        rule = Rule("trend", count + 2, count + 2, 0.0, True, scope)  # type: ignore[arg-type]
    else:
        rule = Rule("beyond", count, count + more, beyond, same or count + more == 1, scope)  # type: ignore[arg-type]
    assert parse(rule.name) == rule
    assert parse(rule.name.upper()) == rule


def plain(rule: Rule, z: list[float]) -> list[bool]:
    """The rule read off its definition, window by window."""
    out = []
    for i in range(len(z)):
        window = z[max(0, i - rule.of + 1) : i + 1]
        up, down = sum(v > rule.beyond for v in window), sum(v < -rule.beyond for v in window)
        if rule.same_side:
            hit = (z[i] > rule.beyond and up >= rule.count) or (z[i] < -rule.beyond and down >= rule.count)
        else:
            hit = abs(z[i]) > rule.beyond and up + down >= rule.count
        out.append(hit)
    return out


@QUIET
@given(
    st.lists(st.sampled_from([-3.5, -2.5, -2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.5]), min_size=1),
    st.integers(1, 4),
    st.integers(0, 3),
    st.sampled_from([0.0, 1.0, 2.0]),
    st.booleans(),
)
def test_rules_are_their_definition(z: list[float], count: int, more: int, beyond: float, same: bool) -> None:
    rule = Rule("beyond", count, count + more, beyond, same)
    assert judge([rule], z).signal[0].tolist() == plain(rule, z)
    mirrored = judge([rule], [-v for v in z]).signal[0].tolist()
    assert mirrored == judge([rule], z).signal[0].tolist()


@pytest.mark.parametrize("words", ["", "two beyond", "1-3s", "one beyond three SD", "ten on two sides"])
def test_words_that_are_no_rule_are_refused(words: str) -> None:
    with pytest.raises(InputError, match="rule"):
        parse(words)


@pytest.mark.parametrize(
    "made",
    [
        lambda: Rule(count=3, of=2),
        lambda: Rule(beyond=-1.0),
        lambda: Rule("opposite", 2, 2, 2.0),
        lambda: Rule("trend", 2, 2),
        lambda: judge([Rule(beyond=3.0)], [1.0, 2.0], run=["a"]),
        lambda: judge([Rule(beyond=3.0)], []),
    ],
)
def test_rules_that_mean_nothing_are_refused(made: object) -> None:
    with pytest.raises(InputError):
        made()  # type: ignore[operator]


def test_trade_shorthand() -> None:
    assert [parse(words).alias for words in WORDS.values()] == ["1-3s", "2-2s", "R-4s", "4-1s", "10-x", "2of3-2s"]
    assert parse("seven in a row rising or falling").alias == "7-T"
    assert parse("range within a run above 4 SD").alias == ""


def test_a_million_results() -> None:
    n = 1_000_000
    z = np.random.default_rng(5).standard_normal(n)
    rules = [parse(words) for words in WORDS.values()]
    found = judge(rules, z, run=np.repeat(np.arange(n // 2), 2), level=np.tile([0, 1], n // 2))
    assert found.rejected.shape == (len(rules), n // 2)
    assert abs(found.rejected[0].mean() - 0.0053923) < 0.0006
