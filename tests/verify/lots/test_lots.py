import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.lots import differences, holm, lot_change, paired_power, pairs_needed, rank_shift
from stanch.verify.lots.protocol import PROTOCOL
from stanch.verify.records import Account, Bounded
from stanch.verify.table import Numbers, Table

QUIET = settings(derandomize=True, deadline=None, max_examples=60)
OLD = [10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0]
NEW = [10.4, 20.8, 30.1, 41.2, 51.1, 60.9, 71.5, 81.0, 92.2]


def run(columns: dict[str, object], **more: object) -> Account:
    return PROTOCOL(Table.of(columns), old="old", new="new", **more)


def number(found: Bounded | None) -> float:
    assert found is not None
    assert found.value is not None
    return found.value


def test_a_difference_by_hand() -> None:
    found = lot_change([1.0, 2.0, 3.0], [2.0, 3.0, 5.0], allowed=5.0)
    assert number(found.difference) == pytest.approx(4 / 3)
    assert found.sd == pytest.approx(math.sqrt(1 / 3))
    assert found.t == pytest.approx(4.0)
    assert found.p == pytest.approx(2 * (1 - (1 + 4 / math.sqrt(18)) / 2))  # t of 4 on 2 degrees of freedom
    assert found.outcome == "met"
    assert found.deciding == found.equivalence.difference


@pytest.mark.parametrize("scale", ["difference", "ratio", "percent"])
@pytest.mark.parametrize("method", ["t", "signed-rank"])
def test_lots_swapped_are_mirrored(scale: str, method: str) -> None:
    more = {"scale": scale, "method": method, "percent_of": "mean"}
    one, two = lot_change(OLD, NEW, **more), lot_change(NEW, OLD, **more)  # type: ignore[arg-type]
    a, b = number(one.deciding), number(two.deciding)
    assert a == pytest.approx(1 / b if scale == "ratio" else -b, rel=1e-12)
    assert one.trend is not None
    assert two.trend is not None
    assert one.trend.tau == pytest.approx(-two.trend.tau)


@pytest.mark.parametrize("factor", [1e-12, 1e12])
def test_ratios_and_percent_know_no_unit(factor: float) -> None:
    old, new = np.array(OLD), np.array(NEW)
    for scale in ("ratio", "percent"):
        one = lot_change(old, new, scale=scale, allowed=1.1)  # type: ignore[arg-type]
        two = lot_change(factor * old, factor * new, scale=scale, allowed=1.1)  # type: ignore[arg-type]
        assert number(two.difference) == pytest.approx(number(one.difference), rel=1e-9)
        assert two.outcome == one.outcome
    shift = lot_change(factor * old, factor * new, allowed=factor * 3)
    assert number(shift.difference) == pytest.approx(factor * number(lot_change(old, new).difference), rel=1e-9)


def test_percent_of_old_and_of_the_mean() -> None:
    assert differences([100.0], [110.0], scale="percent") == pytest.approx(10.0)
    assert differences([100.0], [110.0], scale="percent", percent_of="mean") == pytest.approx(1000 / 105)
    assert differences([100.0], [110.0], scale="ratio") == pytest.approx(math.log(1.1))


def test_three_pairs() -> None:
    by_t = lot_change([1.0, 2.0, 3.0], [1.1, 2.0, 3.2], allowed=1.0)
    assert by_t.outcome == "met"
    assert by_t.trend is not None
    assert by_t.trend.thirds == ()
    ranks = lot_change([1.0, 2.0, 3.0], [1.1, 2.0, 3.2], allowed=1.0, method="signed-rank")
    # With three pairs the smallest one-sided p value is 1/8.
    assert ranks.p_equivalence == pytest.approx(1 / 8)
    assert ranks.outcome == "undecided"
    assert ranks.deciding is not None
    assert ranks.deciding.low is None
    assert "3 pairs" in ranks.deciding.why


