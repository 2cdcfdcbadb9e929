"""The budget protocol from tables and options."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify import protocol
from stanch.verify.table import Table

BUDGET = protocol("budget")
INPUTS = Table.of(
    {
        "name": ["radius", "length", "density"],
        "value": [2.5, 2.2, 1055.0],
        "uncertainty": [0.01, None, 5.0],
        "half_width": [None, 0.02, None],
        "kind": ["systematic", "", "random"],
        "df": [None, None, 9.0],
        "unit": ["mm", "mm", "kg/m3"],
        "source": ["drawing", "hydrophone", "pycnometer"],
    }
)


def test_rows_become_inputs() -> None:
    account = BUDGET(INPUTS, model="density * radius**2 / length", unit="Pa", allowed=40.0, draws=20_000)
    found = account.numbers["results"]["y"]
    parts = {c["input"]: c for c in found["contributions"]}
    value = 1055 * 2.5**2 / 2.2
    assert found["value"] == pytest.approx(value)
    assert parts["radius"]["part"] == pytest.approx(value * 2 * 0.01 / 2.5, rel=1e-6)
    assert parts["length"]["part"] == pytest.approx(-value * 0.02 / math.sqrt(3) / 2.2, rel=1e-4)
    assert (parts["length"]["kind"], parts["density"]["kind"]) == ("systematic", "random")
    assert found["u_random"] == pytest.approx(value * 5 / 1055)
    assert account.verdicts[0].outcome == ("met" if found["expanded"] <= 40 else "not met")
    assert account.grids[-1].rows[0][-1] == "drawing"
    assert account.settings["steps"] == "fine"


def test_verdicts() -> None:
    def outcome(**given):
        return BUDGET(INPUTS, model="radius", draws=1000, **given).verdicts[0].outcome

    # U = 1.96 * 0.01.
    assert outcome() == "no limit stated"
    assert outcome(allowed=0.0196) == "met"
    assert outcome(allowed=0.0195) == "not met"
    assert outcome(allowed_percent=0.8) == "met"
    assert outcome(allowed_percent=0.7) == "not met"


def test_given_sensitivities_need_no_model() -> None:
    table = Table.of({"name": ["a", "b"], "value": [0.0, 0.0], "uncertainty": [1.0, 2.0], "sensitivity": [3.0, -2.0]})
    account = BUDGET(table, reading_value=250.0, draws=1000)
    assert account.numbers["results"]["y"]["u"] == pytest.approx(5.0)
    assert account.numbers["results"]["y"]["value"] == 250.0


def test_simultaneous_sets_have_correlated_results() -> None:
    table = Table.of({"V": [1.0, 2.0, 3.0, 4.5], "I": [2.0, 4.1, 6.0, 9.0]})
    account = BUDGET(table, design="sets", columns=("V", "I"), model="R = V / I; P = V * I", draws=5000)
    assert [v.claim.split()[-4] for v in account.verdicts] == ["R", "P"]
    assert account.grids[-2].title == "Correlation of the results"
    assert account.numbers["results"]["R"]["effective_df"] == pytest.approx(3.0)


def test_a_callable_is_run_one_set_at_a_time() -> None:
    def model(values):
        return float(values["radius"]) * math.exp(float(values["length"]))

    account = BUDGET(INPUTS, design="pipeline", model=model, draws=30)
    assert account.numbers["trials"] == 30
    assert account.settings["steps"] == "one-u"
    assert account.settings["model"] == "model"


def test_heavy_curvature_is_told() -> None:
    table = Table.of({"name": ["x"], "value": [0.0], "uncertainty": [1.0]})
    account = BUDGET(table, model="x**2")
    assert "disagree" in account.warnings[0]
    assert account.numbers["results"]["y"]["u"] == pytest.approx(0.0, abs=1e-9)
    second = BUDGET(table, model="x**2", second_order=True)
    assert second.numbers["results"]["y"]["u"] == pytest.approx(math.sqrt(2), rel=1e-6)


@pytest.mark.parametrize(
    ("columns", "given", "said"),
    [
        ({"name": ["a"], "value": [1.0]}, {}, "uncertainty or half_width"),
        ({"name": ["a"], "value": [1.0], "uncertainty": [None]}, {}, "none complete|no uncertainty"),
        ({"name": ["a"], "value": [1.0], "uncertainty": [1.0], "half_width": [1.0]}, {}, "and a half-width"),
        ({"name": ["a"], "value": [1.0], "uncertainty": [1.0], "kind": ["often"]}, {}, "random, systematic"),
        ({"name": ["a"], "value": [1.0], "uncertainty": [1.0], "shape": ["round"]}, {}, "shape of input a"),
        ({"name": ["a"], "value": [1.0], "uncertainty": [1.0]}, {"model": "a + b"}, "the name b"),
        ({"name": ["a"], "value": [1.0], "uncertainty": [1.0]}, {"model": "a", "correlation": ("a:b",)}, "correlation"),
        ({"name": ["a"], "value": [1.0], "uncertainty": [1.0]}, {"model": "1 / (a - a)"}, "not finite"),
    ],
)
def test_what_cannot_be_is_refused(columns, given, said) -> None:
    with pytest.raises(InputError, match=said):
        BUDGET(Table.of(columns), **given)


def test_misplaced_options_are_refused() -> None:
    with pytest.raises(UsageError, match="columns"):
        BUDGET(INPUTS, model="radius", columns=("a",))
    with pytest.raises(UsageError, match="recording"):
        BUDGET(INPUTS, design="pipeline")
    with pytest.raises(UsageError, match="model"):
        BUDGET(Table.of({"V": [1.0, 2.0]}), design="sets", columns=("V",))


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
def test_three_sets_with_a_constant_column(scale) -> None:
    table = Table.of({"a": [1.0 * scale, 2.0 * scale, 4.0 * scale], "b": [3.0 * scale] * 3})
    account = BUDGET(table, design="sets", columns=("a", "b"), model="a + b", draws=2000)
    found = account.numbers["results"]["y"]
    assert found["value"] == pytest.approx(scale * (7 / 3 + 3))
    assert found["u"] == pytest.approx(scale * math.sqrt(7 / 9), rel=1e-6)
    assert found["effective_df"] == pytest.approx(2.0)
    assert any("no finite variance" in warning for warning in account.warnings)


def test_a_million_sets_and_a_million_inputs() -> None:
    x = np.arange(1_000_000, dtype=np.float64)
    account = BUDGET(Table.of({"a": x, "b": -x}), design="sets", columns=("a", "b"), model="a + b", draws=1000)
    # Each mean has u = 289; the difference of exactly opposed ones has rounding only.
    assert account.numbers["results"]["y"]["u"] < 1e-4
    # Each row of the stated design is an input, so a million of them is refused and not worked on.
    table = Table.of({"name": x, "value": x, "uncertainty": x})
    with pytest.raises(InputError, match="2000 or fewer"):
        BUDGET(table)


def test_a_named_column_that_is_not_there_is_refused() -> None:
    with pytest.raises(InputError, match="column sens"):
        BUDGET(INPUTS, model="radius", sensitivity="sens")


def test_where_first_order_does_not_hold_the_trials_are_judged() -> None:
    # The square of a value of zero has no first-order uncertainty at all; its 95 % interval is known.
    table = Table.of({"name": ["x"], "value": [0.0], "uncertainty": [1.0]})
    low, high = 0.0009820691, 5.0238861873  # chi-square with 1 degree of freedom, 2.5 and 97.5 %
    account = BUDGET(table, model="x ** 2", allowed=1.0, digits=1)
    verdict = account.verdicts[0]
    assert account.numbers["results"]["y"]["expanded"] == pytest.approx(0, abs=1e-12)
    assert verdict.outcome == "not met"
    assert verdict.value.value == pytest.approx((high - low) / 2, rel=0.02)
    assert "random trials" in verdict.rule
    assert BUDGET(table, model="x ** 2", allowed=2.6, digits=1).verdicts[0].outcome == "met"
    by_factor = BUDGET(table, model="x ** 2", allowed=2.6, coverage_factor=2.0, digits=1).verdicts[0]
    assert by_factor.value.value == pytest.approx(2 * math.sqrt(2), rel=0.02)
    plain = BUDGET(table, model="3 * x", allowed=6.0, digits=1).verdicts[0]
    assert (plain.outcome, plain.value.value) == ("met", pytest.approx(3 * 1.959963985, rel=1e-6))


def test_one_of_two_limits_is_not_passed_over() -> None:
    with pytest.raises(UsageError, match="one of both"):
        BUDGET(INPUTS, model="density * radius**2 / length", allowed=40.0, allowed_percent=1.0)
