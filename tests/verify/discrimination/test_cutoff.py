import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.discrimination import choose_cutoff, cutoff_uncertainty, marks
from stanch.verify.discrimination.cutoff import decided_positive

X = np.array([1.0, 2, 3, 4, 5, 6, 7, 8])
Y = np.array([False, False, True, False, True, False, True, True])


def test_youden_takes_the_best_and_of_several_the_most_sensitive() -> None:
    # At 3: sensitivity 1, specificity 1/2; at 5: 3/4, 3/4; at 7: 1/2, 1. All have the index 1/2.
    found = choose_cutoff(marks(X, Y), placed="observed")
    assert (found.value, found.sensitivity, found.specificity, found.tied) == (3, 1, 0.5, 3)
    assert found.words == "at or above"
    middle = choose_cutoff(marks(X, Y))
    assert middle.value == 2.5
    assert middle.cut == found.cut


def test_wanted_sensitivity_and_specificity() -> None:
    for wanted, value, se, sp in ((0.75, 4.5, 0.75, 0.75), (0.76, 2.5, 1.0, 0.5), (1.0, 2.5, 1.0, 0.5)):
        found = choose_cutoff(marks(X, Y), "sensitivity", wanted=wanted)
        assert (found.value, found.sensitivity, found.specificity) == (value, se, sp)
    for wanted, value, se, sp in ((0.75, 4.5, 0.75, 0.75), (0.76, 6.5, 0.5, 1.0), (0.4, 2.5, 1.0, 0.5)):
        found = choose_cutoff(marks(X, Y), "specificity", wanted=wanted)
        assert (found.value, found.sensitivity, found.specificity) == (value, se, sp)


def test_a_share_that_is_met_exactly_is_met() -> None:
    # 0.7 of 10 is 7.000000000000001 in floating point.
    x = np.arange(20.0)
    found = choose_cutoff(marks(x, x >= 10), "sensitivity", wanted=0.7)
    assert found.sensitivity == 0.7


@given(
    st.lists(st.tuples(st.integers(0, 9), st.booleans()), min_size=4, max_size=40), st.sampled_from(["higher", "lower"])
)
@settings(derandomize=True, deadline=None, max_examples=120)
def test_it_is_the_best_of_all_cuts_and_decides_as_it_says(rows: list[tuple[int, bool]], direction: str) -> None:
    x, y = np.array([r[0] for r in rows], dtype=float), np.array([r[1] for r in rows])
    if y.all() or not y.any():
        return
    found = marks(x, y, direction=direction)
    sign = 1 if direction == "higher" else -1
    index = [(sign * x >= sign * c)[y].mean() - (sign * x >= sign * c)[~y].mean() for c in np.unique(x)]
    if max(index) <= 1e-12:
        with pytest.raises(InputError, match="no cut"):
            choose_cutoff(found)
        return
    for placed in ("midpoint", "observed"):
        cut = choose_cutoff(found, placed=placed)
        decided = sign * x >= sign * cut.value if cut.inclusive else sign * x > sign * cut.value
        assert decided[y].mean() == cut.sensitivity
        assert 1 - decided[~y].mean() == pytest.approx(cut.specificity)
        assert cut.sensitivity + cut.specificity - 1 == pytest.approx(max(index))
        flags = decided_positive(found, cut)
        assert flags[0].tolist() == decided[y].tolist()
        assert flags[1].tolist() == decided[~y].tolist()


def test_lower_readings_can_mean_positive() -> None:
    one, other = choose_cutoff(marks(X, Y)), choose_cutoff(marks(-X, Y, direction="lower"))
    assert other.value == -one.value
    assert (other.sensitivity, other.specificity, other.words) == (one.sensitivity, one.specificity, "at or below")


def test_neighbouring_floats_are_told_apart() -> None:
    a = 1.0
    b = float(np.nextafter(a, 2))
    found = choose_cutoff(marks([a, a, b, b], [False, False, True, True]))
    decided = np.array([a, b]) >= found.value if found.inclusive else np.array([a, b]) > found.value
    assert decided.tolist() == [False, True]


def test_an_exact_reading_beside_a_bound_of_the_same_number() -> None:
    found = marks([9.0, 9.0, 9.0, 9.0], [False, False, True, True], above=[False, False, True, True])
    cut = choose_cutoff(found)
    assert (cut.value, cut.words, cut.sensitivity, cut.specificity) == (9, "above", 1, 1)


def test_given_cutoffs() -> None:
    found = choose_cutoff(marks(X, Y), "given", given=5.0)
    assert (found.sensitivity, found.specificity, found.value) == (0.75, 0.75, 5)
    turned = choose_cutoff(marks(X, ~Y, direction="lower"), "given", given=4.0)
    assert (turned.sensitivity, turned.specificity) == (0.75, 0.75)
    assert choose_cutoff(marks(X, Y), "given", given=100.0).sensitivity == 0


