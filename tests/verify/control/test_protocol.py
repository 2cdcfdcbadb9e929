import math

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify import protocol
from stanch.verify.control import cumulative_sums, individuals, rates, weighted_averages
from stanch.verify.control.protocol import PROTOCOL, STANDARD
from stanch.verify.records import Account
from stanch.verify.table import Numbers, Table

DRAW = np.random.default_rng(1)
X = DRAW.normal(100, 3, 60)


def run(columns: dict[str, object], **more: object) -> Account:
    return PROTOCOL(Table.of(columns), **more)


def marks(account: Account) -> list[int]:
    return [len(layer.x) for p in account.pictures for layer in p.layers if hasattr(layer, "x")]


def test_the_protocol_is_found_by_name() -> None:
    assert protocol("control") is PROTOCOL


def test_single_results_against_their_baseline() -> None:
    x = np.concatenate([X, X[:10] + 20])
    account = run({"x": x}, result="x", baseline=60, unit="Pa", allowed_shift=(2.0,), allowed_sd=(10.0,))
    level = account.numbers["levels"]["control"]
    chart = individuals(X)
    assert level["centre"] == chart.centre
    assert level["sigma"] == chart.sigma
    assert level["high"] == chart.high[0]
    assert level["ewma"] == weighted_averages(x, centre=chart.centre, sigma=chart.sigma).value.tolist()
    sums = cumulative_sums(x, target=chart.centre, k=0.5 * chart.sigma, h=5 * chart.sigma)
    assert level["cusum_first"] == sums.first
    assert account.numbers["later_runs"] == 10
    assert account.numbers["later_runs_rejected"] == 10
    assert [v.outcome for v in account.verdicts] == ["not met", "met"]
    assert "10 later results" in account.design[1]
    assert len(account.pictures) == 4


def test_a_phase_column_marks_the_baseline() -> None:
    phase = ["trial"] * 40 + ["use"] * 20
    by_phase = run({"x": X, "phase": phase}, result="x", phase="phase", baseline_phase="trial")
    by_count = run({"x": X}, result="x", baseline=40)
    assert by_phase.numbers["levels"] == by_count.numbers["levels"]
    with pytest.raises(InputError, match="baseline"):
        run({"x": X, "phase": phase}, result="x", phase="phase")
    with pytest.raises(UsageError, match="one of both"):
        run({"x": X, "phase": phase}, result="x", phase="phase", baseline=5)


def test_levels_are_standardised_each_by_itself() -> None:
    level = np.tile(["low", "high"], 30)
    x = np.where(level == "low", X, 10 * X)
    account = run({"x": x, "level": level, "run": np.repeat(np.arange(30), 2)}, result="x", level="level", run="run")
    assert account.numbers["runs"] == 30
    exact = rates([rule_of(w) for w in STANDARD], per_run=2)
    assert account.numbers["rates"]["0"]["rejection"] == exact.rejection
    shown = run(
        {"x": x, "level": level},
        result="x",
        level="level",
        mean=(100.0, 1000.0),
        sd=(3.0, 30.0),
        target=(100.0, 1000.0),
    )
    assert shown.numbers["levels"]["high"]["centre"] == 1000.0
    assert np.array(shown.numbers["z"]) == pytest.approx((X - 100) / 3)
    with pytest.raises(InputError, match="2 levels"):
        run({"x": x, "level": level}, result="x", level="level", mean=(1.0, 2.0, 3.0))


def rule_of(words: str) -> object:
    from stanch.verify.control import parse

    return parse(words)


def test_rules_without_exact_rates_are_simulated_and_say_so() -> None:
    account = run({"x": X}, result="x", rules=("one beyond 3 SD", "seven in a row rising or falling"), seed=5)
    assert account.seed == 5
    assert any("simulated" in w for w in account.warnings)
    again = run({"x": X}, result="x", rules=("one beyond 3 SD", "seven in a row rising or falling"), seed=5)
    assert again.numbers["rates"] == account.numbers["rates"]
    assert run({"x": X}, result="x").seed is None


