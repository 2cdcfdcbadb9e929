from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.recording.records import Geometry
from stanch.virtual.material import Material
from stanch.virtual.medium import push_response, well_modes
from stanch.virtual.traces import drifting_link, gate, traces

WELL = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
TIME = np.arange(1, 40) * 125e-6
SETTINGS = {"density": 1045.0, "push_duration": 2e-4}


@pytest.fixture(scope="module")
def seen():
    return gate(WELL, -1e-3, 1e-3)


def test_gate_is_the_mean_of_the_beam_over_depth(seen):
    modes = well_modes(WELL, -1e-3, 1e-3)
    q = modes.force[:, None] * push_response(modes.eigenvalue, TIME, 100, 0.05, 1045, 2e-4) / 1045
    by_depth = modes.beam[0].T @ q
    expected = np.trapezoid(by_depth, modes.depth, axis=0) / (modes.depth[-1] - modes.depth[0])
    got = seen.response(TIME, 100, 0.05, 1045, 2e-4)
    np.testing.assert_allclose(got[0], expected, atol=2e-5 * expected.max())


def test_a_longer_gate_sees_less(seen):
    narrow = gate(WELL, -0.1e-3, 0.1e-3).response(TIME, 100, 0.05, 1045, 2e-4)[0].max()
    assert seen.response(TIME, 100, 0.05, 1045, 2e-4)[0].max() < narrow


def test_first_order_is_the_response_to_a_wider_beam():
    """d/dw of the mean over exp(-r^2/w^2) is -2/w times the first Laguerre moment: an identity."""
    w = WELL.beam_radius
    step = 1e-3
    wide, narrow = (
        gate(replace(WELL, beam_radius=w * s), -0.5e-3, 0.5e-3).response(TIME, 100, 0.05, 1045, 2e-4)[0]
        for s in (1 + step, 1 - step)
    )
    slope = (wide - narrow) / (2 * step * w)
    first = gate(WELL, -0.5e-3, 0.5e-3).response(TIME, 100, 0.05, 1045, 2e-4)[1]
    np.testing.assert_allclose(slope, -2 / w * first, atol=2e-3 * np.abs(slope).max())


def test_noise_and_deviation_have_the_stated_variance(seen):
    rng = np.random.default_rng(4)
    out = traces(
        seen, TIME, 100.0, 0.05, np.full(2000, 65e3), noise=1e-7, rng=rng, speckle_cells=11.0, link="fresh",
        reference_frames=2, **SETTINGS,
    )  # fmt: skip
    assert out.deviation.std() == pytest.approx(np.sqrt(1 / 20), rel=0.08)
    noise = out.displacement - out.clean
    assert noise[:, 0].std() == pytest.approx(1e-7 * np.sqrt(1.5), rel=0.08)
    assert np.mean(noise[:, 0] * noise[:, 5]) == pytest.approx(1e-14 / 2, rel=0.2)


def test_frozen_and_drifting_deviations(seen):
    rng = np.random.default_rng(5)
    frozen = traces(seen, TIME, np.full(5, 100.0), 0.05, 65e3, noise=0.0, rng=rng, speckle_cells=11.0, **SETTINGS)
    assert np.unique(frozen.deviation).size == 1
    assert np.ptp(frozen.displacement, axis=0).max() == 0.0
    link = drifting_link(400, 10.0)
    assert link[0, 10] == pytest.approx(np.exp(-1))
    drawn = np.array(
        [
            traces(
                seen, TIME[:1], np.full(30, 100.0), 0.05, 65e3,
                noise=0.0, rng=rng, speckle_cells=11.0, link=drifting_link(30, 10.0), **SETTINGS,
            ).deviation
            for _ in range(300)
        ]
    )  # fmt: skip
    assert np.mean(drawn[:, 5] * drawn[:, 15]) / 0.05 == pytest.approx(np.exp(-1), abs=0.2)
    assert np.mean(drawn[:, 5] ** 2) / 0.05 == pytest.approx(1.0, abs=0.25)


def test_without_speckle_there_is_no_deviation(seen):
    out = traces(seen, TIME, [10.0, 1000.0], 0.05, 65e3, noise=0.0, rng=np.random.default_rng(1), **SETTINGS)
    assert not out.deviation.any()
    np.testing.assert_array_equal(out.displacement, out.clean)
    assert out.clean[0].max() > out.clean[1].max() > 0


def test_any_material_and_late_frames(seen):
    late = np.append(TIME, [20e-3, 50e-3, 100e-3])
    materials = [Material(100.0, viscosity=0.05), Material(0.0, pot=3.0, order=0.5), Material(100.0, viscosity=0.05)]
    out = traces(seen, late, materials, None, 65e3, noise=0.0, rng=np.random.default_rng(1), **SETTINGS)
    plain = traces(seen, late, [100.0, 100.0], 0.05, 65e3, noise=0.0, rng=np.random.default_rng(1), **SETTINGS)
    np.testing.assert_array_equal(out.clean[[0, 2]], plain.clean)
    expected = 65e3 * seen.material_response(late, materials[1], 1045.0, 2e-4)[0]
    np.testing.assert_array_equal(out.clean[1], expected)
    # A spring-pot has no spring to bring it back: what is left falls as a power of time, not exponentially.
    assert 0 < out.clean[1, -1] < out.clean[1, -2]
    assert abs(out.clean[0, -1]) < 0.05 * abs(out.clean[0, -2]) < 0.05 * out.clean[1, -1]
    with pytest.raises(InputError, match="materials have their own"):
        traces(seen, late, materials, 0.05, 65e3, noise=0.0, rng=np.random.default_rng(1), **SETTINGS)
    with pytest.raises(InputError, match="beside moduli"):
        traces(seen, late, 100.0, None, 65e3, noise=0.0, rng=np.random.default_rng(1), **SETTINGS)
    with pytest.raises(InputError, match="each of 3 pushes"):
        traces(seen, late, materials, None, [1.0, 2.0], noise=0.0, rng=np.random.default_rng(1), **SETTINGS)


def test_refused(seen):
    rng = np.random.default_rng(1)
    with pytest.raises(InputError, match="above 1"):
        traces(seen, TIME, 1.0, 0.1, 1.0, noise=0.0, rng=rng, speckle_cells=1.0, **SETTINGS)
    with pytest.raises(InputError, match="shape"):
        traces(seen, TIME, 1.0, 0.1, 1.0, noise=0.0, rng=rng, speckle_cells=3.0, link=np.eye(3), **SETTINGS)
    with pytest.raises(InputError, match="first below last"):
        gate(WELL, 1e-3, 0.0)