def test_equal_differences_have_no_test_and_no_trend() -> None:
    found = lot_change([1.0, 2.0, 3.0], [2.0, 3.0, 4.0], allowed=2.0)
    assert (found.t, found.p, found.sd) == (None, None, 0.0)
    assert found.trend is not None
    assert found.trend.tau is None
    account = run({"old": [1.0, 2.0, 3.0], "new": [2.0, 3.0, 4.0]}, allowed=2.0)
    assert any("equal" in w for w in account.warnings)
    assert account.numbers["power"] is None


def brute(d: list[float]) -> list[float]:
    return sorted((d[i] + d[j]) / 2 for i in range(len(d)) for j in range(i, len(d)))


@QUIET
@given(st.lists(st.integers(-50, 50), min_size=1, max_size=40))
def test_the_rank_shift_is_the_median_of_pairwise_means(d: list[int]) -> None:
    found = rank_shift(np.array(d, dtype=float))
    assert number(found.shift) == pytest.approx(float(np.median(brute([float(v) for v in d]))))


def test_many_pairs_take_the_same_order_statistics_as_few() -> None:
    d = np.round(np.random.default_rng(1).normal(0, 1, 3000), 2)
    i, j = np.triu_indices(d.size)
    means = np.sort((d[i] + d[j]) / 2)
    found = rank_shift(d, lower=-0.1, upper=0.1)
    assert number(found.shift) == pytest.approx(float(np.median(means)), abs=1e-15)
    total, spread = means.size, math.sqrt(d.size * (d.size + 1) * (2 * d.size + 1) / 24)
    k = math.floor(total / 2 - 0.5 - 1.6448536269514722 * spread) + 1
    assert found.shift.low == pytest.approx(means[k - 1], abs=1e-15)
    assert found.shift.high == pytest.approx(means[total - k], abs=1e-15)


@QUIET
@given(st.lists(st.floats(-5, 5), min_size=5, max_size=25), st.floats(0.1, 4.0))
def test_interval_and_p_value_of_ranks_say_the_same(d: list[float], margin: float) -> None:
    found = rank_shift(d, lower=-margin, upper=margin)
    assert found.p is not None
    assert (found.outcome == "met") is (found.p <= 0.05)


def test_power_is_what_simulation_gives() -> None:
    draw = np.random.default_rng(8)
    for n, sd, allowed, true in ((6, 1.0, 1.2, 0.0), (20, 2.0, 1.5, 0.4)):
        d = draw.normal(true, sd, (20_000, n))
        half = d.std(axis=1, ddof=1) / math.sqrt(n) * {6: 2.015048372669157, 20: 1.729132811521367}[n]
        seen = float(((d.mean(axis=1) + half < allowed) & (d.mean(axis=1) - half > -allowed)).mean())
        assert paired_power(n, sd, allowed, true=true) == pytest.approx(seen, abs=4.5 * 0.5 / math.sqrt(20_000))


def test_pairs_needed_is_the_smallest_number() -> None:
    n = pairs_needed(1.0, 0.5, power=0.9)
    assert n is not None
    assert paired_power(n, 1.0, 0.5) >= 0.9 > paired_power(n - 1, 1.0, 0.5)
    assert pairs_needed(1.0, 0.5, true=0.5) is None
    assert pairs_needed(1e-9, 1.0) == 2
    # At the edge of the margin the power is the error of one test.
    assert paired_power(200, 1.0, 0.5, true=0.5) == pytest.approx(0.05, abs=1e-6)


