from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from stanch.errors import InputError, StiffError
from stanch.virtual.blood import contact, stiff_kernel, tissue_factor
from stanch.virtual.blood.network import Network, reaction
from stanch.virtual.blood.stiff import solve

Floats = NDArray[np.float64]

TISSUE = tissue_factor.network()
TISSUE_START = TISSUE.initial({**tissue_factor.NORMAL, "TF": 5e-9})
CONTACT = contact.network()
CONTACT_START = CONTACT.initial({**tissue_factor.NORMAL, **contact.NORMAL})
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


@pytest.mark.parametrize(
    ("network", "start"), [(TISSUE, TISSUE_START), (CONTACT, CONTACT_START)], ids=["tissue", "contact"]
)
def test_the_default_tolerance_is_within_a_ten_thousandth(network: Network, start: Floats) -> None:
    exact = solve(network, start, duration=3600, step=2, rtol=1e-8)
    fast = solve(network, start, duration=3600, step=2)
    for made in (exact, fast):
        sums = made.values @ network.conserved.T
        np.testing.assert_allclose(sums, np.broadcast_to(sums[0], sums.shape), rtol=1e-9, atol=1e-20)
    for name in ("IIa", "mIIa", "Xa:Va"):
        assert np.abs(fast[name] - exact[name]).max() < 2e-5 * exact[name].max()
    assert fast.steps < 700


@pytest.mark.parametrize("method", ["Radau", "BDF"])
@pytest.mark.parametrize(
    ("network", "start"), [(TISSUE, TISSUE_START), (CONTACT, CONTACT_START)], ids=["tissue", "contact"]
)
def test_other_solvers_of_the_same_reactions(network: Network, start: Floats, method: str) -> None:
    # BDF loses digits: its own error is what is left.
    rtol, within = {"Radau": (1e-8, 1e-6), "BDF": (1e-8, 2e-5)}[method]
    k = network.constants()
    time = np.arange(0.0, 601.0, 20.0)
    solver: Any = solve_ivp
    other = solver(
        lambda t, y: network.rates(y, k),
        (0.0, 600.0),
        start,
        method,
        t_eval=time,
        jac=lambda t, y: network.jacobian(y, k),
        rtol=rtol,
        atol=1e-20,
    )
    own = solve(network, start, duration=600, step=20, rtol=1e-8)
    for place, name in enumerate(network.species):
        top = own[name].max()
        assert np.abs(other.y[place] - own[name]).max() <= within * top + 1e-19, name


@settings(derandomize=True, deadline=None, max_examples=40)
@given(st.integers(0, 2**32))
def test_any_composition_is_followed_and_keeps_its_sums(seed: int) -> None:
    rng = np.random.default_rng(seed)
    network = (TISSUE, CONTACT)[seed % 2]
    normal = (TISSUE_START, CONTACT_START)[seed % 2]
    # Each protein missing, or 1/100 to 10 times what is normal; every constant within a factor of about 10.
    start = normal * 10 ** rng.uniform(-2, 1, len(normal)) * (rng.random(len(normal)) < 0.9)
    constants = network.constants() * rng.lognormal(0, 1, len(network.steps))
    made = solve(network, start, duration=3600, step=10, constants=constants)
    assert np.all(np.isfinite(made.values))
    assert made.values.min() >= 0
    sums = made.values @ network.conserved.T
    size = (np.abs(made.values) @ np.abs(network.conserved).T).max(0)
    assert np.all(np.abs(sums - sums[0]) <= 1e-9 * size + 1e-30)


@pytest.mark.parametrize("seed", [247, 435, 549, 1293, 1985])
def test_an_enzyme_that_makes_itself_does_not_run_away_below_zero(seed: int) -> None:
    # Drawn like this, with this tolerance and without the floor at zero, three of these ended in an error and two in
    # concentrations far below zero.
    rng = np.random.default_rng(seed)
    start = CONTACT.initial({**tissue_factor.NORMAL, **contact.NORMAL, "TF": 1e-9})
    start = start * 10 ** rng.uniform(-4, 1.5, len(start)) * (rng.random(len(start)) < 0.85)
    constants = CONTACT.constants() * rng.lognormal(0, 1.5, len(CONTACT.steps))
    made = solve(CONTACT, start, duration=3600, step=10, constants=constants, atol=1e-12 * start.max())
    assert made.values.min() >= 0
    assert made.values.max() <= start.max() * (1 + 1e-6)


def test_traces_decide_whether_there_is_a_burst() -> None:
    # Grows from 1e-15 mol/m^3 by a factor of e each second.
    network = Network((reaction("E + S -> E + E", 1e6, source="invented"),))
    made = solve(network, network.initial({"E": 1e-15, "S": 1e-3}), duration=60, step=1)
    total = 1e-3 + 1e-15
    exact = total / (1 + (total / 1e-15 - 1) * np.exp(-1e3 * total * made.time))
    np.testing.assert_allclose(made["E"], exact, rtol=2e-3)


