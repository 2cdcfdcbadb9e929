import numpy as np
import pytest

from stanch.errors import InputError
from stanch.virtual.blood import tissue_factor
from stanch.virtual.blood.network import Network, reaction
from stanch.virtual.blood.stiff import StiffError, solve

DECAY = Network((reaction("A -> B", 0.3, source="invented"), reaction("B -> ", 4000.0, source="invented")))


def test_a_chain_of_decays_follows_its_closed_form() -> None:
    made = solve(DECAY, [2.0, 0.0], duration=10, step=0.5, rtol=1e-9)
    a = 2 * np.exp(-0.3 * made.time)
    b = 0.6 * (np.exp(-0.3 * made.time) - np.exp(-4000.0 * made.time)) / (4000.0 - 0.3)
    np.testing.assert_allclose(made["A"], a, rtol=1e-7)
    np.testing.assert_allclose(made["B"], b, rtol=1e-6, atol=1e-20)


def test_the_grid_is_even_and_holds_its_end() -> None:
    assert solve(DECAY, [1.0, 0.0], duration=0.3, step=0.1).time.tolist() == [0.0, 0.1, 0.2, 0.1 * 3]
    assert solve(DECAY, [1.0, 0.0], duration=0.35, step=0.1).time[-1] == pytest.approx(0.3)


def test_nothing_reacts_where_nothing_is() -> None:
    assert not solve(DECAY, [0.0, 0.0], duration=100, step=10).values.any()


@pytest.mark.parametrize(
    "change",
    [
        {"initial": [1.0]},
        {"initial": [1.0, -1.0]},
        {"initial": [np.nan, 0.0]},
        {"constants": [1.0]},
        {"duration": 0.0},
        {"step": np.nan},
        {"rtol": 0.0},
        {"atol": 0.0},
        {"atol": np.inf},
    ],
)
def test_what_cannot_be_is_refused(change: dict[str, object]) -> None:
    given = {"initial": [1.0, 0.0], "duration": 1.0, "step": 0.1, **change}
    with pytest.raises(InputError):
        solve(DECAY, given.pop("initial"), **given)  # type: ignore[arg-type]


def test_a_network_that_runs_away_ends_in_a_named_error() -> None:
    # A doubles by meeting itself: infinite at 1 s.
    runaway = Network((reaction("A + A -> A + A + A", 1e3, source="invented"),))
    with pytest.raises(StiffError, match=r"step too small at (1|0\.99)"):
        solve(runaway, [1.0], duration=2, step=0.1)


def test_one_tight_and_one_loose_tolerance_agree() -> None:
    network = tissue_factor.network()
    start = network.initial({**tissue_factor.NORMAL, "TF": 5e-9})
    exact = solve(network, start, duration=3600, step=2, rtol=1e-8)
    fast = solve(network, start, duration=3600, step=2)
    for made in (exact, fast):
        sums = made.values @ network.conserved.T
        np.testing.assert_allclose(sums, np.broadcast_to(sums[0], sums.shape), rtol=1e-9, atol=1e-20)
    for name in ("IIa", "mIIa", "Xa:Va"):
        assert np.abs(fast[name] - exact[name]).max() < 1e-4 * exact[name].max()
    assert fast.steps < 400
