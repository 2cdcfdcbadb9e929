"""The interference protocol from a table to an account."""

import json

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify import protocol
from stanch.verify.table import Numbers, Table

INTERFERENCE = protocol("interference")


def _plain(found):
    return json.dumps(found.numbers, default=lambda b: b.as_dict(), allow_nan=False)


def test_pools_are_judged_one_by_one():
    rng = np.random.default_rng(0)
    control = np.r_[rng.normal(100, 3, 10), rng.normal(500, 10, 10)]
    test = np.r_[control[:10] * 1.01, control[10:] * 1.3] * np.exp(rng.normal(0, 0.002, 20))
    table = Table.of({"c": control, "t": test, "pool": ["low"] * 10 + ["high"] * 10})
    found = INTERFERENCE(
        table, design="paired", control="c", test="t", pool="pool", allowed=1.1, scale="ratio", factor="haemolysis"
    )
    assert [v.outcome for v in found.verdicts] == ["met", "not met"]
    assert "haemolysis" in found.verdicts[0].claim
    assert len(found.pictures) == 1
    assert _plain(found)


def test_stability_states_the_lower_limit_of_the_time():
    x = np.tile([0.0, 1, 2, 4], 6)
    rng = np.random.default_rng(1)
    y = np.exp(6 - 0.04 * x + rng.normal(0, 0.01, 24))
    table = Table.of({"h": x, "g": y, "d": np.repeat([f"d{k}" for k in range(6)], 4)})
    found = INTERFERENCE(
        table,
        design="stability",
        time="h",
        result="g",
        sample="d",
        allowed=1.1,
        scale="ratio",
        claim=2.0,
        along_unit="h",
        factor="rest after draw",
    )
    assert found.verdicts[0].outcome == "met"
    up = found.numbers["tolerated_up"]
    assert up.low < up.value < (up.high or np.inf)
    assert any(layer.label == "limit to state" for layer in found.pictures[0].layers if hasattr(layer, "label"))
    assert found.warnings == ()
    assert _plain(found)


def test_one_sample_is_warned_about():
    table = Table.of({"d": [0.0, 1, 2, 3], "y": [10.0, 10.1, 10.2, 10.4]})
    found = INTERFERENCE(table, design="dose", dose="d", result="y", allowed=1.0)
    assert any("One sample only" in w for w in found.warnings)
    assert found.verdicts[0].outcome == "no limit stated"


def test_without_a_limit_nothing_is_claimed():
    table = Table.of({"c": [1.0, 2, 3], "t": [1.1, 2.0, 3.1]})
    found = INTERFERENCE(table, design="paired", control="c", test="t")
    assert found.verdicts[0].outcome == "no limit stated"
    assert found.warnings == ("No allowed change was stated, so nothing is claimed.",)


@pytest.mark.parametrize("scheme", ["sequences", "random"])
def test_carry_over_in_its_order(scheme):
    rng = np.random.default_rng(2)
    if scheme == "sequences":
        name = np.tile(["H", "H", "H", "L", "L", "L"], 5)
    else:
        name = rng.choice(["H", "L"], 60)
    mu = np.where(name == "H", 1000.0, 100.0)
    before = np.r_[mu[0], mu[:-1]]
    y = mu + 0.02 * (before - mu) + rng.normal(0, 2, mu.size)
    turn = rng.permutation(mu.size)
    table = Table.of({"y": y[turn], "s": name[turn], "at": np.arange(mu.size)[turn].astype(float)})
    more = {"high": "H", "low": "L"} if scheme == "sequences" else {}
    found = INTERFERENCE(
        table, design="carry-over", scheme=scheme, result="y", sample="s", order_of="at", allowed=0.05, **more
    )
    assert found.verdicts[0].outcome == "met"
    assert found.numbers["share"].value == pytest.approx(0.02, abs=0.005)
    assert _plain(found)


def test_bounds_are_refused_with_the_reason():
    values = Numbers(np.array([1.0, 2, 3]), np.zeros(3, bool), np.array([False, True, False]))
    with pytest.raises(InputError, match="refused, not guessed"):
        INTERFERENCE(Table.of({"c": [1.0, 2, 3], "t": values}), design="paired", control="c", test="t")


def test_an_option_of_another_design_is_refused():
    with pytest.raises(UsageError, match="--dose"):
        INTERFERENCE(Table.of({"c": [1.0], "t": [1.0]}), design="paired", control="c", test="t", dose="c")


def test_uneven_sequences_are_refused():
    table = Table.of({"y": [9.0, 9, 1, 1, 9, 1, 1], "s": ["H", "H", "L", "L", "H", "L", "L"]})
    with pytest.raises(InputError, match="unequal numbers"):
        INTERFERENCE(table, design="carry-over", result="y", sample="s", high="H", low="L")
