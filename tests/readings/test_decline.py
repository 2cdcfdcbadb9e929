"""The decline comparison on curves in closed form."""

import numpy as np
import pytest

from stanch.readings.decline import decline


def _onsets(value, paths=40):
    return np.full(paths, value)


def test_a_constant_rate_of_loss(exact):
    rate = 0.005 / 60.0
    a = exact(lambda t: 300.0 * np.exp(-rate * t))
    b = exact(lambda t: 200.0 + 0.0 * t)
    found = decline((a, _onsets(600.0)), (b, _onsets(500.0)), 480.0, 1800.0)
    assert (found.first, found.last) == (480.0, 2280.0)
    assert found.retention == pytest.approx(np.exp(-rate * 1800.0), rel=1e-6)
    assert found.excess_loss_rate == pytest.approx(rate, rel=1e-5)
    assert found.total_retention == pytest.approx(1.5 * np.exp(-rate * 2880.0), rel=1e-6)
    assert found.shared_decline == pytest.approx(0.0, abs=1e-12)


def test_a_gain_error_cancels_and_a_shared_loss_is_not_lysis(exact):
    both = lambda t: 300.0 * np.exp(-t / 7200.0)  # noqa: E731
    a, b = exact(both, spread=0.2, seed=1), exact(both, spread=0.2, seed=2)
    found = decline((a, _onsets(600.0)), (b, _onsets(600.0)), 480.0, 1800.0)
    assert found.retention == pytest.approx(1.0, abs=1e-9)
    assert found.excess_loss_rate == pytest.approx(0.0, abs=1e-12)
    assert found.shared_decline == pytest.approx(1.0 - np.exp(-0.25), rel=1e-6)
    assert found.total_retention.std() > 0.1


def test_clot_ages_not_times_are_compared(exact):
    shape = lambda start: lambda t: 300.0 * np.exp(-np.maximum(t - start, 0.0) / 5000.0)  # noqa: E731
    found = decline((exact(shape(300.0)), _onsets(300.0)), (exact(shape(900.0)), _onsets(900.0)), 480.0, 1800.0)
    assert found.total_retention == pytest.approx(1.0, abs=1e-9)


def test_the_last_age_is_the_last_common_one(exact):
    flat = exact(lambda t: 100.0 + 0.0 * t)
    found = decline((flat, _onsets(1500.0)), (flat, _onsets(600.0)), 480.0, 3000.0)
    assert found.last == pytest.approx(2100.0)


@pytest.mark.parametrize(("onset", "available"), [(1920.0, True), (1921.0, False)])
def test_ages_closer_than_twenty_minutes_are_refused(exact, onset, available):
    flat = exact(lambda t: 100.0 + 0.0 * t)
    found = decline((flat, _onsets(onset)), (flat, _onsets(600.0)), 480.0, 1800.0)
    assert isinstance(found, str) is not available
    if not available:
        assert "28.0 min" in found
        assert "at least 20 min" in found


def test_without_an_onset_there_is_no_age(exact):
    flat = exact(lambda t: 100.0 + 0.0 * t)
    for missing in (np.full(40, np.inf), np.empty(0)):
        assert "onset" in decline((flat, missing), (flat, _onsets(600.0)), 480.0, 1800.0)


def test_a_clot_that_was_gone_before_is_told(exact):
    kept = exact(lambda t: 200.0 + 0.0 * t)
    lost = exact(lambda t: np.where(t < 900.0, 200.0, 0.0))
    found = decline((lost, _onsets(600.0)), (kept, _onsets(600.0)), 480.0, 1800.0, least=24.0)
    assert found.gone == 1.0
    assert found.total_retention == pytest.approx(1e-3 / 200.0)
    assert decline((kept, _onsets(600.0)), (kept, _onsets(600.0)), 480.0, 1800.0, least=24.0).gone == 0.0