@pytest.mark.parametrize(("direction", "expected"), [("higher", [False, True, True]), ("lower", [True, False, False])])
def test_given_cutoffs_beside_bounds(direction: str, expected: list[bool]) -> None:
    # <3 and >8 with exact readings between.
    x = np.array([3.0, 3.0, 5.0, 6.0, 8.0, 8.0])
    y = np.array([False, True, False, True, False, True])
    below, above = np.arange(6) < 2, np.arange(6) > 3
    found = marks(x, y, below=below, above=above, direction=direction)
    cut = choose_cutoff(found, "given", given=3.0)
    decided = [f.tolist() for f in decided_positive(found, cut)]
    assert decided == (
        [[False, True, True]] * 1 + [[False, True, True]] if direction == "higher" else [[True, False, False]] * 2
    )
    for c in (2.0, 9.0):
        with pytest.raises(InputError, match="does not reach across"):
            choose_cutoff(found, "given", given=c)


def test_what_no_cut_can_do() -> None:
    with pytest.raises(InputError, match="no cut"):
        choose_cutoff(marks([1.0, 1.0], [True, False]))
    with pytest.raises(InputError, match="no cut"):
        choose_cutoff(marks([2.0, 1.0], [False, True]), "specificity", wanted=1.0)
    for rule, wanted in (("sensitivity", None), ("specificity", 1.2), ("given", None), ("best", None)):
        with pytest.raises(InputError):
            choose_cutoff(marks(X, Y), rule, wanted=wanted)
    with pytest.raises(InputError, match="midpoint or observed"):
        choose_cutoff(marks(X, Y), placed="left")


def groups(seed: int, n: int = 60) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    y = np.arange(2 * n) < n
    return np.round(rng.normal(size=2 * n) + 1.5 * y, 1), y


@pytest.mark.parametrize("placed", ["midpoint", "observed"])
@pytest.mark.parametrize("direction", ["higher", "lower"])
def test_the_bootstrap_is_that_of_samples_really_drawn(placed: str, direction: str) -> None:
    x, y = groups(1, 40)
    sign = 1 if direction == "higher" else -1
    found = marks(sign * x, y, direction=direction)
    fast = cutoff_uncertainty(found, placed=placed, draws=4000, seed=3)
    rng = np.random.default_rng(4)
    values, gain = [], []
    for _ in range(4000):
        rows = np.concatenate([rng.integers(0, 40, 40), 40 + rng.integers(0, 40, 40)])
        cut = choose_cutoff(marks(sign * x[rows], y[rows], direction=direction), placed=placed)
        decided = sign * sign * x >= sign * cut.value if cut.inclusive else x > sign * cut.value
        values.append(cut.value)
        gain.append((cut.sensitivity - decided[y].mean(), cut.specificity - (1 - decided[~y].mean())))
    ends = np.quantile(values, [0.025, 0.975])
    assert (fast.value.low, fast.value.high) == pytest.approx(tuple(ends), abs=0.11)
    own = choose_cutoff(found, placed=placed)
    fair = np.array([own.sensitivity, own.specificity]) - np.mean(gain, axis=0)
    assert (fast.sensitivity, fast.specificity) == pytest.approx(tuple(fair), abs=0.008)


def test_the_choice_flatters_and_the_correction_takes_some_of_it_off() -> None:
    x, y = groups(2)
    own, fair = choose_cutoff(marks(x, y)), cutoff_uncertainty(marks(x, y), draws=500)
    assert fair.sensitivity + fair.specificity < own.sensitivity + own.specificity
    assert fair.value.value == own.value


def test_wanted_shares_have_exact_ranks() -> None:
    x = np.arange(200.0)
    found = marks(x, x >= 100)
    moved = cutoff_uncertainty(found, "sensitivity", wanted=0.9, draws=50)
    # The 10 % quantile of 100 values: ranks 5 and 17 at 95 %.
    from scipy import stats

    assert (moved.value.low, moved.value.high) == (104, 116)
    assert stats.binom.cdf(4, 100, 0.1) <= 0.025 < stats.binom.cdf(5, 100, 0.1)
    assert stats.binom.sf(16, 100, 0.1) <= 0.025 < stats.binom.sf(15, 100, 0.1)
    turned = cutoff_uncertainty(marks(-x, x >= 100, direction="lower"), "sensitivity", wanted=0.9, draws=50)
    assert (turned.value.low, turned.value.high) == (-116, -104)
    few = cutoff_uncertainty(marks(X, Y), "specificity", wanted=0.75, draws=50)
    assert None in (few.value.low, few.value.high)
    assert few.value.why


def test_a_bound_is_no_end() -> None:
    x = np.array([5.0] * 5 + list(range(6, 41)), dtype=float)
    y = np.arange(40) % 2 == 0
    found = marks(x, y, below=x == 5)
    moved = cutoff_uncertainty(found, "sensitivity", wanted=0.9, draws=50)
    assert moved.value.low is None
    assert "bound" in moved.value.why


def test_uncertainty_refusals() -> None:
    with pytest.raises(InputError, match="given cut-off"):
        cutoff_uncertainty(marks(X, Y), "given")
    with pytest.raises(InputError, match="bootstrap samples"):
        cutoff_uncertainty(marks(X, Y), draws=3)


def test_many_distinct_readings_are_thinned_for_the_bootstrap() -> None:
    rng = np.random.default_rng(1)
    y = np.arange(60_000) < 30_000
    x = rng.normal(size=y.size) + 2.0 * y
    moved = cutoff_uncertainty(marks(x, y), draws=40)
    assert moved.levels == 4_000
    assert moved.value.low < 1.0 < moved.value.high
    assert moved.sensitivity == pytest.approx(0.841, abs=0.01)
