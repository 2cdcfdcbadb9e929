import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.virtual.blood.fibrin import A_CATALYTIC, A_MICHAELIS, cleavage_time, fibrinogen_amount


def test_one_gram_per_litre() -> None:
    assert fibrinogen_amount(1.0) == pytest.approx(1 / 340, rel=1e-15)


@settings(derandomize=True, deadline=None)
@given(st.floats(0.001, 0.999), st.floats(-9, -3), st.floats(-5, -1))
def test_the_time_satisfies_the_rate_law(share: float, log_enzyme: float, log_fibrinogen: float) -> None:
    e, s0 = 10**log_enzyme, 10**log_fibrinogen
    h = 1e-4 * min(share, 1 - share)
    # dt/dshare = s0 (Km + s)/(kcat e s)
    slope = (cleavage_time(share + h, e, s0) - cleavage_time(share - h, e, s0)) / (2 * h)
    s = s0 * (1 - share)
    assert slope == pytest.approx(s0 * (A_MICHAELIS.value + s) / (A_CATALYTIC.value * e * s), rel=1e-6)


def test_nothing_cut_takes_no_time() -> None:
    assert cleavage_time(0.0, 1e-6, 9e-3) == 0.0


@pytest.mark.parametrize("call", [(1.0, 1e-6, 9e-3), (-0.1, 1e-6, 9e-3), (0.2, 0.0, 9e-3), (0.2, 1e-6, math.inf)])
def test_what_cannot_be_is_refused(call: tuple[float, float, float]) -> None:
    with pytest.raises(InputError):
        cleavage_time(*call)
