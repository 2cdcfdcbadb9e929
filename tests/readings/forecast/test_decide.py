"""When a finding could first have been made, and what that saves."""

import math

import pytest

from stanch.errors import InputError
from stanch.readings.forecast.decide import first_time, minutes_saved

TIMES = [60.0, 120.0, 180.0, 240.0]


def test_the_first_sure_forecast_decides():
    assert first_time(TIMES, [0.5, 0.96, 0.2, 0.99], 0.95) == (120.0, True)
    assert first_time(TIMES, [0.5, 0.04, 0.99, 0.99], 0.95) == (120.0, False)
    assert first_time(TIMES, [0.5, 0.5, 0.6, 0.7], 0.95) is None


def test_forecasts_in_a_row_must_agree():
    assert first_time(TIMES, [0.99, 0.5, 0.99, 0.99], 0.95, hold=2) == (240.0, True)
    assert first_time(TIMES, [0.99, 0.01, 0.99, 0.01], 0.95, hold=2) is None
    assert first_time(TIMES, [0.99, math.nan, 0.99, 0.5], 0.95, hold=2) is None


@pytest.mark.parametrize(("minimum", "hold"), [(0.5, 1), (1.1, 1), (0.9, 0)])
def test_what_cannot_be_asked_is_refused(minimum, hold):
    with pytest.raises(InputError):
        first_time(TIMES, [0.5] * 4, minimum, hold=hold)


def test_the_least_probability_without_more_errors_is_taken():
    # The first sample is called wrongly at 0.9 and rightly at 0.95.
    chance = [[0.91, 0.97, 0.02, 0.02], [0.01, 0.01, 0.01, 0.01]]
    chance[0][1] = 0.5
    found = minutes_saved(
        TIMES, chance, [False, False], [False, False], [240.0, 240.0], hold=1, minima=(0.9, 0.95, 0.99)
    )
    assert found.minimum == 0.95
    assert found.wrong == found.wrong_waiting == 0.0
    assert list(found.saved) == [60.0, 180.0]
    assert found.decided_early == 1.0


def test_what_no_forecast_decides_waits():
    found = minutes_saved(TIMES, [[0.5] * 4], [True], [False], [200.0])
    assert list(found.saved) == [0.0]
    assert found.wrong == found.wrong_waiting == 1.0
    assert found.decided_early == 0.0
    late = minutes_saved(TIMES, [[0.5, 0.5, 0.5, 0.999]], [True], [True], [200.0], hold=1)
    assert list(late.saved) == [0.0]


def test_nothing_to_decide_is_refused():
    with pytest.raises(InputError):
        minutes_saved(TIMES, [], [], [], [])
