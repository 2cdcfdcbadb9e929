"""Echoes of whole wells: what freezes, what does not, and that every fault of a scenario shows."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert

from stanch.virtual.gel import Gel
from stanch.virtual.instrument import VirtualWell, frame_times
from stanch.virtual.material import Material

GEL = 'modulus = "300 Pa"\nviscosity = "0.1 Pa·s"'
LIQUID = 'start = "never"\nnetwork_modulus = "1 Pa"\nnetwork_time = "1 min"'


def run(scenario, index=0, times=(5.0, 20.0, 35.0)):
    well = VirtualWell(scenario, index, scenario.seed)
    pushes = [well.push(t) for t in times]
    return np.array([b for b, _ in pushes], dtype=float), [t for _, t in pushes], well


def coherence(a, b):
    a, b = hilbert(a), hilbert(b)
    return abs(np.vdot(a, b)) / np.sqrt(np.vdot(a, a).real * np.vdot(b, b).real)


def shift(a, b, spacing=1575 / 80e6):
    """Movement of line b against line a, away from the transducer [m]."""
    return -np.angle(np.vdot(hilbert(a), hilbert(b))) / (2 * np.pi * 9 / 40) * spacing


def test_frame_times():
    assert frame_times(5, 2, 0.5).tolist() == [-1.0, -0.5, 0.5, 1.0, 1.5]


def test_late_frames_grow_apart_by_one_factor():
    found = frame_times(64, 2, 125e-6, 12, 0.1)
    assert found.size == 76
    np.testing.assert_array_equal(found[:64], frame_times(64, 2, 125e-6))
    steps = np.diff(found[63:])
    np.testing.assert_allclose(steps[1:] / steps[:-1], steps[1] / steps[0], rtol=1e-9)
    assert steps[0] / 125e-6 == pytest.approx(steps[1] / steps[0], rel=1e-9)
    assert found[-1] == 0.1
    assert frame_times(64, 2, 125e-6, 1, 0.05)[-2:].tolist() == [62 * 125e-6, 0.05]


def test_frozen_when_set_fresh_when_liquid(scenario):
    s = scenario({"gel": GEL, "liquid": LIQUID})
    gel, truth, _ = run(s, 0)
    assert coherence(gel[0, 0], gel[2, 0]) > 0.995
    assert [t.renewed for t in truth] == [1.0, 0.0, 0.0]
    liquid, truth, _ = run(s, 1)
    assert coherence(liquid[0, 0], liquid[2, 0]) < 0.5
    assert truth[1].renewed == pytest.approx(1 - np.exp(-15 / 2), rel=1e-3)


def test_noise_has_the_stated_level(scenario):
    block, _, _ = run(scenario(instrument="echo_level = 1500"))
    noise = np.std(block[:, 0] - block[:, 1]) / np.sqrt(2)
    assert noise == pytest.approx(1500 * 10 ** (-34 / 20), rel=0.12)


@pytest.mark.parametrize("beam_from", ["base", "lid"])
def test_the_push_moves_the_echoes_away_by_the_true_amount(scenario, beam_from):
    s = scenario(beam_from=beam_from, instrument="scatterers_per_cell = 60\n")
    seen, peaks = [], []
    for seed in range(12):
        well = VirtualWell(s.model_copy(update={"seed": seed}), 0, seed)
        block, truth = well.push(5.0)
        line = block.astype(float)
        gate = slice(40, 100)
        seen.append(max(shift(line[0, gate], frame[gate]) for frame in line[2:]))
        peaks.append(truth.peak)
    assert np.mean(seen) == pytest.approx(peaks[0], rel=0.1)
    assert peaks[0] > 1e-6


def test_wells_and_seeds_have_streams_of_their_own(scenario):
    s = scenario({"a": GEL, "b": GEL})
    a, b = run(s, 0)[0], run(s, 1)[0]
    assert coherence(a[0, 0], b[0, 0]) < 0.6
    assert np.array_equal(a, run(s, 0)[0])


def test_lost_and_repeated_frames(scenario):
    lost, _, _ = run(scenario(faults='[[fault]]\nkind = "lost_frames"\nshare = "30 %"\n'))
    zero = (lost == 0).all(axis=2)
    assert 0.1 < zero[:, 2:].mean() < 0.6
    assert not zero[:, :2].any()
    repeated, _, _ = run(scenario(faults='[[fault]]\nkind = "repeated_frames"\nshare = "30 %"\n'))
    same = (repeated[:, 1:] == repeated[:, :-1]).all(axis=2)
    assert 0.1 < same.mean() < 0.6
    clean, _, _ = run(scenario())
    assert not (clean == 0).all(axis=2).any()
    assert not (clean[:, 1:] == clean[:, :-1]).all(axis=2).any()


def test_saturation(scenario):
    block, _, _ = run(scenario(faults='[[fault]]\nkind = "saturation"\ngain = "36 dB"\nstart = "10 s"\n'))
    clipped = (np.abs(block) >= 32767).mean(axis=(1, 2))
    assert clipped[0] == 0
    assert clipped[1] > 0.2


def test_bubble_is_bright_and_shadows(scenario):
    fault = '[[fault]]\nkind = "bubble"\ndepth = "-0.5 mm"\nlevel = "35 dB"\nshadow = "12 dB"\nstart = "10 s"\n'
    block, _, _ = run(scenario(faults=fault))
    at = int((-0.5e-3 + 1.3e-3) / (1575 / 80e6))
    assert np.abs(block[1, 0, at - 3 : at + 4]).max() > 10 * block[0, 0].std()
    beyond = slice(at + 20, None)
    assert block[1, :2, beyond].std() / block[0, :2, beyond].std() == pytest.approx(10 ** (-12 / 20), rel=0.1)


def test_bubble_beside_the_beam_is_weaker(scenario):
    levels = []
    for offset in ("0 mm", "0.35 mm"):
        fault = f'[[fault]]\nkind = "bubble"\ndepth = "-0.5 mm"\nlevel = "45 dB"\noffset = "{offset}"\n'
        levels.append(np.abs(run(scenario(faults=fault, instrument="echo_level = 100"))[0][0, 0]).max())
    assert levels[0] / levels[1] == pytest.approx(np.exp(0.35**2 / (2 * 0.19**2)), rel=0.15)


def test_knock_is_common_to_all_wells(scenario):
    fault = '[[fault]]\nkind = "knock"\ntimes = ["20 s"]\namplitude = "6 um"\n'
    s, quiet = scenario({"a": GEL, "b": GEL}, faults=fault), scenario({"a": GEL, "b": GEL})
    moved = []
    for i in (0, 1):
        hit, calm = run(s, i)[0], run(quiet, i)[0]
        assert np.array_equal(hit[0], calm[0])
        assert np.array_equal(hit[2], calm[2])
        moved.append([shift(c, h) for c, h in zip(calm[1], hit[1], strict=True)])
    assert max(np.abs(moved[0])) > 2e-6
    np.testing.assert_allclose(moved[0], moved[1], atol=0.4e-6)


def test_drift(scenario):
    block, truth, _ = run(scenario(faults='[[fault]]\nkind = "drift"\nspeed = "0.4 um/s"\n'))
    assert truth[2].shift - truth[0].shift == pytest.approx(12e-6)
    assert shift(block[0, 0], block[2, 0]) == pytest.approx(12e-6, rel=0.05)
    fast, _, _ = run(scenario(faults='[[fault]]\nkind = "drift"\nspeed = "2000 um/s"\n'))
    assert shift(fast[0, 0], fast[0, 1]) == pytest.approx(1e-6, rel=0.1)


def test_coupling_loss_weakens_echo_and_push(scenario):
    fault = '[[fault]]\nkind = "coupling_loss"\nloss = "8 dB"\nstart = "10 s"\n'
    block, truth, _ = run(scenario(faults=fault))
    ratio = 10 ** (-8 / 20)
    assert block[1, :2].std() / block[0, :2].std() == pytest.approx(ratio, rel=0.02)
    assert truth[1].force / truth[0].force == pytest.approx(ratio)


def test_under_fill_changes_the_true_well_but_not_the_stated_one(scenario):
    block, _, well = run(scenario(faults='[[fault]]\nkind = "under_fill"\nheight = "3.9 mm"\n'))
    assert well.geometry.well_depth == pytest.approx(3.9e-3)
    assert well.geometry.lid == "free"
    assert well.stated_geometry.well_depth == pytest.approx(7e-3)
    surface = int((0.7e-3 + 1.3e-3) / (1575 / 80e6))
    assert block[0, 0, surface + 16 :].std() < 0.1 * block[0, 0, : surface - 16].std()


def test_dilution_lowers_modulus_and_viscosity(scenario):
    fault = '[[fault]]\nkind = "dilution"\nshare = "80 %"\nwells = ["b"]\n'
    s = scenario({"a": GEL, "b": GEL}, faults=fault)
    assert run(s, 0)[1][0].modulus == pytest.approx(300)
    assert run(s, 1)[1][0].modulus == pytest.approx(300 * 0.64)
    liquid = scenario({"a": LIQUID, "b": LIQUID}, faults=fault)
    assert run(liquid, 1)[1][0].viscosity == pytest.approx(0.0034)


def test_poor_mixing_sets_the_near_end_first(scenario):
    clot = 'start = "1 s"\nnetwork_modulus = "900 Pa"\nnetwork_time = "10 s"'
    s = scenario({"clot": clot}, faults='[[fault]]\nkind = "poor_mixing"\ndelay = "60 s"\n')
    block, truth, _ = run(s, 0, (5.0, 20.0, 35.0))
    near, far = slice(0, 40), slice(88, 128)
    assert coherence(block[1, 0, near], block[2, 0, near]) > 0.95
    assert coherence(block[1, 0, far], block[2, 0, far]) < 0.8
    assert 0.2 < truth[2].renewed < 0.9


def test_sedimentation_tilts_the_echo_while_liquid(scenario):
    fault = '[[fault]]\nkind = "sedimentation"\nlevel = "12 dB"\ntime = "5 min"\n'
    s = scenario({"liquid": LIQUID}, faults=fault)
    block, _, _ = run(s, 0, tuple(np.arange(40) * 15.0))
    power = (block[:, 0] ** 2).mean(axis=0)
    late = (block[20:, 0] ** 2).mean(axis=0)
    early = (block[:5, 0] ** 2).mean(axis=0)
    assert power.all()
    # The beam comes from the base, so the near end is the lower one: its level rises.
    tilt = [10 * np.log10(p[:40].mean() / p[-40:].mean()) for p in (early, late)]
    assert tilt[1] - tilt[0] > 6


def test_detachment_is_a_step_and_another_response(scenario):
    fault = '[[fault]]\nkind = "detachment"\nstart = "10 s"\nstep = "15 um"\n'
    block, truth, well = run(scenario(faults=fault))
    assert [t.attached for t in truth] == [True, False, False]
    assert shift(block[0, 0], block[1, 0]) == pytest.approx(-15e-6, rel=0.05)
    assert shift(block[1, 0], block[2, 0]) == pytest.approx(0, abs=0.3e-6)
    held, loose = well.field(5.0)[0], well.field(20.0)[0]
    assert np.abs(loose.axial - held.axial).max() > 0.02 * np.abs(held.axial).max()


class _LetsGo(Gel):
    def detached(self, time):
        return 10e-6 if time >= 10.0 else None


def test_the_samples_own_detachment_adds_to_that_of_a_fault(scenario):
    fault = '[[fault]]\nkind = "detachment"\nstart = "30 s"\nstep = "15 um"\n'
    s = scenario({"gel": GEL}, faults=fault)
    well = VirtualWell(s, 0, s.seed, _LetsGo(Material(300.0, viscosity=0.1)))
    truth = [well.push(t)[1] for t in (5.0, 20.0, 35.0)]
    assert [t.attached for t in truth] == [True, False, False]
    assert [abs(t.shift) for t in truth] == pytest.approx([0.0, 10e-6, 25e-6])


def test_lysis_loses_coherence_and_retraction_shifts(scenario):
    base = 'start = "0 s"\nnetwork_modulus = "400 Pa"\nnetwork_time = "2 s"\n'
    lysing = base + 'lysis_rate = "20 %/min"\n'
    retracting = base + 'retraction_speed = "0.03 um/s"\n'
    times = (900.0, 915.0, 930.0)
    s = scenario({"lysing": lysing, "retracting": retracting})
    block, truth, _ = run(s, 0, times)
    # 5 % of the structure goes between two pushes.
    assert truth[1].renewed == pytest.approx(0.049, abs=0.003)
    assert 0.85 < coherence(block[0, 0], block[1, 0]) < 0.985
    assert abs(shift(block[0, 0], block[1, 0])) < 2e-6
    block, _, _ = run(s, 1, times)
    assert coherence(block[0, 0, 10:-10], block[1, 0, 10:-10]) > 0.98
    assert shift(block[0, 0], block[1, 0]) == pytest.approx(-0.45e-6, rel=0.3)


def test_clotting_changes_echo_level_and_force(scenario):
    clot = 'start = "0 s"\nnetwork_modulus = "900 Pa"\nnetwork_time = "10 s"'
    instrument = 'attenuation = "2 dB/cm"\nattenuation_rise = "1 dB/cm"\nbackscatter_rise = "6 dB"'
    s = scenario({"clot": clot}, instrument=instrument)
    block, truth, _ = run(s, 0, (0.0, 300.0))
    # Twice attenuation times intensity at the focus, 3.2 mm into the sample.
    assert truth[1].force / truth[0].force == pytest.approx(1.5 * 10 ** (-2 * 0.32 / 20), rel=1e-6)
    level = 20 * np.log10(block[1, :2].std() / block[0, :2].std())
    assert 2 < level < 9
