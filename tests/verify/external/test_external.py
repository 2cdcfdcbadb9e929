import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError, UsageError
from stanch.verify.external import (
    algorithm_a,
    compare_instruments,
    consensus,
    e_n_score,
    verdicts,
    z_prime_score,
    z_score,
    zeta_score,
)
from stanch.verify.external.protocol import PROTOCOL
from stanch.verify.records import Account
from stanch.verify.table import Numbers, Table

QUIET = settings(derandomize=True, deadline=None, max_examples=60)


def a_round(n: int = 12, *, rounds: int = 2, samples: str = "AB") -> dict[str, object]:
    draw = np.random.default_rng(2)
    cells = [(r, s, p) for r in range(1, rounds + 1) for s in samples for p in range(n)]
    x = [100 * (1 + (s == "B")) + draw.normal(0, 5) + (40 if p == n - 1 else 0) for _, s, p in cells]
    return {
        "round": [str(r) for r, _, _ in cells],
        "sample": [s for _, s, _ in cells],
        "who": [f"laboratory {p}" for _, _, p in cells],
        "x": x,
        "u": [4.0] * len(cells),
        "U": [8.0] * len(cells),
    }


def run(columns: dict[str, object], **more: object) -> Account:
    return PROTOCOL(Table.of(columns), participant="who", result="x", **more)


def test_scores_by_hand() -> None:
    assert z_score([12.0], 10.0, 4.0).tolist() == [0.5]
    assert z_prime_score([15.0], 10.0, 4.0, 3.0).tolist() == [1.0]
    assert zeta_score([15.0], 10.0, 3.0, 4.0).tolist() == [1.0]
    assert e_n_score([20.0], 10.0, 6.0, 8.0).tolist() == [1.0]
    assert verdicts([2.0, -2.01, 2.999, -3.0]).tolist() == ["accepted", "warning", "warning", "action"]


@pytest.mark.parametrize(
    "call",
    [
        lambda: z_score([1.0], 1.0, 0.0),
        lambda: z_score([1.0], 1.0, -1.0),
        lambda: zeta_score([1.0], 1.0, 0.0, 0.0),
        lambda: z_score([math.nan], 1.0, 1.0),
        lambda: verdicts([1.0], warn=3.0, act=2.0),
        lambda: algorithm_a([1.0, 2.0]),
        lambda: algorithm_a([5.0, 5.0, 5.0]),
        lambda: consensus([1.0], method="mean"),
    ],
)
def test_scores_and_consensus_without_meaning_are_refused(call: object) -> None:
    with pytest.raises(InputError):
        call()  # type: ignore[operator]


def test_without_results_far_out_algorithm_a_is_the_mean() -> None:
    x = [9.0, 10.0, 11.0]
    found = algorithm_a(x)
    assert found.value == pytest.approx(10.0)
    # With nothing pulled in the spread is the ordinary one times the constant.
    assert found.sd == pytest.approx(1.134, rel=1e-9)
    assert found.uncertainty == pytest.approx(1.25 * found.sd / math.sqrt(3))


@QUIET
@given(st.lists(st.floats(-100, 100), min_size=4, max_size=40, unique=True), st.sampled_from([1e-12, 1.0, 1e12]))
def test_algorithm_a_is_a_fixed_point_and_moves_with_the_data(x: list[float], factor: float) -> None:
    values = np.array(x)
    if np.ptp(values) < 1e-3 or np.median(np.abs(values - np.median(values))) < 1e-3 * np.ptp(values):
        return
    try:
        found = algorithm_a(values)
    except InputError:
        return
    pulled = np.clip(values, found.value - 1.5 * found.sd, found.value + 1.5 * found.sd)
    assert pulled.mean() == pytest.approx(found.value, abs=1e-8 * found.sd + 1e-12)
    assert 1.134 * pulled.std(ddof=1) == pytest.approx(found.sd, rel=1e-8)
    scaled = algorithm_a(factor * values)
    assert scaled.sd == pytest.approx(factor * found.sd, rel=1e-8)
    assert scaled.value == pytest.approx(factor * found.value, abs=1e-8 * factor * found.sd)


def test_a_wild_result_hardly_moves_the_consensus() -> None:
    x = np.random.default_rng(4).normal(50, 2, 15)
    wild = np.append(x[:-1], 5000.0)
    assert abs(algorithm_a(wild).value - algorithm_a(x).value) < 1.5
    assert abs(consensus(wild, method="mean").value - 50) > 100
    assert abs(consensus(wild, method="median").value - 50) < 2


