"""The joint solve over pushes, against the same posterior written out in full."""

import numpy as np
import pytest

from stanch.mechanics.speckle import depth_polynomial, joint_solution, link_matrix, prior_sd, shared_link


def test_prior_follows_the_number_of_cells():
    assert prior_sd([11.0, np.inf]) == pytest.approx([np.sqrt(0.05), 0.0])
    assert prior_sd([0.2])[0] == 1.0


def test_link_is_made_a_correlation_matrix():
    assert link_matrix(None, 3) is None
    assert link_matrix(np.eye(3), 3) is None
    frozen = np.ones((4, 4))
    assert link_matrix(frozen, 4) == pytest.approx(frozen)
    noisy = np.array([[1.0, 0.99, 0.2], [0.99, 1.0, 0.9], [0.2, 0.9, np.nan]])
    fixed = link_matrix(noisy, 3)
    assert np.linalg.eigvalsh(fixed).min() > -1e-12
    assert np.diag(fixed) == pytest.approx([1.0, 1.0, 1.0])
    assert np.abs(fixed - np.nan_to_num(noisy, nan=1.0)).max() < 0.2


@pytest.mark.parametrize("pushes", [12, 150])
def test_few_factors_stand_for_the_link(pushes):
    assert shared_link(None, pushes).loading.shape == (pushes, 0)
    assert shared_link(None, pushes).own == pytest.approx(np.ones(pushes))
    frozen = shared_link(np.ones((pushes, pushes)), pushes)
    assert frozen.loading.shape == (pushes, 1)
    assert frozen.loading @ frozen.loading.T == pytest.approx(np.ones((pushes, pushes)))
    assert frozen.own == pytest.approx(np.zeros(pushes), abs=1e-9)
    i = np.arange(pushes)
    # Liquid at first, frozen from a third on, with a little that is new in every push.
    late = i >= pushes // 3
    setting = np.where(np.outer(late, late), 0.97, 0.0)
    np.fill_diagonal(setting, 1.0)
    drifting = np.exp(-np.abs(i[:, None] - i) / 8.0)
    for matrix in (setting, drifting):
        got = shared_link(matrix, pushes)
        found = got.loading @ got.loading.T + np.diag(got.own)
        assert np.diag(found) == pytest.approx(np.ones(pushes))
        # What is lost must not count in means over pushes.
        assert found.mean() == pytest.approx(matrix.mean(), rel=0.02)
        if pushes <= 64:
            assert found == pytest.approx(matrix, abs=1e-12)
    assert shared_link(setting, 150).loading.shape[1] == 1 if pushes == 150 else True


def test_polynomials_along_the_gate():
    rng = np.random.default_rng(3)
    depth, weight = np.linspace(-1e-3, 2e-3, 40), rng.uniform(0.1, 1.0, (3, 40))
    weight[1, 7] *= -1.0
    size = np.abs(weight) / np.abs(weight).sum(axis=1, keepdims=True)
    found = [depth_polynomial(depth, weight, m) for m in range(4)]
    for p in range(3):
        gram = np.array([[(size[p] * a[p] * b[p]).sum() for a in found] for b in found])
        assert gram == pytest.approx(np.eye(4), abs=1e-9)
        # Of degree m: the differences of order m + 1 vanish.
        for m in range(4):
            assert np.abs(np.diff(found[m][p], m + 1)).max() < 1e-9
    assert np.all(depth_polynomial(np.zeros(1), np.ones((2, 1)), 1) == 0.0)


def _pushes(rng, n, orders):
    root = rng.normal(size=(n, 9, 3 + orders)) * np.array([30.0, 4.0, 60.0, 20.0, 9.0, 4.0][: 3 + orders])
    residual = rng.normal(size=(n, 9))
    information = np.einsum("pki,pkj->pij", root, root)
    return information, np.einsum("pki,pk->pi", root, residual)


@pytest.mark.parametrize("kind", ["fresh", "drifting", "frozen"])
@pytest.mark.parametrize("spread", [True, False])
@pytest.mark.parametrize("orders", [1, 3])
def test_elimination_is_the_full_solution(kind, spread, orders):
    rng = np.random.default_rng(8)
    n, size = 7, 3 + orders
    information, gradient = _pushes(rng, n, orders)
    tau, delta = rng.uniform(0.1, 0.3, n), rng.normal(0, 0.1, (n, orders))
    i = np.arange(n)
    link = {"fresh": None, "frozen": np.ones((n, n)), "drifting": np.exp(-np.abs(i[:, None] - i) / 3.0)}[kind]
    got = joint_solution(information, gradient, delta, tau, shared_link(link, n), spread=spread)
    prior = np.outer(tau, tau) * (np.eye(n) if link is None else link)
    full, right = np.zeros((size * n, size * n)), gradient.ravel().copy()
    for p in range(n):
        block = slice(size * p, size * (p + 1))
        full[block, block] = information[p]
        right[block] += information[p][:, 3:] @ delta[p]
    for k in range(orders):
        at = size * i + 3 + k
        # A frozen prior has no inverse: add a little, as much as the comparison allows.
        full[np.ix_(at, at)] += np.linalg.inv(prior + 1e-12 * np.eye(n))
    exact, covariance = np.linalg.solve(full, right), np.linalg.inv(full)
    for k in range(orders):
        at = size * i + 3 + k
        assert got.delta[:, k] == pytest.approx(exact[at], rel=1e-5)
        if spread:
            assert got.delta_sd[:, k] == pytest.approx(np.sqrt(np.diag(covariance)[at]), rel=1e-4)
    for k in range(3):
        at = size * i + k
        assert got.step[:, k] == pytest.approx(exact[at], rel=1e-5, abs=1e-8)
        if spread:
            assert got.covariance(k) == pytest.approx(covariance[np.ix_(at, at)], rel=1e-4, abs=1e-9)
            assert got.variance(k) == pytest.approx(np.diag(got.covariance(k)))


@pytest.mark.parametrize("orders", [0, 2])
def test_no_speckle_leaves_each_push_to_itself(orders):
    information, gradient = _pushes(np.random.default_rng(1), 3, orders)
    got = joint_solution(information, gradient, np.zeros((3, orders)), np.zeros(3), shared_link(None, 3))
    assert np.all(got.delta == 0)
    assert got.covariance(0) == pytest.approx(np.diag([np.linalg.inv(m[:3, :3])[0, 0] for m in information]))
