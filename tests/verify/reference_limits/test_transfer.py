import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.reference_limits import chance_of_acceptance, transference


def people(outside: int, n: int = 20) -> np.ndarray:
    return np.concatenate([np.full(outside, 20.0), np.full(n - outside, 5.0)])


@pytest.mark.parametrize(
    ("outside", "decision"),
    [(0, "accepted"), (2, "accepted"), (3, "second set"), (4, "second set"), (5, "rejected"), (20, "rejected")],
)
def test_the_first_set_decides_or_asks_for_a_second(outside: int, decision: str) -> None:
    found = transference(people(outside), lower=0.0, upper=10.0)
    assert found.decision == decision
    assert found.outside == (outside,)
    assert found.share is not None
    assert found.share.value == outside / 20


@pytest.mark.parametrize(
    ("first", "second", "decision"),
    [(3, 2, "accepted"), (4, 3, "rejected"), (5, 0, "rejected"), (1, 20, "accepted")],
)
def test_the_second_set(first: int, second: int, decision: str) -> None:
    assert transference(people(first), people(second), lower=0.0, upper=10.0).decision == decision


def test_a_value_on_the_limit_lies_inside() -> None:
    assert transference([0.0, 10.0, 5.0], lower=0.0, upper=10.0).outside == (0,)


def test_one_limit_is_enough_and_none_is_not() -> None:
    assert transference([-100.0, 5.0, 11.0], upper=10.0).outside == (1,)
    with pytest.raises(InputError, match="limits to be taken over"):
        transference([1.0])
    with pytest.raises(InputError, match="lower < upper"):
        transference([1.0], lower=2.0, upper=1.0)
    with pytest.raises(InputError, match="allowed outside"):
        transference([1.0], lower=2.0, most=3, again=1)


@pytest.mark.parametrize(
    ("value", "kind", "limits", "outside", "unclear"),
    [
        (1.0, "below", (2.0, 10.0), 1, 0),
        (2.0, "below", (2.0, 10.0), 1, 0),
        (3.0, "below", (2.0, 10.0), 0, 1),
        (3.0, "below", (None, 10.0), 0, 0),
        (11.0, "below", (None, 10.0), 0, 1),
        (11.0, "above", (2.0, 10.0), 1, 0),
        (9.0, "above", (2.0, 10.0), 0, 1),
        (9.0, "above", (2.0, None), 0, 0),
        (1.0, "above", (2.0, None), 0, 1),
    ],
)
def test_bounds_count_where_they_are_clear(
    value: float, kind: str, limits: tuple[float | None, float | None], outside: int, unclear: int
) -> None:
    flags = {kind: ([True, False], None)}
    found = transference([value, 5.0], lower=limits[0], upper=limits[1], **flags)
    assert (found.outside, found.unclear) == ((outside,), (unclear,))


def test_unclear_values_leave_the_decision_open_only_where_they_matter() -> None:
    x = people(2)
    x[-1] = 12.0
    flags = np.arange(20) == 19
    open_ = transference(x, lower=0.0, upper=10.0, below=(flags, None))
    assert (open_.outside, open_.unclear, open_.decision, open_.share) == ((2,), (1,), "undecided", None)
    x = people(1)
    x[-1] = 12.0
    assert transference(x, lower=0.0, upper=10.0, below=(flags, None)).decision == "accepted"


@given(st.floats(0, 1), st.integers(1, 30), st.integers(0, 5), st.integers(0, 5))
@settings(derandomize=True, deadline=None, max_examples=80)
def test_the_operating_curve_is_the_binomial_sum(p: float, n: int, most: int, more: int) -> None:
    most = min(most, n)
    again = min(most + more, n)
    mass = [math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(n + 1)]
    once = math.fsum(mass[: most + 1])
    assert float(chance_of_acceptance(p, n=n, most=most)) == pytest.approx(once, abs=1e-12)
    twice = once + math.fsum(mass[most + 1 : again + 1]) * once
    assert float(chance_of_acceptance(p, n=n, most=most, again=again)) == pytest.approx(twice, abs=1e-12)


def test_the_operating_curve_is_what_the_rule_does() -> None:
    rng = np.random.default_rng(1)
    runs, share = 4000, 0.12
    accepted = 0
    for _ in range(runs):
        first, second = (np.where(rng.random(20) < share, 20.0, 5.0) for _ in range(2))
        accepted += transference(first, second, lower=0.0, upper=10.0).decision == "accepted"
    chance = float(chance_of_acceptance(share, again=4))
    assert abs(accepted / runs - chance) < 4 * math.sqrt(chance * (1 - chance) / runs)


def test_shares_must_be_shares() -> None:
    with pytest.raises(InputError, match="share outside"):
        chance_of_acceptance([0.1, 1.1])
    with pytest.raises(InputError, match="transference check"):
        chance_of_acceptance(0.1, n=20, most=21)