def test_the_grid_does_not_change_the_course() -> None:
    coarse = solve(TISSUE, TISSUE_START, duration=1200, step=60)
    fine = solve(TISSUE, TISSUE_START, duration=1200, step=0.5)
    assert coarse.steps == fine.steps
    np.testing.assert_array_equal(fine.values[::120], coarse.values)


def test_factors_on_constants_reach_the_solver() -> None:
    slowed = solve(TISSUE, TISSUE_START, duration=600, step=10, constants=0.5 * TISSUE.constants())
    whole = solve(TISSUE, TISSUE_START, duration=300, step=5)
    # Every constant halved is time run at half the pace.
    np.testing.assert_allclose(slowed.values, whole.values, rtol=1e-4, atol=1e-11)


# The coefficients as matrices: stage i is f(y + sum a_ij k_j) + sum c_ij k_j / h, solved with I/(h gamma) - J.
A, C = np.zeros((6, 6)), np.zeros((6, 6))
for _i in range(6):
    for _j in range(_i):
        A[_i, _j] = getattr(stiff_kernel, f"A{min(_i, 4) + 1}{_j + 1}", 1.0)
        C[_i, _j] = getattr(stiff_kernel, f"C{_i + 1}{_j + 1}")
GAMMA = stiff_kernel.GAMMA


def _step(f: Callable[[Any], Any], jacobian: Callable[[Any], Any], y: Any, h: float) -> tuple[Any, Any]:
    """Solutions of the higher and the lower order after one step."""
    whole = np.eye(len(y)) / (h * GAMMA) - jacobian(y)
    k: list[Any] = []
    for i in range(6):
        at = y + sum((A[i, j] * k[j] for j in range(i)), np.zeros(len(y)))
        right = f(at) + sum((C[i, j] * k[j] / h for j in range(i)), np.zeros(len(y)))
        k.append(np.linalg.solve(whole, right))
    lower = y + sum(A[5, j] * k[j] for j in range(5))
    return lower + k[5], lower


def test_the_method_is_of_order_four_with_three_beside_it() -> None:
    # A pendulum: f and its derivatives of every order matter.
    def f(y: Floats) -> Floats:
        return np.array([y[1], -np.sin(y[0])])

    def jacobian(y: Floats) -> Floats:
        return np.array([[0.0, 1.0], [-np.cos(y[0]), 0.0]])

    start = np.array([1.2, 0.3])
    end: Any = solve_ivp(lambda t, y: f(y), (0, 1), start, "DOP853", rtol=1e-13, atol=1e-14)
    errors = []
    for count in (10, 20, 40):
        y = start
        for _ in range(count):
            y = _step(f, jacobian, y, 1 / count)[0]
        errors.append(np.abs(y - end.y[:, -1]).max())
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all((orders > 3.7) & (orders < 4.6))
    single = [np.subtract(*_step(f, jacobian, start, h)).max() for h in (0.1, 0.05, 0.025)]
    estimates = np.log2(np.abs(np.array(single[:-1]) / single[1:]))
    assert np.all((estimates > 3.6) & (estimates < 4.5)), "local error of the solution of order three is of order four"


def _amplification(z: complex) -> complex:
    y = np.array([1.0 + 0j])
    return complex(_step(lambda y: z * y, lambda y: np.array([[z]]), y, 1.0)[0][0])


def test_the_method_is_l_stable_and_stiffly_accurate() -> None:
    # No pole in the left half-plane, so the largest modulus there lies on its edge.
    assert GAMMA > 0
    assert max(abs(_amplification(1j * w)) for w in np.geomspace(1e-3, 1e6, 400)) <= 1 + 1e-12
    assert abs(_amplification(-1e9)) < 1e-7
    for z in (-0.1, -0.05 + 0.05j):
        assert abs(_amplification(z) - np.exp(z)) < abs(z) ** 5


def test_values_between_the_steps_are_of_order_three() -> None:
    exact = solve(TISSUE, TISSUE_START, duration=900, step=0.5, rtol=1e-8)
    fast = solve(TISSUE, TISSUE_START, duration=900, step=0.5)
    # Steps of several seconds, grid of half a second.
    assert 900 / fast.steps > 2
    assert np.abs(fast["IIa"] - exact["IIa"]).max() < 2e-5 * exact["IIa"].max()


def test_a_solution_is_read_by_name() -> None:
    made = solve(DECAY, [1.0, 0.0], duration=1, step=0.5)
    np.testing.assert_array_equal(made["B"], made.values[:, 1])
    with pytest.raises(InputError):
        made["C"]
    assert made.evaluations >= 6 * made.steps
    assert made.factorisations == made.steps + made.refused
