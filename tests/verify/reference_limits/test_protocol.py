import math
from typing import Any

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.report.verification import dumps
from stanch.verify import protocol
from stanch.verify.records import Bounded
from stanch.verify.reference_limits import box_cox_limits, nonparametric_limits, robust_limits
from stanch.verify.table import Numbers, Table

RUN = protocol("reference-limits")


def people(n: int = 240, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).lognormal(5, 0.25, n)


def with_bounds(x: np.ndarray, below: Any = None, above: Any = None) -> Numbers:
    none = np.zeros(x.size, dtype=bool)
    return Numbers(x, none if below is None else below, none if above is None else above)


def grid(account: Any, title: str) -> Any:
    return next(g for g in account.grids if g.title == title)


def test_own_limits() -> None:
    x = people()
    account = RUN(Table.of({"g": x}), result="g", unit="Pa")
    found = nonparametric_limits(x, unit="Pa")
    assert account.numbers["lower"] == found.lower
    assert account.numbers["upper"] == found.upper
    assert grid(account, "Reference limits").rows[0][2] == found.lower
    assert {v.outcome for v in account.verdicts} == {"no limit stated"}
    assert account.data.used == 240
    assert account.seed is None
    assert account.settings["method"] == "non-parametric"
    assert "not decision limits" in account.warnings[0]
    assert [p.title for p in account.pictures] == ["Reference values", "Values against a normal distribution"]


@pytest.mark.parametrize(("allowed", "outcome"), [(0.5, "met"), (0.01, "not met")])
def test_the_verdict_is_the_width_against_the_laboratorys_own(allowed: float, outcome: str) -> None:
    account = RUN(Table.of({"g": people()}), result="g", allowed_ratio=allowed)
    assert [v.outcome for v in account.verdicts] == [outcome, outcome]
    assert account.verdicts[0].value.value == account.numbers["relative_width"]["lower"]


def test_too_few_people_leave_the_verdict_open() -> None:
    account = RUN(Table.of({"g": people(60)}), result="g", allowed_ratio=0.5)
    assert [v.outcome for v in account.verdicts] == ["undecided", "undecided"]
    assert any("at least 119" in said for said in account.warnings)


@pytest.mark.parametrize("method", ["non-parametric", "robust", "normal", "box-cox", "bootstrap"])
@pytest.mark.parametrize("side", ["two", "lower", "upper"])
def test_every_method_and_side_gives_an_account(method: str, side: str) -> None:
    account = RUN(Table.of({"g": people(150)}), result="g", method=method, side=side, draws=100)
    for which in ("lower", "upper"):
        limit = account.numbers[which]
        assert (limit is None) == (side not in ("two", which))
        assert limit is None or limit.low < limit.value < limit.high
    assert len(account.verdicts) == (2 if side == "two" else 1)
    dumps(account)


def test_methods_are_the_public_functions() -> None:
    x = people(150)
    robust = RUN(Table.of({"g": x}), result="g", method="robust", scale="log", draws=100, seed=9)
    assert robust.numbers["upper"] == robust_limits(x, draws=100, seed=9, logarithm=True).upper
    assert robust.seed == 9
    shifted = RUN(Table.of({"g": x}), result="g", method="box-cox", shift=10.0)
    assert shifted.numbers["upper"] == box_cox_limits(x, shift=10.0).upper


def test_outliers_are_reported_and_kept_unless_leaving_out_was_asked_for() -> None:
    x = np.append(people(150), 5000.0)
    kept = RUN(Table.of({"g": x}), result="g")
    assert kept.data.used == 151
    assert kept.numbers["flagged"]["dixon-reed"] == 1
    assert any("were kept" in said for said in kept.warnings)
    gone = RUN(Table.of({"g": x}), result="g", exclude="dixon-reed")
    assert gone.data.used == 150
    assert gone.data.excluded[0].rows == (151,)
    assert gone.numbers["upper"] == nonparametric_limits(people(150)).upper
    assert gone.numbers["excluded_as_outliers"] == 1
    assert not any("were kept; look" in said for said in gone.warnings)


def test_missing_values_are_counted() -> None:
    x = people(130)
    x[[3, 7]] = np.nan
    account = RUN(Table.of({"g": x}), result="g")
    assert (account.data.rows, account.data.used, account.data.missing["g"]) == (130, 128, 2)


