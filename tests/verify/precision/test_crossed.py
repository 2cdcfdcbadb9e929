"""Crossed designs: exact values, invariances, awkward data."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.precision import ERROR, crossed_anova
from stanch.verify.precision.crossed_reml import crossed_reml, residual_deviance
from stanch.verify.precision.factors import crossing


def grid(a: int, b: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    return np.repeat(np.arange(a), b * n), np.tile(np.repeat(np.arange(b), n), a)


def sample(seed: int, n: int = 60) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    rng = np.random.default_rng(seed)
    p, o = rng.integers(0, 7, n), rng.integers(0, 5, n)
    y = 10 + 2 * rng.normal(size=7)[p] + rng.normal(size=5)[o] + rng.normal(size=(7, 5))[p, o] + rng.normal(size=n)
    return y, {"part": p, "operator": o}


def test_a_balanced_cross_by_hand() -> None:
    a, b = grid(2, 2, 2)
    y = np.array([1.0, 3, 5, 7, 11, 13, 21, 23])
    found = crossed_anova(y, {"part": a, "operator": b})
    # Cell means 2, 6, 12, 22: parts 4 and 17, operators 7 and 14, interaction +-1.5.
    assert [s.ss for s in found.strata] == pytest.approx([338, 98, 18, 8], rel=1e-13)
    assert [s.df for s in found.strata] == [1, 1, 1, 4]
    assert [s.raw for s in found.strata] == pytest.approx([80, 20, 8, 2], rel=1e-12)
    assert found.names == ("part", "operator", "part × operator", ERROR)
    assert found.reml == pytest.approx([80, 20, 8, 2])
    assert found.balanced


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("single", [False, True])
def test_expectations_and_scatter_against_dense_matrices(seed: int, single: bool) -> None:
    y, factors = sample(seed)
    p, o = factors["part"], factors["operator"]
    if single:
        _, first = np.unique(p * 5 + o, return_index=True)
        y, p, o = y[first], p[first], o[first]
    found = crossed_anova(y, {"part": p, "operator": o}, reml=False)
    same = [np.equal.outer(c, c).astype(float) for c in (p, o, p * 5 + o)] + [np.eye(y.size)]
    project = [np.full((y.size, y.size), 1 / y.size)] + [z / z.sum(1)[:, None] for z in same]
    forms = [
        project[1] - project[0],
        project[2] - project[0],
        project[3] - project[1] - project[2] + project[0],
        project[4] - project[3],
    ]
    z = y - y.mean()
    raw = [s.raw for s in found.strata]
    components = [raw[0], raw[1], 0.0, raw[2]] if single else raw
    v = sum(c * m for c, m in zip(components, same, strict=True))
    for s, form in zip(found.strata, forms, strict=False):
        assert s.ss == pytest.approx(z @ form @ z, rel=1e-8, abs=1e-9)
        expected = [float(np.sum(form * m)) for m in same]
        if single:
            expected.pop(2)
        assert np.array(s.coefficients) * s.df == pytest.approx(expected, abs=1e-9)
    count = len(found.strata)
    dense = np.array([[2 * np.trace(a @ v @ b @ v) for b in forms[:count]] for a in forms[:count]])
    assert found.covariance == pytest.approx(dense, rel=1e-8, abs=1e-8)


@given(st.integers(0, 10_000))
@settings(max_examples=10, deadline=None, derandomize=True)
def test_swapping_factors_permuting_rows_and_changing_unit(seed: int) -> None:
    y, factors = sample(seed)
    order = np.random.default_rng(seed).permutation(y.size)
    one = crossed_anova(y, factors, reml=False)
    turned = {"operator": factors["operator"][order], "part": factors["part"][order]}
    other = crossed_anova(1e-12 * (y[order] + 3), turned, reml=False)
    for name in ("part", "operator", ERROR):
        assert other[name].raw * 1e24 == pytest.approx(one[name].raw, rel=1e-7, abs=1e-9)
    assert other["operator × part"].raw * 1e24 == pytest.approx(one["part × operator"].raw, rel=1e-7, abs=1e-9)
    total = [s for s in one.names if s != "part"]
    again = [s for s in other.names if s != "part"]
    assert other.total(again).df == pytest.approx(one.total(total).df, rel=1e-7)


def test_balanced_with_a_component_below_zero_agrees_with_the_general_likelihood() -> None:
    rng = np.random.default_rng(7)
    seen = 0
    for _ in range(6):
        p, o = grid(6, 3, 2)
        y = rng.normal(size=36) + rng.normal(size=6)[p]
        found = crossed_anova(y, {"part": p, "operator": o})
        if all(s.raw >= 0 for s in found.strata):
            continue
        seen += 1
        cells = crossing({"part": p, "operator": o}, 36)
        z = y - y.mean()
        mean = cells.cell_sums(z) / cells.n
        within = float(np.sum((z[cells.order] - np.repeat(mean, cells.n)) ** 2))
        general = crossed_reml(cells, mean, within, np.array([0.5, 0.1, 0.1, 1.0]), True)
        assert found.reml == pytest.approx(general, rel=1e-4, abs=1e-5)
    assert seen >= 2


@pytest.mark.parametrize("ratios", [(0.0, 0.0, 0.0), (0.5, 0.0, 0.2), (2.0, 1.0, 0.7)])
def test_the_residual_likelihood_against_dense_matrices(ratios: tuple[float, float, float]) -> None:
    y, factors = sample(2)
    z = y - y.mean()
    cells = crossing(factors, z.size)
    mean = cells.cell_sums(z) / cells.n
    within = float(np.sum((z[cells.order] - np.repeat(mean, cells.n)) ** 2))
    found, error = residual_deviance(np.array(ratios), within, mean, cells)
    p, o = factors["part"], factors["operator"]
    v = np.eye(z.size) + sum(r * np.equal.outer(c, c) for r, c in zip(ratios, (p, o, p * 5 + o), strict=True))
    inverse, one = np.linalg.inv(v), np.ones(z.size)
    a = one @ inverse @ one
    spread = z @ inverse @ z - (one @ inverse @ z) ** 2 / a
    dense = np.linalg.slogdet(v)[1] + np.log(a) + (z.size - 1) * np.log(spread)
    assert found == pytest.approx(dense, rel=1e-10)
    assert error == pytest.approx(spread / (z.size - 1), rel=1e-10)


@pytest.mark.parametrize(
    ("factors", "words"),
    [
        ({"a": [1, 1, 2, 2]}, "two"),
        ({"a": [1, 1, 2, 2], "b": [1, 1, 1, 1]}, "one group"),
        ({"a": [1, 1, 2, 2], "b": [1, 1, 2, 2]}, "nested design"),
        ({"a": [1, 1, 2, 2], "b": [1, 2, 1]}, "one for each"),
        ({"error": [1, 1, 2, 2], "b": [1, 2, 1, 2]}, "any other name"),
    ],
)
def test_what_is_not_crossed_is_refused(factors: dict[str, list[int]], words: str) -> None:
    with pytest.raises(InputError, match=words):
        crossed_anova([1.0, 2.0, 4.0, 3.0], factors)


def test_too_few_combinations_are_refused() -> None:
    with pytest.raises(InputError, match="combinations"):
        crossed_anova([1.0, 2.0, 3.0, 4.0, 5.0], {"a": [1, 1, 2, 2, 3], "b": [1, 1, 1, 2, 2]})


def test_equal_results() -> None:
    a, b = grid(3, 2, 2)
    found = crossed_anova(np.full(12, 0.1), {"part": a, "operator": b})
    assert [s.raw for s in found.strata] == [0.0] * 4
    assert found.reml == (0.0,) * 4
    assert found.total().sd.value == 0


def test_many_rows_are_not_refused_and_reml_says_where_it_stops() -> None:
    rng = np.random.default_rng(1)
    n = 150_000
    p, o = rng.integers(0, 20_000, n), rng.integers(0, 6, n)
    y = rng.normal(size=n) + rng.normal(size=20_000)[p] + 2 * rng.normal(size=6)[o]
    found = crossed_anova(y, {"part": p, "operator": o})
    assert found["part"].raw == pytest.approx(1, rel=0.05)
    assert found.reml is not None
    assert found.reml[0] == pytest.approx(1, rel=0.05)
    q = rng.integers(0, 3000, n)
    wide = crossed_anova(y, {"part": p, "reader": q})
    assert wide.reml is None
    assert "1000" in wide.reml_note
