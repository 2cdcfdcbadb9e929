"""Claims: the limit, its degrees of freedom, the error over levels."""

import math

import numpy as np
import pytest
from scipy.stats import chi2

from stanch.errors import InputError
from stanch.verify.precision import verification_limit, verify_claim

DAY = np.repeat(np.arange(5), 5)


def test_the_limit_is_a_chi_square_quantile() -> None:
    assert verification_limit(2.0, 20, error=0.05) == pytest.approx(2 * math.sqrt(chi2.ppf(0.95, 20) / 20), rel=1e-12)


@pytest.mark.parametrize(("family", "share"), [("bonferroni", 0.05 / 3), ("sidak", 1 - 0.95 ** (1 / 3))])
def test_three_levels_share_the_error(family: str, share: float) -> None:
    rng = np.random.default_rng(1)
    level = np.repeat(["a", "b", "c"], 25)
    y = 50 + rng.normal(size=75)
    found = verify_claim(
        y,
        {"day": np.tile(DAY, 3)},
        claimed_repeatability=[1.0, 2.0, 3.0],
        level=level,
        family=family,  # type: ignore[arg-type]
    )
    assert [f.level for f in found] == ["a", "b", "c"]
    for claimed, f in zip((1.0, 2.0, 3.0), found, strict=True):
        assert f.repeatability.df == 20
        assert f.repeatability.limit == pytest.approx(claimed * math.sqrt(chi2.ppf(1 - share, 20) / 20), rel=1e-10)
        assert f.intermediate is None


def test_the_limit_of_intermediate_precision_uses_the_claimed_components() -> None:
    rng = np.random.default_rng(2)
    y = 100 + rng.normal(size=25)
    found = verify_claim(y, {"day": DAY}, claimed_repeatability=1.0, claimed_intermediate=1.5)[0]
    between, error = 1.5**2 - 1, 1.0
    df = 2.25**2 / (((5 * between + error) / 5) ** 2 / 4 + (0.8 * error) ** 2 / 20)
    assert found.intermediate is not None
    assert found.intermediate.df == pytest.approx(df, rel=1e-12)
    assert found.intermediate.met


def test_a_false_claim_fails_and_a_claim_as_cv_scales_with_the_mean() -> None:
    y = 200 + 10 * np.tile([-1.0, -0.5, 0.0, 0.5, 1.0], 5) * math.sqrt(1.6)
    assert not verify_claim(y, {"day": DAY}, claimed_repeatability=2.0)[0].repeatability.met
    as_cv = verify_claim(y, {"day": DAY}, claimed_repeatability=0.05, as_cv=True)[0]
    assert as_cv.repeatability.claimed == pytest.approx(0.05 * y.mean())
    assert as_cv.repeatability.met


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"claimed_repeatability": 0.0}, "above zero"),
        ({"claimed_repeatability": [1.0, 2.0]}, "one number"),
        ({"claimed_repeatability": 2.0, "claimed_intermediate": 1.0}, "at least the repeatability"),
        ({"claimed_repeatability": 1.0, "error": 1.5}, "between 0 and 1"),
        ({"claimed_repeatability": 1.0, "family": "none"}, "bonferroni"),
        ({"claimed_repeatability": 1.0, "level": ["a"]}, "one for each"),
        ({"claimed_repeatability": 0.1, "as_cv": True}, "above zero for claims"),
    ],
)
def test_what_cannot_be_meant_is_refused(options: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        verify_claim(np.arange(25.0) - 40, {"day": DAY}, **options)  # type: ignore[arg-type]


def test_claims_go_to_levels_by_size_or_as_they_come() -> None:
    rng = np.random.default_rng(4)
    small, large = rng.normal(5, 0.1, 25), rng.normal(10, 1.0, 25)
    day = {"day": np.repeat(np.arange(5), 5).tolist() * 2}
    both = np.r_[large, small]
    by_size = verify_claim(both, day, claimed_repeatability=[0.1, 1.0], level=["10"] * 25 + ["5"] * 25)
    assert [one.level for one in by_size] == ["5", "10"]
    assert all(one.repeatability.met for one in by_size)
    as_named = verify_claim(both, day, claimed_repeatability=[1.0, 0.1], level=["mid"] * 25 + ["low"] * 25)
    assert [one.level for one in as_named] == ["mid", "low"]
    assert all(one.repeatability.met for one in as_named)