def test_bounds_go_by_rank_and_other_methods_refuse_them() -> None:
    x = np.sort(people(200))
    column = with_bounds(x, below=np.arange(200) < 2)
    account = RUN(Table.of({"g": column}), result="g")
    assert account.numbers["lower"].low is None
    assert account.numbers["lower"].high is not None
    assert account.numbers["censored"] == 2
    assert account.data.censored == {"g": 2}
    assert "By rank" in account.data.censored_treatment
    with pytest.raises(InputError, match="method non-parametric or bootstrap"):
        RUN(Table.of({"g": column}), result="g", method="robust")
    with pytest.raises(InputError, match="Outlier rules were not applied"):
        RUN(Table.of({"g": column}), result="g", exclude="tukey")


def test_the_log_scale_belongs_to_two_methods() -> None:
    with pytest.raises(InputError, match="robust or normal"):
        RUN(Table.of({"g": people()}), result="g", scale="log")


def test_a_constant_has_limits_by_rank_only() -> None:
    account = RUN(Table.of({"g": np.full(130, 7.0)}), result="g", allowed_ratio=0.2)
    assert account.numbers["lower"].value == 7
    assert account.verdicts[0].outcome == "undecided"
    others = grid(account, "Other methods on the same values")
    assert all(isinstance(row[1], Bounded) and row[1].value is None for row in others.rows)
    with pytest.raises(InputError, match="all equal"):
        RUN(Table.of({"g": np.full(130, 7.0)}), result="g", method="normal")


@pytest.mark.parametrize("scale", [1e-90, 1e-12, 1e12, 1e90])
def test_units_do_not_matter(scale: float) -> None:
    one = RUN(Table.of({"g": people()}), result="g", method="box-cox")
    other = RUN(Table.of({"g": people() * scale}), result="g", method="box-cox")
    assert other.numbers["upper"].value / scale == pytest.approx(one.numbers["upper"].value)
    assert other.numbers["flagged"] == one.numbers["flagged"]


def test_three_people() -> None:
    account = RUN(Table.of({"g": [3.0, 1.0, 2.0]}), result="g")
    assert (account.numbers["lower"].value, account.numbers["upper"].value) == (1, 3)
    assert any("too few" in said for said in account.warnings)
    with pytest.raises(InputError, match="at least 3"):
        RUN(Table.of({"g": [3.0, 1.0]}), result="g")


def test_groups() -> None:
    rng = np.random.default_rng(2)
    x = np.concatenate([rng.normal(100, 10, 150), rng.normal(120, 10, 150)])
    table = Table.of({"g": x, "site": ["A"] * 150 + ["B"] * 150})
    account = RUN(table, result="g", design="partition", group="site")
    assert account.numbers["groups"]["A"]["lower"] == nonparametric_limits(x[:150]).lower
    assert account.numbers["all"]["upper"] == nonparametric_limits(x).upper
    assert account.numbers["pairs"]["A / B"]["z"] > 10
    assert [v.outcome for v in account.verdicts] == ["not met", "not met"]
    dumps(account)


def test_groups_alike_can_share_limits() -> None:
    x = np.tile(np.random.default_rng(3).normal(100, 10, 400), 2)
    table = Table.of({"g": x, "site": ["A"] * 400 + ["B"] * 400})
    account = RUN(table, result="g", design="partition", group="site")
    assert [v.outcome for v in account.verdicts] == ["met", "met"]
    swapped = RUN(
        Table.of({"g": x[::-1], "site": ["B"] * 400 + ["A"] * 400}), result="g", design="partition", group="site"
    )
    assert swapped.verdicts[0].value == account.verdicts[0].value


def test_small_groups_leave_the_shares_open() -> None:
    x = people(60)
    table = Table.of({"g": x, "site": ["A", "B"] * 30})
    account = RUN(table, result="g", design="partition", group="site", method="robust", scale="log", draws=100)
    assert account.verdicts[-1].outcome == "undecided"
    with pytest.raises(InputError, match="1 groups"):
        RUN(Table.of({"g": x, "site": ["A"] * 60}), result="g", design="partition", group="site")


def test_groups_with_bounds_have_limits_but_no_z() -> None:
    x = np.sort(people(260))
    table = Table.of({"g": with_bounds(x, below=np.arange(260) < 1), "site": ["A", "B"] * 130})
    account = RUN(table, result="g", design="partition", group="site")
    assert account.numbers["pairs"] == {}
    assert account.verdicts[0].outcome == "undecided"
    assert any("were not compared" in said for said in account.warnings)
    dumps(account)


def test_a_group_loses_its_own_outliers() -> None:
    x = np.concatenate([np.linspace(10, 11, 130), np.linspace(100, 110, 130), [200.0]])
    table = Table.of({"g": x, "site": ["A"] * 130 + ["B"] * 131})
    account = RUN(table, result="g", design="partition", group="site", exclude="dixon-reed")
    assert account.data.used == 260
    assert account.data.excluded[-1].rows == (261,)


