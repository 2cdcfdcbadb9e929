"""The design protocol plans a study of every other protocol."""

from __future__ import annotations

import pytest
from scipy import stats

from stanch.errors import InputError, UsageError
from stanch.verify import PROTOCOLS, protocol
from stanch.verify.design.plans import KINDS
from stanch.verify.table import Table

DESIGN = protocol("design")
COMMON = {
    "sd": 1.0,
    "allowed": 1.5,
    "true_share": 0.95,
    "claimed_share": 0.9,
    "between_sd": 0.7,
    "range_sd": 5.0,
    "difference": 0.8,
    "area": 0.85,
    "claimed_area": 0.75,
    "rules": ("one beyond 3 SD",),
}
OTHERS = {
    "runs": {"allowed": 2.0, "draws": 300},
    "deming": {"allowed": 0.15},
    "claim": {"sd": 1.6, "allowed": 1.0},
    "ratio": {"sd": 0.1, "allowed": 1.1},
    "limits": {"allowed": 3.0},
    "all": {"draws": 300},
    "prediction": {"draws": 300},
}
EVERY = [(name, kind) for name, kinds in KINDS.items() for kind in kinds if kind != "passing-bablok"]


def plan(name, kind=None, **given):
    return DESIGN(None, **{"for": name}, study=kind, **given)


def test_every_other_protocol_can_be_planned() -> None:
    assert tuple(KINDS) == tuple(name for name in PROTOCOLS if name != "design")


@pytest.mark.parametrize(("name", "kind"), EVERY)
def test_the_number_is_the_smallest_that_gives_the_power(name, kind) -> None:
    given = {**{key: COMMON[key] for key in KINDS[name][kind].needs}, **OTHERS.get(kind, {})}
    account = plan(name, kind, **given)
    n = account.numbers["needed"]
    assert account.numbers["power"].value >= 0.9
    if n > 5:
        assert plan(name, kind, n=n - 1, **given).numbers["power"].value < 0.9 or kind == "share"
    scatter = account.numbers["by_scatter"]
    if len(scatter) == 3 and name not in ("control", "external") and kind != "claim":
        assert scatter["20 % smaller"]["needed"] <= n <= scatter["20 % larger"]["needed"]
        assert scatter["20 % larger"]["power"].value <= account.numbers["power"].value
    assert account.pictures[0].layers
    assert account.data.rows == 0


def test_reference_limits_need_119() -> None:
    assert plan("reference-limits", power=0.9).numbers["needed"] == 119
    assert plan("reference-limits", "one-sided", power=0.95).numbers["needed"] == 59


def test_two_groups_need_23_each() -> None:
    # 22.02 each: the smallest whole number is 23.
    assert plan("reference-limits", "groups", sd=1.0, difference=1.0).numbers["needed"] == 23


def test_a_planned_number_is_judged() -> None:
    given = {"sd": 1.0, "allowed": 1.5}
    assert plan("lots", n=7, **given).verdicts[0].outcome == "met"
    assert plan("lots", n=6, **given).verdicts[0].outcome == "not met"
    assert plan("lots", **given).verdicts == ()


def test_simulated_powers_show_their_error() -> None:
    account = plan("wells", n=8, sd=1.0, allowed=1.5, draws=400, seed=5)
    power = account.numbers["power"]
    assert power.low < power.value < power.high
    assert account.seed == 5
    assert any("simulated" in warning for warning in account.warnings)


def test_a_study_that_cannot_succeed_says_so() -> None:
    account = plan("lots", sd=1.0, allowed=0.5, difference=0.5)
    assert account.numbers["needed"] is None
    assert "No number" in account.warnings[0]
    assert account.numbers["power"].value is None


def test_passing_bablok_is_simulated() -> None:
    given = {"sd": 1.0, "range_sd": 5.0, "allowed": 0.4, "draws": 100}
    account = plan("agreement", "passing-bablok", power=0.5, **given)
    assert account.numbers["simulated_studies"] == 100
    assert account.numbers["needed"] < 40


@pytest.mark.parametrize(
    ("name", "kind", "given", "said"),
    [
        ("lots", None, {"allowed": 1.0}, "--sd"),
        ("lots", None, {"sd": 1.0, "allowed": 1.0, "wells": 4}, "--wells"),
        ("lots", "area", {}, "--study"),
    ],
)
def test_misplaced_options_are_refused(name, kind, given, said) -> None:
    with pytest.raises(UsageError, match=said):
        plan(name, kind, **given)


@pytest.mark.parametrize(
    ("name", "kind", "given", "said"),
    [
        ("lots", None, {"sd": 0.0, "allowed": 1.0}, "--sd"),
        ("lots", None, {"sd": 1.0, "allowed": 1.0, "alpha": 0.6}, "--alpha"),
        ("lots", "ratio", {"sd": 1.0, "allowed": 0.9}, "--allowed"),
        ("lots", None, {"sd": 1.0, "allowed": 1.0, "power": 1.0}, "--power"),
        ("lots", None, {"sd": 1.0, "allowed": 1.0, "n": 1}, "--n"),
        ("wells", None, {"sd": 1.0, "allowed": 1.0, "wells": 1}, "--wells"),
        ("detection", None, {"true_share": 1.0, "claimed_share": 0.9}, "share"),
    ],
)
def test_what_cannot_be_is_refused(name, kind, given, said) -> None:
    with pytest.raises(InputError, match=said):
        plan(name, kind, **given)


def test_a_table_is_refused() -> None:
    with pytest.raises(UsageError, match="table"):
        DESIGN(Table.of({"a": [1.0]}), **{"for": "lots"}, sd=1.0, allowed=1.0)


def test_five_runs_of_five_against_a_claim() -> None:
    account = plan("precision", "claim", n=5, sd=1.5, allowed=1.0)
    edge = stats.chi2.ppf(0.95, 20) / 1.5**2
    assert account.numbers["power"].value == pytest.approx(stats.chi2.sf(edge, 20), rel=1e-9)


def test_a_rule_without_memory_is_the_same_by_chain_and_by_formula() -> None:
    chain = plan("control", "rules", rules=("one beyond 3 SD",), difference=1.5, n=7)
    formula = plan("control", difference=1.5, n=7)
    assert chain.numbers["power"].value == pytest.approx(formula.numbers["power"].value, rel=1e-9)
    more = plan(
        "control", "rules", rules=("one beyond 3 SD", "two in a row beyond 2 SD same side"), difference=1.5, n=7
    )
    assert more.numbers["power"].value > chain.numbers["power"].value
