import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.discrimination import area, compare_areas, compare_paired_areas, marks


def people(seed: int = 1, n: int = 60) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    y = np.arange(n) < n // 3
    shared = rng.normal(size=n)
    x = np.stack([shared + rng.normal(size=n) + a * y for a in (2.0, 1.0, 0.5)])
    return np.round(x, 1), y


def test_the_covariance_is_that_of_the_shares() -> None:
    x, y = people()
    found = compare_paired_areas([marks(v, y) for v in x])
    psi = []
    for v in x:
        gap = v[y][:, None] - v[~y][None, :]
        psi.append(np.where(gap > 0, 1.0, np.where(gap == 0, 0.5, 0.0)))
    v10, v01 = np.stack([p.mean(axis=1) for p in psi]), np.stack([p.mean(axis=0) for p in psi])
    np.testing.assert_allclose(found.areas, [p.mean() for p in psi], atol=1e-14)
    np.testing.assert_allclose(found.covariance, np.cov(v10) / 20 + np.cov(v01) / 40, atol=1e-14)


def test_contrasts_and_chi_square() -> None:
    x, y = people()
    found = compare_paired_areas([marks(v, y) for v in x])
    rows = np.array([[1, -1, 0], [1, 0, -1]])
    gaps, spread = rows @ found.areas, rows @ found.covariance @ rows.T
    assert [c.difference.value for c in found.contrasts] == pytest.approx(gaps.tolist())
    assert found.chi2 == pytest.approx(gaps @ np.linalg.inv(spread) @ gaps)
    assert found.df == 2
    # Any full set of contrasts says the same about all being equal.
    other = compare_paired_areas([marks(v, y) for v in x], weights=[[1, -1, 0], [0, 1, -1], [1, 0, -1]])
    assert other.chi2 == pytest.approx(found.chi2)
    assert other.df == 2
    assert other.p == pytest.approx(found.p)


def test_two_readings_have_z_squared() -> None:
    x, y = people()
    found = compare_paired_areas([marks(v, y) for v in x[:2]])
    one = found.contrasts[0]
    assert found.chi2 == pytest.approx(one.z**2)
    assert found.p == pytest.approx(one.p)
    assert one.difference.low == pytest.approx(one.difference.value - 1.959964 * one.se, abs=1e-6)
    swapped = compare_paired_areas([marks(v, y) for v in x[1::-1]])
    assert swapped.contrasts[0].difference.value == pytest.approx(-one.difference.value)
    assert swapped.contrasts[0].p == pytest.approx(one.p)


def test_a_reading_against_itself_has_no_z() -> None:
    x, y = people()
    found = compare_paired_areas([marks(x[0], y), marks(2 * x[0] + 1, y)])
    one = found.contrasts[0]
    assert one.difference.value == pytest.approx(0, abs=1e-15)
    assert (one.z, one.p, one.difference.low, found.chi2, found.df) == (None, None, None, None, 0)
    assert "zero" in one.difference.why


def test_separate_people() -> None:
    (x, y), (u, v) = people(1), people(2)
    one, two = area(marks(x[0], y)), area(marks(u[1], v))
    gap = compare_areas(one, two)
    assert gap.se == pytest.approx(np.hypot(one.se, two.se))
    assert gap.difference.value == pytest.approx(one.area.value - two.area.value)
    assert compare_areas(two, one).z == pytest.approx(-gap.z)


def test_what_cannot_be_compared() -> None:
    x, y = people()
    one = marks(x[0], y)
    with pytest.raises(InputError, match="two or more"):
        compare_paired_areas([one])
    with pytest.raises(InputError, match="paired"):
        compare_paired_areas([one, marks(x[1][1:], y[1:])])
    with pytest.raises(InputError, match="summing to zero"):
        compare_paired_areas([one, one], weights=[[1.0, 1.0]])
    single = marks([1.0, 2.0, 3.0], [True, False, False])
    with pytest.raises(InputError, match="at least two"):
        compare_paired_areas([single, single])
    with pytest.raises(InputError, match="single member"):
        compare_areas(area(single), area(one))
