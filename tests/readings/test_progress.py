"""Readings while a run is going on."""

import numpy as np
import pytest

from stanch.curve.posterior import smooth
from stanch.errors import InputError
from stanch.readings.definitions import Definitions
from stanch.readings.progress import Progress, first_pushes
from stanch.readings.read import read_well

D = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)


def test_feeding_pushes_one_at_a_time_equals_the_batch(draw, clot):
    moduli = draw(clot(middle=300.0), end=1200.0, interval=30.0, seed=4)
    progress = Progress(D, seed=7, paths=200)
    for count in range(4, 41):
        last = progress.update(first_pushes(moduli, count), complete=count == 40)
    curve = smooth(moduli, seed=7, paths=200)
    batch = read_well(curve, D, seed=7)
    np.testing.assert_allclose(progress.curve.paths, curve.paths, rtol=1e-9, atol=1e-9)
    for one, other in zip(last.readings, batch.readings):
        assert one.estimate.status == other.estimate.status
        for end in ("value", "low", "high"):
            mine, yours = getattr(one.estimate, end), getattr(other.estimate, end)
            assert mine == (None if yours is None else pytest.approx(yours, rel=1e-9))
        np.testing.assert_allclose(one.samples, other.samples, rtol=1e-9, atol=1e-9)


def test_a_reading_is_provisional_then_frozen(draw, clot):
    moduli = draw(clot(middle=300.0), end=1800.0, interval=15.0, seed=4)
    progress = Progress(D, seed=7, paths=200)
    statuses = []
    shown = []
    for count in range(10, 60, 3):
        onset = progress.update(first_pushes(moduli, count))["onset"].estimate
        statuses.append(onset.status)
        if onset.status == "ok":
            shown.append(onset)
    order = [s for k, s in enumerate(statuses) if k == 0 or s != statuses[k - 1]]
    assert order == ["above", "provisional", "ok"]
    first = next(v for v in progress.versions if v.key == "onset")
    assert first.number == 1
    assert first.reason == ""
    assert shown[0] == first.estimate
    onsets = [v.estimate for v in progress.versions if v.key == "onset"]
    assert all(estimate in onsets for estimate in shown)


def test_a_change_after_freezing_is_an_amended_version_with_its_reason(draw, clot):
    moduli = draw(clot(middle=300.0), end=1800.0, interval=15.0, seed=4)
    progress = Progress(D, seed=7, paths=200)
    progress.update(first_pushes(moduli, 60))
    frozen = [v for v in progress.versions if v.key == "onset"]
    assert len(frozen) == 1
    # The joint fit revises every push: the same clot turns out half as stiff.
    revised = draw(clot(top=60.0, middle=300.0), end=1800.0, interval=15.0, seed=4)
    shown = progress.update(first_pushes(revised, 61))
    versions = [v for v in progress.versions if v.key == "onset"]
    assert [v.number for v in versions] == [1, 2]
    assert "moved from" in versions[1].reason
    assert "61 pushes" in versions[1].reason
    assert shown["onset"].estimate == versions[1].estimate


def test_pushes_do_not_disappear(draw, clot):
    moduli = draw(clot(middle=300.0), end=1200.0, interval=30.0)
    progress = Progress(D, seed=7, paths=50)
    progress.update(first_pushes(moduli, 20))
    with pytest.raises(InputError, match="at least the 20"):
        progress.update(first_pushes(moduli, 19))
    with pytest.raises(InputError, match="0 to 40"):
        first_pushes(moduli, 41)


def test_a_loss_tangent_comes_in_push_by_push(draw, clot):
    from dataclasses import replace

    from stanch.mechanics.rheology.records import Rheology

    moduli = draw(clot(middle=500.0), end=1800.0, interval=15.0)
    size = moduli.push_time.size
    nothing = np.zeros(size)
    log_loss = 2.5 - 4.0 / (1.0 + np.exp(-(moduli.push_time - 330.0) / 15.0))
    rheology = Rheology(
        "zener", 100.0, {"spring": nothing}, np.zeros((size, 1, 1)), nothing, nothing, log_loss, 0.1 + nothing,
        nothing, nothing, {"spring_pot": nothing}, correlation=nothing,
    )  # fmt: skip
    moduli = replace(moduli, rheology=rheology)
    part = first_pushes(moduli, 40)
    assert part.rheology.log_loss_tangent.shape == (40,)
    assert part.rheology.parameters["spring"].shape == (40,)
    assert part.rheology.rivals["spring_pot"].shape == (40,)
    assert part.rheology.covariance.shape == (40, 1, 1)
    progress = Progress(D, seed=2, paths=300)
    for count in (30, 60, size):
        now = progress.update(first_pushes(moduli, count), complete=count == size)
    whole = read_well(smooth(moduli, seed=2, paths=300), D, seed=2)
    for key in ("gel_time", "onset_delay"):
        assert now[key].estimate.value == pytest.approx(whole[key].estimate.value, abs=1e-9)
    assert whole["gel_time"].estimate.value == pytest.approx(330.0 + 15.0 * np.log(2.5 / 1.5), abs=8.0)
    given_out = [v for v in progress.versions if v.key == "gel_time"]
    assert given_out[0].pushes == 60
