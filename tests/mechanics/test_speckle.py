"""The joint solve over pushes, against the same posterior written out in full."""

import numpy as np
import pytest

from stanch.mechanics.speckle import joint_solution, link_matrix, prior_sd


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


def _pushes(rng, n):
    root = rng.normal(size=(n, 9, 4)) * np.array([30.0, 4.0, 60.0, 20.0])
    residual = rng.normal(size=(n, 9))
    information = np.einsum("pki,pkj->pij", root, root)
    return information, np.einsum("pki,pk->pi", root, residual)


@pytest.mark.parametrize("kind", ["fresh", "drifting", "frozen"])
@pytest.mark.parametrize("spread", [True, False])
def test_elimination_is_the_full_solution(kind, spread):
    rng = np.random.default_rng(8)
    n = 7
    information, gradient = _pushes(rng, n)
    tau, delta = rng.uniform(0.1, 0.3, n), rng.normal(0, 0.1, n)
    i = np.arange(n)
    link = {"fresh": None, "frozen": np.ones((n, n)), "drifting": np.exp(-np.abs(i[:, None] - i) / 3.0)}[kind]
    got = joint_solution(information, gradient, delta, tau, link, spread=spread)
    prior = np.outer(tau, tau) * (np.eye(n) if link is None else link)
    full, right = np.zeros((4 * n, 4 * n)), gradient.ravel().copy()
    for p in range(n):
        full[4 * p : 4 * p + 4, 4 * p : 4 * p + 4] = information[p]
        right[4 * p + 3] += information[p][3] @ [0, 0, 0, delta[p]]
        right[4 * p : 4 * p + 3] += information[p][:3, 3] * delta[p]
    at = 4 * i + 3
    # A frozen prior has no inverse: add a little, as much as the comparison allows.
    full[np.ix_(at, at)] += np.linalg.inv(prior + 1e-12 * np.eye(n))
    exact, covariance = np.linalg.solve(full, right), np.linalg.inv(full)
    assert got.delta == pytest.approx(exact[at], rel=1e-5)
    for k in range(3):
        assert got.step[:, k] == pytest.approx(exact[4 * i + k], rel=1e-5, abs=1e-8)
        if spread:
            assert got.covariance(k) == pytest.approx(covariance[np.ix_(4 * i + k, 4 * i + k)], rel=1e-4, abs=1e-9)
            assert got.variance(k) == pytest.approx(np.diag(got.covariance(k)))


def test_no_speckle_leaves_each_push_to_itself():
    information, gradient = _pushes(np.random.default_rng(1), 3)
    got = joint_solution(information, gradient, np.zeros(3), np.zeros(3), None)
    assert np.all(got.delta == 0)
    assert got.covariance(0) == pytest.approx(np.diag([np.linalg.inv(m[:3, :3])[0, 0] for m in information]))