def test_limits_from_elsewhere() -> None:
    x = np.concatenate([np.full(3, 300.0), np.full(17, 150.0), np.full(20, 140.0)])
    sets = ["one"] * 20 + ["two"] * 20
    first = RUN(Table.of({"g": x[:20]}), result="g", design="transfer", lower=90.0, upper=240.0, unit="Pa")
    assert first.numbers["decision"] == "second set"
    assert first.verdicts[0].outcome == "undecided"
    both = RUN(
        Table.of({"g": x, "s": sets}), result="g", design="transfer", lower=90.0, upper=240.0, unit="Pa", sets="s"
    )
    assert (both.numbers["outside"], both.numbers["decision"]) == ([3, 0], "accepted")
    assert both.verdicts[0].outcome == "met"
    chance = math.fsum(math.comb(20, k) * 0.05**k * 0.95 ** (20 - k) for k in range(3))
    assert both.numbers["chance_of_acceptance"]["0.05"]["one_set"] == pytest.approx(chance, rel=1e-12)
    dumps(both)


def test_limits_from_elsewhere_with_unclear_bounds() -> None:
    x = np.full(20, 150.0)
    x[:3] = [300.0, 300.0, 100.0]
    column = with_bounds(x, below=np.arange(20) == 2)
    account = RUN(Table.of({"g": column}), result="g", design="transfer", lower=90.0, upper=240.0)
    assert account.numbers["decision"] == "undecided"
    assert account.verdicts[0].value.value is None
    dumps(account)


def test_misplaced_and_absent_options() -> None:
    table = Table.of({"g": people()})
    with pytest.raises(UsageError, match="--lower or --upper"):
        RUN(table, result="g", design="transfer")
    with pytest.raises(UsageError, match="--lower"):
        RUN(table, result="g", lower=3.0)
    with pytest.raises(UsageError, match="--group"):
        RUN(table, result="g", design="partition")
    with pytest.raises(InputError, match="allowed relative width"):
        RUN(table, result="g", allowed_ratio=-1.0)
    with pytest.raises(InputError, match="coverage"):
        RUN(table, result="g", coverage=95.0)
    with pytest.raises(InputError, match="3 sets"):
        RUN(Table.of({"g": people(6), "s": ["a", "b", "c"] * 2}), result="g", design="transfer", lower=3.0, sets="s")


def test_no_word_of_decision_or_treatment() -> None:
    account = RUN(Table.of({"g": people()}), result="g")
    text = " ".join([account.question, *account.design, *(v.claim for v in account.verdicts)]).lower()
    for word in ("patient", "dose", "treat", "healthy", "abnormal"):
        assert word not in text


def test_a_million_rows() -> None:
    x = np.random.default_rng(1).lognormal(5, 0.25, 1_000_000)
    account = RUN(Table.of({"g": x}), result="g", method="box-cox")
    assert account.numbers["lower"].value == pytest.approx(math.exp(5 - 1.96 * 0.25), rel=0.005)
    assert sum(len(layer.x) for layer in account.pictures[1].layers) < 2100
    assert "marks are drawn" in account.pictures[1].caption


@pytest.mark.parametrize(
    ("n", "most", "outcome"), [(2, 2, "undecided"), (10, 2, "undecided"), (10, 1, "met"), (20, 2, "met"), (5, 0, "met")]
)
def test_limits_are_not_taken_over_by_a_rule_that_cannot_fail(n: int, most: int, outcome: str) -> None:
    table = Table.of({"g": np.full(n, 150.0)})
    account = RUN(table, result="g", design="transfer", lower=90.0, upper=240.0, most=most)
    assert account.numbers["decision"] == "accepted"
    assert account.verdicts[0].outcome == outcome


@pytest.mark.parametrize(
    ("method", "n", "warned"), [("robust", 60, True), ("robust", 150, False), ("normal", 60, False)]
)
def test_the_short_intervals_of_robust_limits_are_warned_of_where_people_are_few(
    method: str, n: int, warned: bool
) -> None:
    account = RUN(Table.of({"g": people(n)}), result="g", method=method, draws=100)
    assert any("intervals of robust limits are short" in said for said in account.warnings) is warned


@pytest.mark.parametrize(("n", "warned"), [(60, True), (150, False)])
def test_the_short_intervals_of_box_cox_limits_are_warned_of_where_people_are_few(n: int, warned: bool) -> None:
    account = RUN(Table.of({"g": people(n)}), result="g", method="box-cox")
    assert any("interval of a Box-Cox limit can be short" in said for said in account.warnings) is warned
