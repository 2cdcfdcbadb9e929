"""The exact chain against closed forms and against simulation by another code path."""

import math

import numpy as np
import pytest
from scipy import stats

from stanch.errors import InputError
from stanch.verify.control import (
    CANDIDATES,
    Rule,
    candidates,
    choose,
    cumulative_sums,
    cusum_run_length,
    ewma_run_length,
    parse,
    rates,
    requirement,
    simulated_rates,
    weighted_averages,
)

FULL = CANDIDATES["3 SD, pairs, opposites, fours and tens"]


@pytest.mark.parametrize(("shift", "spread"), [(0.0, 1.0), (1.0, 1.0), (2.5, 1.0), (0.0, 2.0), (-1.0, 1.5)])
@pytest.mark.parametrize("per_run", [1, 2, 4])
def test_a_rule_without_memory_has_a_closed_form(shift: float, spread: float, per_run: int) -> None:
    inside = stats.norm.cdf((3 - shift) / spread) - stats.norm.cdf((-3 - shift) / spread)
    found = rates([Rule(beyond=3.0)], per_run=per_run, shift=shift, spread=spread, within=3)
    p = 1 - inside**per_run
    assert found.rejection == pytest.approx(p, rel=1e-9)
    assert found.fresh == pytest.approx(p, rel=1e-9)
    assert found.within == pytest.approx(1 - (1 - p) ** 3, rel=1e-9)
    assert found.mean_run_length == pytest.approx(1 / p, rel=1e-9)
    assert found.median_run_length == math.ceil(math.log(0.5) / math.log(1 - p))
    assert found.run_length_95 == math.ceil(math.log(0.05) / math.log(1 - p))


def test_runs_of_equal_results_have_the_waiting_time_of_runs() -> None:
    # Mean wait for a run of k successes of probability p: (1 - p^k)/((1 - p) p^k).
    p = float(stats.norm.sf(1.0) * 2)
    found = rates([Rule("beyond", 4, 4, 1.0, False)])
    assert found.mean_run_length == pytest.approx((1 - p**4) / ((1 - p) * p**4), rel=1e-10)
    # Ten on one side is nine equal fair coins after the first.
    assert rates([Rule("beyond", 10, 10, 0.0)]).mean_run_length == pytest.approx(2**10 - 1, rel=1e-10)


def test_opposite_sides_in_a_run_of_two() -> None:
    p = float(stats.norm.sf(2.0))
    rule = Rule("opposite", 2, 2, 2.0, False, "run")
    assert rates([rule], per_run=2).rejection == pytest.approx(2 * p * p, rel=1e-9)
    with np.errstate(all="raise"):
        assert rates([rule, Rule(beyond=3.0)], per_run=1).rejection == pytest.approx(2 * stats.norm.sf(3.0), rel=1e-9)


def test_a_shift_up_is_as_easy_as_a_shift_down() -> None:
    up, down = rates(FULL, per_run=2, shift=1.3), rates(FULL, per_run=2, shift=-1.3)
    assert up.rejection == pytest.approx(down.rejection, rel=1e-12)
    assert up.mean_run_length == pytest.approx(down.mean_run_length, rel=1e-12)


SETS = {
    "all across": (FULL, 2),
    "two of three": (CANDIDATES["3 SD, two of three, opposites and threes"], 3),
    "by level": (
        (Rule(beyond=3.0), Rule("beyond", 2, 2, 2.0, True, "level"), Rule("beyond", 4, 5, 1.0, True, "level")),
        2,
    ),
    "within a run": ((Rule("beyond", 2, 3, 1.5, True, "run"), Rule("beyond", 3, 4, 1.5, False)), 3),
}


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize(("shift", "spread"), [(0.8, 1.0), (0.0, 1.4)])
def test_exact_rates_agree_with_simulation(name: str, shift: float, spread: float) -> None:
    rules, per_run = SETS[name]
    exact = rates(rules, per_run=per_run, shift=shift, spread=spread)
    seen = simulated_rates(rules, per_run=per_run, shift=shift, spread=spread, series=3000, runs=300, seed=11)
    assert abs(seen.mean_run_length - exact.mean_run_length) < 4.5 * seen.error
    low, high = stats.binom.interval(1 - 1e-5, seen.series, exact.fresh)
    assert low <= seen.first_run <= high


def test_simulated_series_are_counted_whole() -> None:
    never = simulated_rates([Rule(beyond=30.0)], series=5, runs=10)
    assert (never.rejected, never.mean_run_length) == (0, math.inf)
    always = simulated_rates([Rule(beyond=3.0)], shift=50.0, series=5, runs=10)
    assert (always.mean_run_length, always.first_run) == (1.0, 5)