def test_what_the_reader_must_know() -> None:
    few = run({"x": X[:10]}, result="x")
    assert any("10 baseline results" in w for w in few.warnings)
    drifting = run({"x": X + np.linspace(0, 60, 60)}, result="x")
    assert any("correlated" in w for w in drifting.warnings)


def test_subgroups() -> None:
    account = run({"x": X, "day": np.repeat(np.arange(12), 5)}, design="subgroups", result="x", run="day", baseline=8)
    assert account.numbers["baseline_subgroups"] == 8
    groups = X.reshape(12, 5)
    assert account.numbers["centre"] == pytest.approx(groups[:8].mean())
    assert account.numbers["mean_spread"] == pytest.approx(np.ptp(groups[:8], axis=1).mean())
    one = run({"x": X[:6], "day": list("aabbbc")}, design="subgroups", result="x", run="day")
    assert any("no spread" in w for w in one.warnings)
    with pytest.raises(UsageError, match="--run"):
        run({"x": X}, design="subgroups", result="x")


def test_duplicates_of_fresh_samples() -> None:
    first = DRAW.lognormal(5, 0.3, 40)
    second = first * np.exp(DRAW.normal(0, 0.05, 40))
    account = run(
        {"first": first, "second": second},
        design="duplicates",
        first="first",
        second="second",
        baseline=30,
        allowed_sd=(0.2,),
    )
    logs = np.log(second / first)
    assert account.numbers["sd"].value == pytest.approx(math.sqrt((logs[:30] ** 2).mean() / 2))
    assert account.verdicts[0].value.value == pytest.approx(math.sqrt((logs[30:] ** 2).mean() / 2))
    assert account.verdicts[0].outcome == "met"
    plain = run({"first": first, "second": second}, design="duplicates", first="first", second="second", scale="linear")
    assert plain.numbers["cv"] is None
    assert plain.verdicts[0].outcome == "no limit stated"
    with pytest.raises(UsageError, match="--second"):
        run({"first": first}, design="duplicates", first="first")


def test_the_choice_of_rules_needs_no_table() -> None:
    account = PROTOCOL(None, design="rule-choice", allowed_error=15.0, bias=1.0, cv=3.0)
    assert account.verdicts[0].outcome == "met"
    chosen = account.numbers["chosen"]
    assert chosen["detection"] >= 0.9
    assert chosen["false_rejection"] <= 0.05
    assert account.numbers["critical_shift"] == pytest.approx(14 / 3 - 1.6448536269514722)
    assert "standard_rules" not in account.settings
    own = PROTOCOL(
        None, design="rule-choice", allowed_error=15.0, cv=3.0, rules=("one beyond 2.75 SD",), per_run=(1.0,)
    )
    assert "rules given" in {c["set"] for c in own.numbers["candidates"]}
    none = PROTOCOL(None, design="rule-choice", allowed_error=4.0, cv=3.0)
    assert none.verdicts[0].outcome == "not met"
    assert none.numbers["chosen"] is None
    assert none.warnings
    with pytest.raises(UsageError, match="--cv"):
        PROTOCOL(None, design="rule-choice", allowed_error=4.0)
    with pytest.raises(InputError, match="whole numbers"):
        PROTOCOL(None, design="rule-choice", allowed_error=4.0, cv=1.0, per_run=(1.5,))


def test_tables_that_cannot_be_charted_are_refused() -> None:
    with pytest.raises(UsageError, match="table"):
        PROTOCOL(None, result="x")
    with pytest.raises(UsageError, match="--result"):
        run({"x": X})
    with pytest.raises(InputError, match="standard deviation"):
        run({"x": [5.0] * 6}, result="x")
    below = np.zeros(3, dtype=bool)
    below[0] = True
    with pytest.raises(InputError, match="censored control results are refused"):
        PROTOCOL(Table({"x": Numbers(np.array([1.0, 2.0, 3.0]), below, np.zeros(3, dtype=bool))}), result="x")