def test_holm_by_hand() -> None:
    assert holm([0.01, 0.04, 0.03]) == pytest.approx((0.03, 0.06, 0.06))
    assert holm([0.9]) == (0.9,)
    assert holm([]) == ()


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: lot_change([1.0], [1.0]), "at least 2"),
        (lambda: lot_change([1.0, 2.0], [1.0]), "as many"),
        (lambda: lot_change([1.0, 0.0], [1.0, 2.0], scale="ratio"), "above zero"),
        (lambda: lot_change([1.0, 2.0], [1.0, 2.0], scale="ratio", allowed=0.9), "above 1"),
        (lambda: lot_change([1.0, 2.0], [1.0, 2.0], allowed=0.0), "above 0"),
        (lambda: lot_change([1.0, math.inf], [1.0, 2.0]), "not finite"),
        (lambda: rank_shift([1.0], alpha=0.7), "alpha"),
        (lambda: paired_power(1, 1.0, 1.0), "2 pairs"),
        (lambda: paired_power(5, 0.0, 1.0), "above 0"),
        (lambda: pairs_needed(1.0, 1.0, power=1.0), "below 1"),
    ],
)
def test_what_cannot_be_compared_is_refused(call: object, match: str) -> None:
    with pytest.raises(InputError, match=match):
        call()  # type: ignore[operator]


def test_an_account_of_one_lot_change() -> None:
    account = run({"old": OLD, "new": NEW}, allowed=2.0, unit="Pa")
    assert [v.outcome for v in account.verdicts] == ["met"]
    assert account.numbers["n"] == 9
    assert account.numbers["pairs_needed"] == pairs_needed(float(np.std(np.array(NEW) - OLD, ddof=1)), 2.0)
    assert len(account.pictures) == 1
    assert len(account.numbers["thirds"]) == 3
    assert run({"old": OLD, "new": NEW}).verdicts[0].outcome == "no limit stated"


def test_an_account_of_several_lot_changes_after_holm() -> None:
    draw = np.random.default_rng(11)
    old = draw.lognormal(4, 0.5, 48)
    lot = np.repeat(["spring", "summer", "autumn"], 16)
    new = old * np.exp(draw.normal(0.03, 0.08, 48))
    columns = {"old": old, "new": new, "lot": lot}
    alone = run(columns, group="lot", scale="ratio", allowed=1.08)
    together = run(columns, group="lot", scale="ratio", allowed=1.08, adjust="holm")
    assert list(alone.numbers["groups"]) == ["spring", "summer", "autumn"]
    for name, one in alone.numbers["groups"].items():
        every = together.numbers["groups"][name]
        assert every["p_equivalence_adjusted"] >= one["p_equivalence"]
        assert (every["outcome"] == "met") is (one["outcome"] == "met" and every["p_equivalence_adjusted"] <= 0.05)
    assert {v["outcome"] for v in together.numbers["groups"].values()} != {
        v["outcome"] for v in alone.numbers["groups"].values()
    }
    assert len(alone.pictures) == 2


def test_censored_pairs_are_refused_or_left_out_and_counted() -> None:
    old = Numbers(np.array([1.0, 2.0, 3.0, 4.0]), np.array([True, False, False, False]), np.zeros(4, dtype=bool))
    table = Table({"old": old, "new": Numbers.exact([1.0, 2.1, 3.2, 4.0])})
    with pytest.raises(InputError, match="bound"):
        PROTOCOL(table, old="old", new="new")
    account = PROTOCOL(table, old="old", new="new", censored="leave-out")
    assert account.numbers["n"] == 3
    assert account.data.censored["old"] == 1
    assert account.data.censored_treatment


def test_a_group_of_one_pair_is_named() -> None:
    with pytest.raises(InputError, match="lot change B"):
        run({"old": [1.0, 2.0, 3.0], "new": [1.0, 2.0, 3.0], "lot": ["A", "A", "B"]}, group="lot")


def test_a_million_pairs() -> None:
    draw = np.random.default_rng(9)
    old = draw.lognormal(4, 0.5, 1_000_000)
    new = old * np.exp(draw.normal(0.02, 0.05, old.size))
    account = run({"old": old, "new": new}, scale="ratio", allowed=1.1, method="signed-rank")
    assert number(account.numbers["deciding_difference"]) == pytest.approx(math.exp(0.02), rel=2e-4)
    assert all(len(layer.x) <= 2000 for p in account.pictures for layer in p.layers if hasattr(layer, "x"))