def test_half_the_results_tied() -> None:
    found = algorithm_a([5.0, 5.0, 5.0, 5.0, 5.0, 6.0, 4.0, 7.0, 3.0])
    assert "equal" in found.note
    assert found.sd > 0
    with pytest.raises(InputError, match="equal results"):
        algorithm_a([5.0] * 30 + [6.0])


def test_an_account_of_rounds_with_the_own_laboratory() -> None:
    account = run(a_round(), round="round", sample="sample", own="laboratory 11", sigma=6.0, unit="Pa")
    assert [v.outcome for v in account.verdicts] == ["not met", "not met"]
    z = np.array(account.numbers["scores"]["z"])
    x, first = np.array(a_round()["x"]), account.numbers["rounds"][0]
    assert z[:12] == pytest.approx((x[:12] - first["assigned"]) / 6.0)
    assert account.numbers["actions"] == int((np.abs(z) >= 3).sum())
    assert [p.title for p in account.pictures][-1] == "Two samples of a round"
    fine = run(a_round(), round="round", sample="sample", own="laboratory 0", sigma=6.0)
    assert {v.outcome for v in fine.verdicts} == {"met"}


def test_every_score_of_its_own_option() -> None:
    more = {"round": "round", "sample": "sample", "uncertainty": "u", "expanded": "U"}
    account = run(a_round(), own="laboratory 3", sigma_percent=5.0, score="zeta", **more)
    assert set(account.numbers["scores"]) == {"z", "z-prime", "zeta", "en"}
    first = account.numbers["rounds"][0]
    assert first["sigma"] == pytest.approx(0.05 * first["assigned"])
    x = a_round()["x"][0]  # type: ignore[index]
    u = first["assigned_uncertainty"]
    assert account.numbers["scores"]["zeta"][0] == pytest.approx((x - first["assigned"]) / math.hypot(4.0, u))
    assert account.numbers["scores"]["en"][0] == pytest.approx((x - first["assigned"]) / math.hypot(8.0, 2 * u))


def test_an_assigned_value_makes_a_round_of_one_possible() -> None:
    columns = {"who": ["a"], "x": [12.0], "ref": [10.0]}
    account = run(columns, assigned="ref", sigma=1.0)
    assert account.numbers["scores"]["z"] == [2.0]
    with pytest.raises(InputError, match="the round"):
        run(columns, assigned="ref")
    with pytest.raises(InputError, match="one value per round"):
        run({"who": ["a", "b"], "x": [1.0, 2.0], "ref": [1.0, 2.0]}, assigned="ref", sigma=1.0)


@pytest.mark.parametrize(
    ("more", "error"),
    [
        ({"own": "nobody"}, InputError),
        ({"score": "zeta"}, UsageError),
        ({"sigma": 1.0, "sigma_percent": 1.0}, UsageError),
        ({"sigma": 0.0}, InputError),
        ({"allowed": 1.0}, UsageError),
        ({"design": "instruments"}, UsageError),
    ],
)
def test_options_that_do_not_fit_are_refused(more: dict[str, object], error: type[Exception]) -> None:
    with pytest.raises(error):
        run(a_round(), **more)


def test_censored_results_are_refused_or_left_out_and_counted() -> None:
    above = np.zeros(5, dtype=bool)
    above[4] = True
    table = Table(
        {
            "x": Numbers(np.array([1.0, 2.0, 3.0, 4.0, 9.0]), np.zeros(5, dtype=bool), above),
            "who": np.array(list("abcde")),
        }
    )
    with pytest.raises(InputError, match="bound"):
        PROTOCOL(table, participant="who", result="x")
    account = PROTOCOL(table, participant="who", result="x", censored="leave-out")
    assert account.data.used == 4
    assert "biased" in account.data.censored_treatment


def test_instruments_by_hand() -> None:
    x = [1.0, 2.0, 4.0, 2.0, 3.0, 5.0]
    found = compare_instruments(x, ["a"] * 3 + ["b"] * 3, ["s", "t", "u"] * 2, allowed=2.0)
    assert [b.value for b in found.bias] == pytest.approx([-0.5, 0.5])
    assert found.within == pytest.approx(0.0, abs=1e-12)
    assert found.between == pytest.approx(math.sqrt(0.5))
    assert found.pairs[0].result is not None
    assert found.pairs[0].result.difference.value == pytest.approx(1.0)


