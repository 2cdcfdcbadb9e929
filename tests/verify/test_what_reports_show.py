"""What a reader sees: limits in the pictures that answer to them, axes named by columns, lots and ranks in words."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify import protocol
from stanch.verify.records import Account, Bars, Level
from stanch.verify.table import Table

RNG = np.random.default_rng(11)


def limits(account: Account, picture: str) -> dict[str, float]:
    (found,) = (one for one in account.pictures if one.title == picture)
    return {layer.label: layer.value for layer in found.layers if isinstance(layer, Level) and layer.axis == "x"}


def test_imprecision_is_drawn_against_what_is_allowed() -> None:
    rows = [(d, r, 300 + RNG.normal()) for d in range(8) for r in (1, 2)]
    day, run, y = (list(column) for column in zip(*rows))
    table = Table.of({"day": day, "run": run, "y": y})
    found = protocol("precision")(table, result="y", factors=("day",), allowed_repeatability_sd=2.0)
    assert limits(found, "Standard deviations by source") == {"allowed repeatability": 2.0}
    fresh: dict[str, Any] = {"design": "fresh", "result": "y", "sample": "day", "allowed_repeatability_cv": 6.0}
    assert limits(protocol("precision")(table, **fresh), "Coefficient of variation by level") == {
        "allowed repeatability": 6.0
    }


def test_shares_and_areas_are_drawn_against_what_is_asked_for() -> None:
    truth = ["yes"] * 20 + ["no"] * 20
    said = ["positive"] * 18 + ["negative"] * 19 + ["positive"] * 3
    table = Table.of({"truth": truth, "said": said, "x": RNG.normal(size=40), "ward": ["a", "b"] * 20})
    who: dict[str, Any] = {"truth": "truth", "positive": "yes"}
    found = protocol("discrimination")(table, design="decisions", decision=("said",), least_sensitivity=0.7, **who)
    assert limits(found, "Sensitivity and specificity") == {"least sensitivity": 70.0}
    apart = protocol("discrimination")(table, design="unpaired", reading=("x",), group="ward", least_area=0.8, **who)
    assert limits(apart, "Areas by set of people") == {"least allowed": 0.8}


def test_a_narrow_group_beside_a_wide_one_is_more_than_one_bar() -> None:
    x = np.concatenate([np.linspace(0.85, 1.15, 60), np.linspace(0.9, 6.0, 40)])
    table = Table.of({"truth": ["no"] * 60 + ["yes"] * 40, "x": x})
    found = protocol("discrimination")(table, truth="truth", positive="yes", reading=("x",), draws=50)
    (picture,) = (one for one in found.pictures if one.title == "Both groups: x")
    narrow, _ = (layer for layer in picture.layers if isinstance(layer, Bars))
    assert sum(height > 0 for height in narrow.heights) > 1


def test_methods_are_named_by_their_columns() -> None:
    x = np.linspace(10, 60, 40)
    table = Table.of({"pin": x, "gel": 500 * x / (100 - x) * np.exp(0.02 * RNG.normal(size=40))})
    found = protocol("agreement")(table, x="pin", y="gel", amplitude="x", error_ratio=1.0, unit="Pa")
    assert (found.pictures[0].x_label, found.pictures[0].y_label) == ("x: pin, as modulus [Pa]", "y: gel [Pa]")


@pytest.mark.parametrize(("names", "said"), [(("lot 1", "Lot 2"), "lot lot"), (("1a", "2b"), "lot 1a")])
def test_a_lot_whose_name_says_so_is_not_called_a_lot_twice(names: tuple[str, str], said: str) -> None:
    kind = (["blank"] * 30 + ["low"] * 30) * 2
    y = np.tile(np.concatenate([RNG.normal(2, 1, 30), RNG.normal(8, 1, 30)]), 2)
    table = Table.of({"y": y, "kind": kind, "lot": [names[0]] * 60 + [names[1]] * 60})
    found = protocol("detection")(table, result="y", kind="kind", lot="lot")
    text = " ".join([*found.design, *(one.claim for one in found.verdicts)])
    assert (said in text.lower()) == (said == "lot 1a")
    assert found.design[0].startswith("Lot ")


def test_a_block_fraction_is_asked_for_as_a_share() -> None:
    table = Table.of({"b": [400.0, 500.0, 450.0], "k": [100.0, 120.0, 110.0], "f": [90.0, 110.0, 100.0]})
    columns: dict[str, Any] = {"design": "block", "base": "b", "blocked": "k", "reference_well": "f"}
    assert protocol("reagents")(table, least=0.9, **columns).verdicts[0].outcome == "met"
    with pytest.raises(InputError, match="a share above 0"):
        protocol("reagents")(table, least=90.0, **columns)


def test_open_ranks_are_said_in_words() -> None:
    table = Table.of({"y": RNG.normal(10, 1, 60)})
    found = protocol("reference-limits")(table, result="y")
    (grid,) = (one for one in found.grids if one.title == "Reference limits")
    place = [column.name for column in grid.columns].index("ranks of the interval")
    assert [str(row[place]).split()[0] for row in grid.rows] == ["up", "from"]


def test_the_chosen_control_rules_come_first_and_are_named() -> None:
    found = protocol("control")(None, design="rule-choice", allowed_error=15.0, bias=1.0, cv=3.4)
    (grid,) = (one for one in found.grids if one.title == "Candidates")
    asked = [str(row[-1]) for row in grid.rows]
    assert asked[0] == "chosen"
    assert asked[1:] == sorted(asked[1:], reverse=True)
    assert str(grid.rows[0][1]) in found.verdicts[0].value.why


def test_budgets_of_different_kinds_have_different_titles() -> None:
    stated = Table.of({"name": ["a", "b"], "value": [1.0, 2.0], "uncertainty": [0.1, 0.1]})
    sets = Table.of({"a": [1.0, 1.1, 0.9, 1.05], "b": [2.0, 2.1, 1.9, 2.02]})
    one = protocol("budget")(stated, model="a * b").title
    other = protocol("budget")(sets, design="sets", columns=("a", "b"), model="a * b").title
    assert (one, other) == ("Uncertainty budget", "Uncertainty budget of quantities read together")