def test_a_baseline_alone_shows_no_shift() -> None:
    found = run({"x": X}, result="x", allowed_shift=(1.0,)).verdicts[0]
    assert found.outcome == "undecided"
    assert found.value.value is None
    groups = run({"x": X, "day": np.repeat(np.arange(12), 5)}, design="subgroups", result="x", run="day")
    assert groups.verdicts[0].value.value is None
    stated = run({"x": X}, result="x", allowed_shift=(2.0,), target=(100.0,)).verdicts[0]
    assert stated.outcome == "met"
    assert stated.value.value == pytest.approx(X.mean() - 100.0)


def test_very_long_runs_have_no_rates() -> None:
    account = run({"x": np.tile(X, 10), "run": ["one"] * 600}, result="x", run="run")
    assert account.numbers["rates"] == {}
    assert any("too long" in w for w in account.warnings)
    longer = run({"x": np.tile(X, 2), "run": np.repeat([f"run {i}" for i in range(8)], 15)}, result="x", run="run")
    assert longer.seed == 0
    assert longer.numbers["rates"]["0"]["series"] == 400.0


def test_missing_results_are_counted() -> None:
    x = [*X[:20].tolist(), None, *X[20:30].tolist()]
    account = run({"x": x}, result="x")
    assert account.data.missing["x"] == 1
    assert account.numbers["runs"] == 30


@pytest.mark.parametrize("factor", [1e-12, 1e12])
def test_badly_scaled_results(factor: float) -> None:
    one, two = run({"x": X}, result="x"), run({"x": factor * X}, result="x")
    assert two.numbers["z"] == pytest.approx(one.numbers["z"], rel=1e-6, abs=1e-9)
    assert two.numbers["runs_rejected_by_rule"] == one.numbers["runs_rejected_by_rule"]


def test_three_results() -> None:
    account = run({"x": [1.0, 2.0, 4.0]}, result="x", baseline=2)
    assert account.verdicts[0].value.value is None
    assert account.numbers["levels"]["control"]["n_baseline"] == 2


def test_a_million_results() -> None:
    n = 1_000_000
    columns = {"x": np.random.default_rng(2).normal(100, 3, n), "run": np.repeat(np.arange(n // 2), 2)}
    account = run(
        {**columns, "level": np.tile(["a", "b"], n // 2)}, result="x", run="run", level="level", baseline=5000
    )
    share = account.numbers["runs_rejected_by_rule"]["one beyond 3 SD"] / (n // 2)
    assert abs(share - 0.0053923) < 0.0012  # the baseline's own error moves the limits a little
    assert max(marks(account)) <= 2000
    assert "drawn" in account.pictures[0].caption


@pytest.mark.parametrize("design", ["single", "subgroups"])
def test_a_shift_from_an_own_baseline_carries_the_scatter_of_both(design: str) -> None:
    from scipy import stats

    x = DRAW.normal(100, 3, 90)
    one = {"result": "x", "unit": "Pa", "allowed_shift": (2.0,)}
    if design == "single":
        account = run({"x": x}, baseline=40, **one)
        base, later = x[:40], x[40:]
    else:
        account = run({"x": x, "run": np.repeat(np.arange(30), 3)}, design=design, run="run", baseline=12, **one)
        base, later = np.split(x.reshape(30, 3).mean(axis=1), [12])
    shift = account.verdicts[0].value
    ends = stats.ttest_ind(later, base, equal_var=False).confidence_interval(0.90)
    assert shift.value == pytest.approx(later.mean() - base.mean())
    assert (shift.low, shift.high) == pytest.approx((ends.low, ends.high))
    # A target is known exactly: only the later results scatter.
    stated = run({"x": x}, baseline=40, target=(100.0,), **one) if design == "single" else None
    if stated is not None:
        near = stats.ttest_1samp(later, 100.0).confidence_interval(0.90)
        assert (stated.verdicts[0].value.low, stated.verdicts[0].value.high) == pytest.approx(
            (near.low - 100, near.high - 100)
        )
    alone = run({"x": x}, baseline=2, sd=(3.0,), **one) if design == "single" else None
    assert alone is None or alone.verdicts[0].value.low is not None