def test_a_negative_variance_is_kept_raw_and_clipped() -> None:
    x = [1.0, 5.0, 3.0, 5.0, 1.0, 3.0]
    found = compare_instruments(x, ["a"] * 3 + ["b"] * 3, ["s", "t", "u"] * 2)
    assert found.between_raw is not None
    assert found.between_raw < 0
    assert found.between == 0.0


def test_missing_samples_leave_their_instruments_out_of_the_table_only() -> None:
    found = compare_instruments([1.0, 2.0, 3.0, 1.5, 2.5], ["a", "a", "a", "b", "b"], ["s", "t", "u", "s", "t"])
    assert (found.samples, found.complete) == (3, 2)
    assert found.pairs[0].samples == 2
    lonely = compare_instruments([1.0, 2.0], ["a", "b"], ["s", "s"])
    assert lonely.bias[0].value is None
    assert lonely.pairs[0].result is None
    with pytest.raises(InputError, match="at least 2"):
        compare_instruments([1.0, 2.0], ["a", "a"], ["s", "t"])


def test_an_account_of_instruments() -> None:
    draw = np.random.default_rng(7)
    truth = draw.lognormal(4, 0.5, 20)
    columns = {
        "who": np.repeat(["one", "two", "three"], 20),
        "s": np.tile([f"sample {i}" for i in range(20)], 3),
        "x": np.concatenate([truth * f * np.exp(draw.normal(0, 0.01, 20)) for f in (1.0, 1.0, 1.3)]),
    }
    account = run(columns, design="instruments", sample="s", scale="ratio", allowed=1.1)
    assert account.verdicts[0].outcome == "not met"
    outcomes = {(p["one"], p["two"]): p["outcome"] for p in account.numbers["pairs"]}
    assert outcomes["one", "two"] == "met"
    assert outcomes["one", "three"] == "not met"
    assert account.numbers["pairs"][1]["difference"].value == pytest.approx(1.3, rel=0.02)
    assert run(columns, design="instruments", sample="s").verdicts[0].outcome == "no limit stated"
    assert len(account.pictures) == 2


def test_a_million_results() -> None:
    n = 1_000_000
    x = np.random.default_rng(1).normal(100, 5, n)
    table = Table.of({"who": np.arange(n) % 1000, "r": np.arange(n) // 1000, "x": x})
    account = PROTOCOL(table, participant="who", result="x", round="r")
    assert abs(account.numbers["actions"] / n - 0.0027) < 0.0004
    assert all(len(layer.x) <= 2000 for p in account.pictures for layer in p.layers if hasattr(layer, "x"))


def test_e_n_calls_for_action_from_one_on() -> None:
    columns = {"who": list("abcd"), "x": [10.0, 11.9, 12.2, 16.5], "ref": [10.0] * 4, "U": [2.0] * 4}
    account = run(columns, assigned="ref", sigma=1.0, score="en", expanded="U")
    assert account.numbers["scores"]["en"] == pytest.approx([0.0, 0.95, 1.1, 3.25])
    assert (account.numbers["warnings"], account.numbers["actions"]) == (0, 2)
    assert account.verdicts[0].outcome == "not met"
    assert account.verdicts[0].allowed == "no E_n of 1 or beyond"
    assert "Action from 1 on." in account.design
    levels = [layer.value for layer in account.pictures[0].layers if type(layer).__name__ == "Level"]
    assert sorted(levels) == [-1.0, 0.0, 1.0]
    fine = run({**columns, "x": [10.0, 11.9, 11.0, 9.0]}, assigned="ref", sigma=1.0, score="en", expanded="U")
    assert fine.verdicts[0].outcome == "met"


def test_too_many_pairs_against_a_stated_limit_are_undecided() -> None:
    rows = [(f"instrument {i}", f"sample {j}", 50.0 + j + 0.01 * i) for i in range(41) for j in range(3)]
    who, sample, x = zip(*rows)
    columns = {"who": list(who), "sample": list(sample), "x": list(x)}
    account = run(columns, design="instruments", sample="sample", allowed=1.0)
    assert account.verdicts[0].outcome == "undecided"
    assert run(columns, design="instruments", sample="sample").verdicts[0].outcome == "no limit stated"
