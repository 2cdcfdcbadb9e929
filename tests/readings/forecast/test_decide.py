"""When a finding could first have been made, and what that saves."""

import math

import pytest

from stanch.errors import InputError
from stanch.readings.forecast.decide import decided, first_time, least_probability

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
    chance = [[0.91, 0.5, 0.02, 0.02], [0.01, 0.01, 0.01, 0.01]]
    asked = (TIMES, chance, [False, False], [False, False], [240.0, 240.0])
    assert least_probability(*asked, hold=1, minima=(0.9, 0.95, 0.99)) == 0.95
    assert least_probability(*asked, hold=1, minima=(0.9,)) == 0.9
    wrong = decided(*asked, 0.9, hold=1)
    assert list(wrong.wrong) == [True, False]
    found = decided(*asked, 0.95, hold=1)
    assert not found.wrong.any()
    assert not found.wrong_waiting.any()
    assert list(found.saved) == [60.0, 180.0]


def test_an_error_of_waiting_may_be_made_by_forecasts_too():
    asked = (TIMES, [[0.91] * 4], [False], [True], [240.0])
    assert least_probability(*asked, hold=1, minima=(0.9, 0.95)) == 0.9


def test_what_no_forecast_decides_waits():
    found = decided(TIMES, [[0.5] * 4], [True], [False], [200.0], 0.8)
    assert list(found.saved) == [0.0]
    assert found.wrong.all()
    assert found.wrong_waiting.all()
    late = decided(TIMES, [[0.5, 0.5, 0.5, 0.999]], [True], [True], [200.0], 0.8, hold=1)
    assert list(late.saved) == [0.0]
    assert not late.wrong.any()


def test_nothing_to_decide_is_refused():
    with pytest.raises(InputError):
        decided(TIMES, [], [], [], [], 0.9)
    with pytest.raises(InputError):
        least_probability(TIMES, [], [], [], [])
