"""P values of several tests, adjusted: by hand, and against statsmodels on random ones."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from stanch.verify.multiplicity import bonferroni, holm

SHARES = st.lists(st.floats(0, 1), min_size=1, max_size=30)


def test_by_hand() -> None:
    assert holm([0.01, 0.04, 0.03]) == pytest.approx((0.03, 0.06, 0.06))
    assert bonferroni([0.01, 0.04, 0.5]) == pytest.approx((0.03, 0.12, 1.0))
    assert holm([]) == bonferroni([]) == ()


@settings(derandomize=True, deadline=None, max_examples=25)
@given(SHARES)
def test_as_statsmodels_has_them(p: list[float]) -> None:
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert bonferroni(p) == pytest.approx(multipletests(p, method="bonferroni")[1])


@settings(derandomize=True, deadline=None, max_examples=25)
@given(SHARES)
def test_holm_claims_no_less_than_bonferroni(p: list[float]) -> None:
    assert all(own <= found <= wide for own, found, wide in zip(p, holm(p), bonferroni(p), strict=True))
