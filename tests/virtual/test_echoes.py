"""Statistics of the virtual echoes: fully developed speckle, level, spectrum, movement.

Rayleigh-distributed envelopes with mean over standard deviation 1.9131 = sqrt(pi / (4 - pi)): closed form.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert
from scipy.stats import kstest

from stanch.recording.records import Geometry
from stanch.virtual.echoes import (
    Field,
    Pulse,
    Scatterers,
    draw_scatterers,
    echo_lines,
    echo_lines_reference,
    field_at,
)
from stanch.virtual.medium import push_response, well_modes

WELL = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
PULSE = Pulse.gaussian(
    sampling_rate=40e6, centre_frequency=9e6, bandwidth=0.6, sound_speed=1575.0, first=-1e-3, beam_radius=0.19e-3
)
SAMPLES = 128
LOW = PULSE.first - 1.5 * PULSE.reach
HIGH = PULSE.first + SAMPLES * PULSE.spacing + 1.5 * PULSE.reach


def still(frames=1):
    flat = np.zeros((4, 4, frames), dtype=np.float32)
    return Field(flat, flat, 0.2e-3, LOW, (HIGH - LOW) / 3)


def pushed(force=65e3, g=100.0, eta=0.05, times=(-1e-4, 3e-4, 8e-4, 2e-3, 6e-3)):
    modes = well_modes(WELL, LOW, HIGH)
    q = modes.force[:, None] * push_response(modes.eigenvalue, times, g, eta, 1045, 2e-4) * force / 1045
    mixed = modes.mixing.T @ q
    axial, radial = (np.tensordot(m, mixed, axes=(0, 0)).astype(np.float32) for m in (modes.axial, modes.radial))
    return Field(axial, radial, modes.radius[1], modes.depth[0], modes.depth[1] - modes.depth[0]), modes, q


def draw(seed, per_cell=12.0):
    return draw_scatterers(np.random.default_rng(seed), PULSE, LOW, HIGH, per_cell=per_cell, reach=3.0)


@pytest.fixture(scope="module")
def many_lines():
    """Complex envelopes of 400 independent still draws."""
    lines = np.array([echo_lines(draw(k), still(), np.zeros(1), PULSE, SAMPLES)[0] for k in range(400)], dtype=float)
    return lines, hilbert(lines, axis=1)


@pytest.mark.parametrize("force", [0.0, 65e3, 1.3e6])
def test_compiled_sum_equals_the_reference(force):
    field, _, _ = pushed(force)
    shift = np.array([0.0, 1e-6, -2e-6, 5e-6, 0.0])
    scatterers = draw(3)
    exact = echo_lines_reference(scatterers, field, shift, PULSE, SAMPLES)
    fast = echo_lines(scatterers, field, shift, PULSE, SAMPLES)
    assert np.abs(fast - exact).max() < 3e-4 * exact.std()


def test_number_of_scatterers_near_the_axis():
    scatterers = draw(5, per_cell=40.0)
    near = scatterers.radius < PULSE.beam_radius
    volume = np.pi * PULSE.beam_radius**2 * (HIGH - LOW)
    expected = 40.0 * volume / PULSE.cell_volume
    assert abs(near.sum() - expected) < 4 * np.sqrt(expected)
    assert (np.diff(scatterers.depth) >= 0).all()


def test_level_is_the_closed_form(many_lines):
    """Mean square: number density times the integral of the squared pulse, half the scatterers per cell."""
    lines, _ = many_lines
    each = (lines[:, 20:-20] ** 2).mean(axis=1)
    error = each.std(ddof=1) / np.sqrt(each.size)
    assert abs(each.mean() - 6.0) < 4 * error + 6.0 * 2e-3
    assert error < 0.2


def test_speckle_is_fully_developed(many_lines):
    _, envelope = many_lines
    amplitude = np.abs(envelope[:, 64])
    assert amplitude.mean() / amplitude.std() == pytest.approx(1.9131, abs=0.2)
    intensity = amplitude**2
    assert kstest(intensity, "expon", args=(0, intensity.mean())).pvalue > 0.01
    phase = np.angle(envelope[:, 64])
    assert kstest((phase + np.pi) / (2 * np.pi), "uniform").pvalue > 0.01


def test_few_scatterers_would_be_seen():
    """The test above can fail: with one scatterer per cell the intensity is not exponential."""
    envelope = hilbert(
        np.array([echo_lines(draw(k, 0.5), still(), np.zeros(1), PULSE, SAMPLES)[0] for k in range(400)], dtype=float),
        axis=1,
    )
    intensity = np.abs(envelope[:, 64]) ** 2
    assert kstest(intensity, "expon", args=(0, intensity.mean())).pvalue < 1e-3


def test_spectrum_has_the_stated_centre_and_width(many_lines):
    lines, _ = many_lines
    power = (np.abs(np.fft.rfft(lines * np.hanning(SAMPLES), 1024, axis=1)) ** 2).mean(axis=0)
    frequency = np.fft.rfftfreq(1024, 1 / 40e6)
    mean = np.average(frequency, weights=power)
    spread = np.sqrt(np.average((frequency - mean) ** 2, weights=power))
    assert mean == pytest.approx(9e6, rel=0.01)
    # Power spectrum: the amplitude spectrum's deviation over the square root of 2, plus the window's.
    assert spread == pytest.approx(0.6 * 9e6 / 2.3548 / np.sqrt(2), rel=0.03)


def test_a_common_shift_of_one_sample_moves_the_line_by_one_sample():
    scatterers = draw(7)
    lines = echo_lines(scatterers, still(2), np.array([0.0, PULSE.spacing]), PULSE, SAMPLES)
    np.testing.assert_allclose(lines[1, 1:], lines[0, :-1], atol=3e-4 * lines.std())


def test_one_scatterer_on_the_axis_gives_the_pulse():
    one = Scatterers(np.zeros((1, 2)), np.array([0.0]), np.array([2.0]))
    line = echo_lines(one, still(), np.zeros(1), PULSE, SAMPLES)[0]
    x = np.arange(SAMPLES) - (0.0 - PULSE.first) / PULSE.spacing
    expected = 2.0 * np.exp(-(x**2) / (2 * PULSE.length**2)) * np.cos(PULSE.phase * x)
    np.testing.assert_allclose(line, expected, atol=1e-4)


def test_interpolation_of_the_field():
    field, _, _ = pushed()
    fine = well_modes(WELL, LOW, HIGH, refine=1.7)
    response = fine.force[:, None] * push_response(fine.eigenvalue, [8e-4], 100, 0.05, 1045, 2e-4) * 65e3 / 1045
    exact = np.tensordot(fine.axial, fine.mixing.T @ response, axes=(0, 0))[:, :, 0]
    r, z = np.meshgrid(fine.radius, fine.depth, indexing="ij")
    axial, _ = field_at(field, r.ravel(), z.ravel())
    assert np.abs(axial[:, 2].reshape(r.shape) - exact).max() < 5e-4 * np.abs(exact).max()


def test_energy_weighted_movement_of_the_scatterers_equals_the_trace():
    """Mean movement of very many scatterers, weighted by the beam's energy, against the modes' own beam mean."""
    field, modes, q = pushed()
    focus = int(np.argmin(np.abs(modes.depth)))
    rng = np.random.default_rng(2)
    r = 0.19e-3 * np.sqrt(rng.random(200_000)) * 3.0
    axial, _ = field_at(field, r, np.full(r.size, modes.depth[focus]))
    weight = np.exp(-((r / 0.19e-3) ** 2))
    mean = weight @ axial / weight.sum()
    trace = modes.beam[0, :, focus] @ q
    np.testing.assert_allclose(mean[1:], trace[1:], rtol=4e-3)
    assert not trace[0]


def test_phase_of_the_echoes_follows_the_trace():
    """Ensemble of draws: the energy-weighted phase shift of the lines is the beam-weighted movement within 1 %."""
    field, modes, q = pushed(force=20e3)
    total = np.zeros(5, dtype=complex)
    for k in range(300):
        envelope = hilbert(echo_lines(draw(1000 + k), field, np.zeros(5), PULSE, SAMPLES).astype(float), axis=1)
        total += (envelope[0, 40:60].conj() * envelope[:, 40:60]).sum(axis=1)
    moved = -np.angle(total) / PULSE.phase * PULSE.spacing
    at = np.interp(PULSE.first + np.arange(40, 60) * PULSE.spacing, modes.depth, np.arange(modes.depth.size))
    trace = np.mean([modes.beam[0, :, int(i)] @ q for i in np.round(at)], axis=0)
    np.testing.assert_allclose(moved[1:], trace[1:], rtol=0.02)


def test_renewal_share():
    scatterers = draw(9)
    rng = np.random.default_rng(1)
    assert scatterers.renewed(rng, np.zeros(scatterers.depth.size), 0.19e-3) is scatterers
    half = scatterers.renewed(rng, np.full(scatterers.depth.size, 0.5), 0.19e-3)
    changed = np.mean(half.strength != scatterers.strength)
    assert abs(changed - 0.5) < 4 * 0.5 / np.sqrt(scatterers.depth.size)