@pytest.mark.parametrize(
    ("rules", "per_run", "match"),
    [
        ([], 1, "rules"),
        ([parse("seven in a row rising or falling")], 1, "Simulate"),
        ([parse("range within a run above 4 SD")], 2, "Simulate"),
        ([Rule(beyond=3.0)], 13, "results per run"),
        ([Rule("beyond", 12, 20, 1.0)], 1, "states"),
    ],
)
def test_what_has_no_exact_rates_is_refused(rules: list[Rule], per_run: int, match: str) -> None:
    with pytest.raises(InputError, match=match):
        rates(rules, per_run=per_run)
    with pytest.raises(InputError):
        rates([Rule(beyond=3.0)], spread=0.0)


def test_run_lengths_of_charts_with_memory_in_their_limits() -> None:
    # A weight of one is the chart of single results; h near 0 signals whenever a result passes the allowance.
    assert ewma_run_length(1.0, 3.0) == pytest.approx(1 / (2 * stats.norm.sf(3.0)), rel=1e-9)
    assert cusum_run_length(2.0, 1e-9, sides="upper") == pytest.approx(1 / stats.norm.sf(2.0), rel=1e-6)
    assert ewma_run_length(0.2, 3.0) < ewma_run_length(0.2, 3.0, limits="asymptotic")
    assert cusum_run_length(0.5, 5.0, shift=1.0) == pytest.approx(cusum_run_length(0.5, 5.0, shift=-1.0), rel=1e-12)
    assert cusum_run_length(0.5, 5.0, shift=1.0, headstart=2.5) < cusum_run_length(0.5, 5.0, shift=1.0)


@pytest.mark.parametrize("shift", [0.0, 1.0])
@pytest.mark.parametrize(("k", "h", "head"), [(0.5, 3.0, 0.0), (0.25, 4.0, 2.0)])
def test_cumulative_sums_agree_with_simulation(shift: float, k: float, h: float, head: float) -> None:
    draw = np.random.default_rng(4)
    first = []
    for _ in range(1500):
        found = cumulative_sums(draw.normal(shift, 1, 1500), target=0.0, k=k, h=h, headstart=head).first
        assert found is not None
        first.append(found)
    exact = cusum_run_length(k, h, shift=shift, headstart=head)
    assert abs(np.mean(first) - exact) < 4.5 * np.std(first) / math.sqrt(len(first))


@pytest.mark.parametrize("limits", ["varying", "asymptotic"])
@pytest.mark.parametrize("shift", [0.0, 0.7])
def test_weighted_averages_agree_with_simulation(limits: str, shift: float) -> None:
    draw = np.random.default_rng(6)
    first = []
    for _ in range(1500):
        x = draw.normal(shift, 1, 1500)
        hit = weighted_averages(x, centre=0.0, sigma=1.0, weight=0.25, width=2.4, limits=limits).signal  # type: ignore[arg-type]
        assert hit.any()
        first.append(int(hit.argmax()) + 1)
    exact = ewma_run_length(0.25, 2.4, shift=shift, limits=limits)  # type: ignore[arg-type]
    assert abs(np.mean(first) - exact) < 4.5 * np.std(first) / math.sqrt(len(first))


def test_requirement_by_hand() -> None:
    need = requirement(10.0, -1.0, 2.0)
    assert need.sigma_metric == 4.5
    assert need.critical_shift == pytest.approx(4.5 - 1.6448536269514722, rel=1e-12)
    assert need.critical_spread == pytest.approx(4.5 / 1.959963984540054, rel=1e-12)
    # At the critical shift the stated share of results lies beyond the allowed error.
    assert stats.norm.sf(need.sigma_metric - need.critical_shift) == pytest.approx(0.05)


def test_the_choice_follows_its_rule() -> None:
    found = candidates(requirement(15.0, 1.0, 3.0))
    best = choose(found)
    assert best is not None
    good = [c for c in found if c.detection >= 0.9 and c.false_rejection <= 0.05]
    assert best.per_run == min(c.per_run for c in good)
    assert best.false_rejection == min(c.false_rejection for c in good if c.per_run == best.per_run)
    assert choose(candidates(requirement(5.0, 1.0, 3.0), per_run=(1,))) is None
    strict = candidates(requirement(30.0, 0.0, 3.0), per_run=(1,), false_rejection=0.001)
    assert {c.name for c in strict if c.acceptable} == {"one beyond 3.5 SD"}


@pytest.mark.parametrize("values", [(0.0, 0.0, 1.0), (10.0, 0.0, 0.0), (10.0, math.inf, 1.0)])
def test_a_requirement_without_meaning_is_refused(values: tuple[float, float, float]) -> None:
    with pytest.raises(InputError):
        requirement(*values)
