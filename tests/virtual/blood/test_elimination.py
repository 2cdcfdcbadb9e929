import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from stanch.virtual.blood import contact, tissue_factor
from stanch.virtual.blood.elimination import lists, pattern
from stanch.virtual.blood.network import Network, reaction
from stanch.virtual.blood.stiff_kernel import _factorise, _solve, jacobian, rates

NETWORKS = {"tissue factor": tissue_factor.network(), "contact": contact.network()}


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(1, 14), st.floats(0.0, 1.0), st.integers(0, 2**32))
def test_the_filled_pattern_solves_any_matrix(size: int, share: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    filled = rng.random((size, size)) < share
    found = pattern(filled)
    assert sorted(found.order) == list(range(size))
    matrix = np.where(filled, rng.normal(size=(size, size)), 0.0)
    np.fill_diagonal(matrix, 0.0)
    # Dominant columns: no pivoting is needed, and none is done.
    shift = 1.0 + np.abs(matrix).sum(0).max()
    entries = np.zeros(len(found.columns))
    for i, old in enumerate(found.order):
        own = slice(found.starts[i], found.starts[i + 1])
        entries[own] = matrix[old, found.order[found.columns[own]]]
    w, inverse = np.empty(len(entries)), np.empty(size)
    _factorise(entries, shift, found.starts, found.columns, found.diagonal, found.targets, w, inverse)
    right = rng.normal(size=size)
    x = right[found.order].copy()
    _solve(w, inverse, found.starts, found.columns, found.diagonal, x)
    np.testing.assert_allclose((shift * np.eye(size) - matrix)[:, found.order] @ x, right, rtol=1e-11, atol=1e-12)


def test_an_arrow_does_not_fill_in() -> None:
    size = 9
    arrow = np.eye(size, dtype=bool)
    arrow[0] = arrow[:, 0] = True
    assert len(pattern(arrow).columns) == arrow.sum()


def test_the_pathways_stay_sparse() -> None:
    for network, most in ((NETWORKS["tissue factor"], 200), (NETWORKS["contact"], 330)):
        assert len(lists(network).columns) <= most


def _state(network: Network, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rng = np.random.default_rng(seed)
    y = rng.lognormal(-14, 2, len(network.species)) * (rng.random(len(network.species)) < 0.9)
    return y, network.constants() * rng.lognormal(0, 1, len(network.steps))


@pytest.mark.parametrize("name", NETWORKS)
@pytest.mark.parametrize("seed", range(5))
def test_compiled_rates_and_jacobian_equal_the_plain_ones(name: str, seed: int) -> None:
    network = NETWORKS[name]
    y, k = _state(network, seed)
    own = lists(network)
    sorted_y = np.append(y[own.order], 1.0)
    flow, out = np.empty(len(k)), np.empty(len(y))
    changes = (own.change_starts, own.change_steps, own.change_sizes)
    rates(sorted_y, k, len(y), own.first, own.second, *changes, flow, out)
    scale = np.abs(flow).max()
    np.testing.assert_allclose(out, network.rates(y, k)[own.order], rtol=1e-12, atol=1e-14 * scale)
    slopes, entries = np.empty(2 * len(k)), np.empty(len(own.columns))
    jacobian(sorted_y, k, own.first, own.second, own.slope_starts, own.slope_slots, own.slope_sizes, slopes, entries)
    dense = np.zeros((len(y), len(y)))
    rows = np.repeat(np.arange(len(y)), np.diff(own.starts))
    dense[rows, own.columns] = entries
    expected = network.jacobian(y, k)[np.ix_(own.order, own.order)]
    np.testing.assert_allclose(dense, expected, rtol=1e-12, atol=1e-14 * np.abs(expected).max())


@pytest.mark.parametrize("name", NETWORKS)
@pytest.mark.parametrize("step", [1e-6, 1e-2, 1.0, 100.0, 1e4])
def test_elimination_without_pivoting_stays_exact(name: str, step: float) -> None:
    network = NETWORKS[name]
    own = lists(network)
    for seed in range(5):
        y, k = _state(network, seed)
        matrix = network.jacobian(y, k)[np.ix_(own.order, own.order)]
        rows = np.repeat(np.arange(len(y)), np.diff(own.starts))
        entries = matrix[rows, own.columns]
        w, inverse = np.empty(len(entries)), np.empty(len(y))
        _factorise(entries, 4 / step, own.starts, own.columns, own.diagonal, own.targets, w, inverse)
        right = np.random.default_rng(seed).normal(size=len(y))
        x = right.copy()
        _solve(w, inverse, own.starts, own.columns, own.diagonal, x)
        whole = 4 / step * np.eye(len(y)) - matrix
        # Backward error: what is left, over the size of the terms it is the difference of.
        left = np.abs(whole @ x - right) / (np.abs(whole) @ np.abs(x) + np.abs(right))
        assert left.max() < 1e-12


def test_a_doubled_reactant_counts_twice() -> None:
    network = Network((reaction("A + A -> B", 1e3, source="invented"),))
    own = lists(network)
    y = np.array([3.0, 0.0])[own.order]
    slopes, entries = np.empty(2), np.empty(len(own.columns))
    jacobian(
        np.append(y, 1.0), network.constants(), own.first, own.second, own.slope_starts, own.slope_slots,
        own.slope_sizes, slopes, entries,
    )  # fmt: skip
    dense = np.zeros((2, 2))
    dense[np.repeat(np.arange(2), np.diff(own.starts)), own.columns] = entries
    np.testing.assert_allclose(dense, network.jacobian([3.0, 0.0])[np.ix_(own.order, own.order)])
