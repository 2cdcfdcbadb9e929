"""Every quality sign, planted in invented records one at a time; and none on clean ones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.curve.records import Curve
from stanch.echo.records import Displacement, PushFlag
from stanch.findings.quality import assess
from stanch.findings.quality_records import Thresholds
from stanch.findings.records import QualitySign
from stanch.mechanics.records import Moduli
from stanch.readings.assay import load_assay
from stanch.readings.assay_records import AssayDocument
from stanch.recording.records import Additive, Geometry, SampleFacts, Well

PUSHES, FRAMES, BINS, ZONES = 120, 20, 24, 4
STEP = 10.0
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
VOLUME = np.pi * 2.8e-3**2 * 7e-3
START, NOW = "2026-03-01T09:00:00+00:00", "2026-03-01T11:00:00+00:00"
Floats = NDArray[np.float64]

ASSAY = """schema = "stanch.assay/1"
name = "t"
onset_modulus = "20 Pa"
hold = "8 min"
follow = "30 min"
[[well]]
name = "a"
activator = "tissue factor"
[[well]]
name = "b"
activator = "tissue factor"
additives = ["platelet blocker"]
[[well]]
name = "c"
activator = "tissue factor"
[[well]]
name = "d"
activator = "tissue factor"
[[limit]]
of = "sample_age"
kind = "accept"
high = "3 h"
source = "test"
[[limit]]
of = "temperature"
kind = "accept"
low = "36.5 Cel"
high = "37.5 Cel"
consequence = "refuse_well"
source = "test"
"""


@dataclass(frozen=True)
class Evidence:
    well: Well
    geometry: Geometry | None
    displacement: Displacement | None
    moduli: Moduli | None
    curve: Curve | None


def assay_document() -> AssayDocument:
    return load_assay(ASSAY, "t")


def clean(name: str, rng: np.random.Generator, onset: int = 60) -> Evidence:
    """A well that sets at push `onset`, with echoes as scattered as real ones."""
    solid = np.arange(PUSHES) >= onset
    time = STEP * (1 + np.arange(PUSHES))
    g = np.where(solid, 30.0 + 4.0 * (np.arange(PUSHES) - onset), 0.0)
    eta = np.where(solid, 0.05, 0.006) * np.exp(0.05 * rng.standard_normal(PUSHES))
    # Speckle: fresh while liquid, frozen once set; about six cells to a bin.
    fresh, frozen = rng.gamma(6.0, 1 / 6.0, (PUSHES, BINS)), rng.gamma(6.0, 1 / 6.0, BINS)
    energy = 1e4 * np.where(solid[:, None], frozen, fresh)
    coherence = np.clip(np.where(solid, 0.95, 0.05) + 0.03 * rng.standard_normal(PUSHES), -0.2, 1.0)
    zones = np.clip(coherence[:, None] + 0.03 * rng.standard_normal((PUSHES, ZONES)), -0.2, 1.0)
    additives = (Additive("platelet blocker", lot="B2", expiry="2026-12-31"),) if name == "b" else ()
    well = Well(
        name,
        "tissue factor",
        additives,
        activator_lot="T1",
        activator_expiry="2026-12-31",
        fill_height=7e-3,
        final_volume=VOLUME,
        activated_at=START,
    )
    zeros = np.zeros((PUSHES, FRAMES))
    displacement = Displacement(
        push_time=time,
        frame_time=125e-6 * np.arange(1, FRAMES + 1),
        value=zeros,
        sd=zeros + 1e-7,
        step_sd=zeros,
        shared_sd=np.full(PUSHES, 1e-7),
        weight=zeros + 1.0,
        depth=np.linspace(-1e-3, 1e-3, 21),
        sensitivity=np.full((PUSHES, 21), 1 / 21),
        speckle_cells=np.full(PUSHES, 12.0),
        coherence=np.full(PUSHES, 0.998),
        link=None,
        slow_shift=np.zeros(PUSHES),
        slow_coherence=coherence,
        zone_coherence=zones,
        energy=energy,
        energy_depth=np.linspace(-3e-3, 3e-3, BINS),
        flags=np.zeros(PUSHES, np.int64),
        estimator="autocorrelation",
    )
    moduli = Moduli(
        push_time=time,
        modulus=g,
        modulus_low=0.95 * g,
        modulus_high=1.05 * g + 1.0,
        viscosity=eta,
        viscosity_low=0.9 * eta,
        viscosity_high=1.1 * eta,
        force=np.full(PUSHES, 2e4),
        force_sd=np.full(PUSHES, 2e2),
        log_modulus=np.log(g + 10.0),
        covariance=1e-4 * np.eye(PUSHES),
        speckle=np.zeros(PUSHES),
        speckle_sd=np.full(PUSHES, 0.1),
        strain=np.where(solid, 0.02, 0.06),
        reduced_chi2=np.exp(0.2 * rng.standard_normal(PUSHES)),
        zero_rejected=solid,
        usable=np.ones(PUSHES, bool),
        flags=np.zeros(PUSHES, np.int64),
        fitted=None,
    )
    curve = Curve(time, g, 0.95 * g, 1.05 * g, g[None, :], None, None, None, time, 0, {})
    return Evidence(well, GEOMETRY, displacement, moduli, curve)


def run_of_four(seed: int = 1) -> list[Evidence]:
    rng = np.random.default_rng(seed)
    return [clean(name, rng) for name in "abcd"]


def facts(**changes: Any) -> SampleFacts:
    plain = {"drawn_at": "2026-03-01T08:00:00+00:00", "received_at": "2026-03-01T08:30:00+00:00"}
    return SampleFacts("s", "patient", **(plain | changes))


def signs(
    wells: list[Evidence], sample: SampleFacts | None = None, *, kelvin: float = 310.15, **more: Any
) -> tuple[QualitySign, ...]:
    temperatures = (np.arange(0.0, 1200.0, 20.0), np.full(60, kelvin))
    values: dict[str, Any] = {
        "temperatures": temperatures,
        "started_at": START,
        "now": NOW,
        "assay": assay_document(),
    }
    return assess(sample or facts(), wells, **(values | more))


def with_displacement(one: Evidence, **changes: Any) -> Evidence:
    assert one.displacement is not None
    return replace(one, displacement=replace(one.displacement, **changes))


def with_moduli(one: Evidence, **changes: Any) -> Evidence:
    assert one.moduli is not None
    return replace(one, moduli=replace(one.moduli, **changes))


def only(found: tuple[QualitySign, ...], key: str, well: str, consequence: str) -> QualitySign:
    assert [(s.key, s.well, s.consequence) for s in found] == [(key, well, consequence)]
    assert found[0].text.endswith(".")
    return found[0]


@pytest.mark.parametrize("seed", range(20))
def test_clean_runs_show_no_sign(seed: int) -> None:
    assert signs(run_of_four(seed)) == ()


def test_nothing_known_shows_no_sign_and_does_not_fail() -> None:
    one = Evidence(Well("a"), None, None, None, None)
    assert assess(SampleFacts("s"), [one]) == ()
    assert assess(SampleFacts("s"), []) == ()


def plant_bubble(one: Evidence, column: int, pushes: slice, factor: float = 60.0) -> Evidence:
    assert one.displacement is not None
    energy = one.displacement.energy.copy()
    energy[pushes, column] *= factor
    return with_displacement(one, energy=energy)


def test_bubble_in_the_beam_refuses_its_pushes() -> None:
    a, *rest = run_of_four()
    sign = only(signs([plant_bubble(a, 12, slice(30, 50)), *rest]), "bubble", "a", "refuse_push")
    assert sign.pushes == tuple(range(30, 50))


def test_bubble_that_stays_in_the_beam_refuses_the_well() -> None:
    a, *rest = run_of_four()
    only(signs([plant_bubble(a, 12, slice(20, 120)), *rest]), "bubble", "a", "refuse_well")


def test_bubble_beside_the_gate_is_flagged() -> None:
    a, *rest = run_of_four()
    sign = only(signs([plant_bubble(a, 2, slice(0, 120)), *rest]), "bubble", "a", "flag")
    assert "-2.5 mm" in sign.text


def test_bubble_seen_by_the_tracker_refuses_its_pushes() -> None:
    a, *rest = run_of_four()
    flags = np.zeros(PUSHES, np.int64)
    flags[[7, 9]] = int(PushFlag.BUBBLE)
    assert only(signs([with_displacement(a, flags=flags), *rest]), "bubble", "a", "refuse_push").pushes == (7, 9)


@pytest.mark.parametrize(
    ("changes", "consequence"),
    [
        ({"fill_height": 6.6e-3}, "flag"),
        ({"fill_height": 5e-3}, "refuse_well"),
        ({"final_volume": 0.8 * VOLUME}, "refuse_well"),
    ],
)
def test_under_fill(changes: dict[str, float], consequence: str) -> None:
    a, *rest = run_of_four()
    under = replace(a, well=replace(a.well, **changes))  # type: ignore[arg-type]
    only(signs([under, *rest]), "under_fill", "a", consequence)


def test_silence_at_the_end_of_the_line_inside_the_well_is_an_under_fill() -> None:
    a, *rest = run_of_four()
    assert a.displacement is not None
    energy = a.displacement.energy.copy()
    energy[:, -4:] *= 1e-3
    sign = only(signs([with_displacement(a, energy=energy), *rest]), "under_fill", "a", "refuse_well")
    assert "5.2 mm above the base" in sign.text
    # Outside the well there is nothing to hear.
    shallow = replace(GEOMETRY, well_depth=5.2e-3)
    filled = replace(a.well, fill_height=5.2e-3, final_volume=None)
    assert signs([replace(with_displacement(a, energy=energy), geometry=shallow, well=filled), *rest]) == ()


def test_strain_above_ten_per_cent_is_flagged_with_its_pushes() -> None:
    a, *rest = run_of_four()
    assert a.moduli is not None
    strain = a.moduli.strain.copy()
    strain[5:8] = (0.11, 0.22, 0.099)
    sign = only(signs([with_moduli(a, strain=strain), *rest]), "strain", "a", "flag")
    assert sign.pushes == (5, 6)
    assert "22%" in sign.text.replace(" ", "")


def test_already_set_at_the_first_push() -> None:
    _, *rest = run_of_four()
    early = clean("a", np.random.default_rng(2), onset=0)
    only(signs([early, *rest]), "already_set", "a", "flag")


def test_poor_mixing_shows_as_depths_that_set_apart() -> None:
    a, *rest = run_of_four()
    assert a.displacement is not None
    zones = a.displacement.zone_coherence.copy()
    zones[60:75, 3] = 0.05
    sign = only(signs([with_displacement(a, zone_coherence=zones), *rest]), "poor_mixing", "a", "flag")
    assert "150 s apart" in sign.text


def test_sedimentation_shows_as_a_profile_that_drifts_while_liquid() -> None:
    a, *rest = run_of_four()
    assert a.displacement is not None
    fall = np.linspace(0.0, 2.0, PUSHES)[:, None] * np.where(np.arange(BINS) < BINS // 2, -1.0, 1.0)
    settled = with_displacement(a, energy=a.displacement.energy * 10 ** (fall / 10))
    sign = only(signs([settled, *rest]), "sedimentation", "a", "flag")
    assert max(sign.pushes) < 60


def test_a_profile_that_drifts_after_setting_is_not_sedimentation() -> None:
    a, *rest = run_of_four()
    assert a.displacement is not None
    fall = np.maximum(np.arange(PUSHES) - 60, 0)[:, None] / 30 * np.where(np.arange(BINS) < BINS // 2, -1.0, 1.0)
    assert signs([with_displacement(a, energy=a.displacement.energy * 10 ** (fall / 10)), *rest]) == ()


@pytest.mark.parametrize(("decibel", "consequence"), [(8.0, "weight"), (20.0, "refuse_push")])
def test_coupling_loss(decibel: float, consequence: str) -> None:
    a, *rest = run_of_four()
    assert a.displacement is not None
    energy = a.displacement.energy.copy()
    energy[80:] *= 10 ** (-decibel / 10)
    sign = only(signs([with_displacement(a, energy=energy), *rest]), "coupling_loss", "a", consequence)
    assert sign.pushes == tuple(range(80, 120))


def test_coupling_that_comes_back_is_refused_only_while_it_was_lost() -> None:
    a, *rest = run_of_four()
    assert a.displacement is not None
    energy = a.displacement.energy.copy()
    energy[80:90] *= 0.01
    sign = only(signs([with_displacement(a, energy=energy), *rest]), "coupling_loss", "a", "refuse_push")
    assert sign.pushes == tuple(range(80, 90))


def knocked(one: Evidence, push: int, flag: PushFlag = PushFlag.DRIFT) -> Evidence:
    flags = np.zeros(PUSHES, np.int64)
    flags[push] = int(flag)
    return with_moduli(one, flags=flags)


def test_knock_common_to_wells_refuses_the_pushes() -> None:
    wells = run_of_four()
    found = signs([knocked(w, 40) for w in wells[:3]] + wells[3:])
    assert [(s.key, s.well, s.consequence, s.pushes) for s in found] == [
        ("knock", name, "refuse_push", (40,)) for name in "abc"
    ]


def test_knock_shows_as_a_misfit_in_several_wells_at_once() -> None:
    wells = []
    for one in run_of_four():
        assert one.moduli is not None
        chi = one.moduli.reduced_chi2.copy()
        chi[40] = 40.0
        wells.append(with_moduli(one, reduced_chi2=chi))
    assert {(s.key, s.pushes) for s in signs(wells)} == {("knock", (40,))}


def test_bad_pushes_of_one_well_or_at_different_times_are_no_knock() -> None:
    wells = run_of_four()
    assert signs([knocked(wells[0], 40), *wells[1:]]) == ()
    assert signs([knocked(w, 30 + 10 * k) for k, w in enumerate(wells)]) == ()


def test_wells_that_are_bad_all_the_time_are_no_knock() -> None:
    noisy = []
    rng = np.random.default_rng(5)
    for one in run_of_four():
        noisy.append(with_moduli(one, flags=np.where(rng.random(PUSHES) < 0.4, int(PushFlag.MISFIT), 0)))
    assert [s for s in signs(noisy) if s.key == "knock"] == []


def test_wells_activated_at_different_times_are_aligned() -> None:
    wells = run_of_four()
    shifted = [
        replace(knocked(w, 40 - 6 * k), well=replace(w.well, activated_at=f"2026-03-01T09:0{k}:00+00:00"))
        for k, w in enumerate(wells)
    ]
    found = signs(shifted)
    assert {(s.key, s.well, s.pushes) for s in found} == {("knock", "abcd"[k], (40 - 6 * k,)) for k in range(4)}


def test_temperature_outside_its_limits_before_onset() -> None:
    wells = run_of_four()
    time = np.arange(0.0, 1200.0, 20.0)
    cold = np.where(time < 100.0, 308.0, 310.15)
    sign = only(signs(wells, temperatures=(time, cold)), "temperature", "", "refuse_well")
    assert "34.9 °C" in sign.text
    late = np.where(time > 900.0, 308.0, 310.15)
    assert signs(wells, temperatures=(time, late)) == ()
    only(signs(wells, temperatures=None), "temperature", "", "flag")


def test_liquid_viscosity_that_disagrees_with_the_other_wells() -> None:
    a, *rest = run_of_four()
    assert a.moduli is not None
    thin = {key: 0.65 * getattr(a.moduli, key) for key in ("viscosity", "viscosity_low", "viscosity_high")}
    sign = only(signs([with_moduli(a, **thin), *rest]), "viscosity_disagreement", "a", "flag")
    assert "-3" in sign.text


def test_expired_lots() -> None:
    a, b, *rest = run_of_four()
    old = replace(a, well=replace(a.well, activator_expiry="2026-02-20"))
    assert "9 days before use" in only(signs([old, b, *rest]), "expired_lot", "a", "flag").text
    spent = replace(b, well=replace(b.well, additives=(Additive("platelet blocker", expiry="2025-12-31"),)))
    assert "lot unknown" in only(signs([a, spent, *rest]), "expired_lot", "b", "flag").text
    last_day = replace(a, well=replace(a.well, activator_expiry="2026-03-01"))
    assert signs([last_day, b, *rest]) == ()
    unreadable = replace(a, well=replace(a.well, activator_expiry="next spring"))
    assert "is no date" in only(signs([unreadable, b, *rest]), "expired_lot", "a", "flag").text


def test_stale_sample() -> None:
    wells = run_of_four()
    old = facts(drawn_at="2026-03-01T05:00:00+00:00")
    assert "4.00 h old" in only(signs(wells, old), "stale_sample", "", "flag").text
    unknown = facts(drawn_at=None)
    assert "was not checked" in only(signs(wells, unknown), "stale_sample", "", "flag").text
    gel = SampleFacts("s", "gel")
    assert signs(wells, gel) == ()


@pytest.mark.parametrize(
    ("changes", "more"),
    [
        ({"drawn_at": "2026-03-01T08:45:00+00:00"}, {}),
        ({"drawn_at": None, "received_at": "2026-03-01T09:30:00+00:00"}, {"assay": None}),
        ({}, {"now": "2026-03-01T09:05:00+00:00"}),
    ],
)
def test_clocks_that_disagree(changes: dict[str, Any], more: dict[str, Any]) -> None:
    found = signs(run_of_four(), facts(**changes), **more)
    assert {s.key for s in found} == {"clock_disagreement"}
    assert all("Clocks disagree" in s.text for s in found)


def test_a_well_with_other_reagents_than_planned_is_refused() -> None:
    a, b, *rest = run_of_four()
    bare = replace(b, well=replace(b.well, additives=()))
    assert "no platelet blocker" in only(signs([a, bare, *rest]), "unplanned_well", "b", "refuse_well").text
    other = replace(a, well=replace(a.well, activator="contact activator"))
    only(signs([other, b, *rest]), "unplanned_well", "a", "refuse_well")
    same = replace(a, well=replace(a.well, activator="Tissue  Factor"))
    assert signs([same, b, *rest]) == ()
    unknown = replace(a, well=replace(a.well, activator=None))
    assert signs([unknown, b, *rest]) == ()


def test_accept_limits_override_the_thresholds() -> None:
    text = ASSAY + '[[limit]]\nof = "strain"\nkind = "accept"\nhigh = "5 %"\nsource = "test"\n'
    text += '[[limit]]\nof = "fill"\nkind = "accept"\nlow = "99 %"\nsource = "test"\n'
    limits = Thresholds().with_accept_limits(load_assay(text, "t").limits)
    assert (limits.strain, limits.fill_flag) == (0.05, 0.99)
    assert limits.sample_age == 3 * 3600.0
    assert limits.temperature_low == pytest.approx(309.65, abs=1e-9)
    assert limits.temperature_refuses
    assert {s.key for s in signs(run_of_four(), assay=load_assay(text, "t"))} == {"strain"}


def test_sample_facts_are_held_against_accept_limits() -> None:
    wells = run_of_four()
    text = ASSAY + "".join(
        f'[[limit]]\nof = "{of}"\nkind = "accept"\n{bounds}\nsource = "test"\n{more}'
        for of, bounds, more in (
            ("haematocrit", 'low = "25 %"\nhigh = "50 %"', ""),
            ("platelets", 'low = "20 10^9/L"', 'consequence = "refuse_well"\n'),
            ("fibrinogen", 'high = "8 g/L"', ""),
        )
    )
    assay = load_assay(text, "t")

    def found(**changes: object) -> list[QualitySign]:
        made = signs(wells, facts(**changes), assay=assay)
        return [s for s in made if s.key == "sample_outside"]

    good = {"haematocrit": 0.3, "platelets": 8e13, "fibrinogen": 1.9}
    assert found(**good) == []
    assert found(**(good | {"haematocrit": 0.5, "platelets": 2e13, "fibrinogen": 8.0})) == []
    (thin,) = found(**(good | {"haematocrit": 0.2}))
    assert (thin.consequence, thin.well) == ("flag", "")
    assert "Haematocrit is 20 %; accepted 25 to 50 %" in thin.text
    (few,) = found(**(good | {"platelets": 1.5e13}))
    assert few.consequence == "refuse_well"
    assert "15 10^9/L; accepted from 20 10^9/L" in few.text
    (much,) = found(**(good | {"fibrinogen": 9.0}))
    assert "9 g/L; accepted up to 8 g/L" in much.text
    (unknown,) = found(**(good | {"fibrinogen": None}))
    assert unknown.consequence == "flag"
    assert "was not checked" in unknown.text
    assert [s for s in signs(wells, SampleFacts("s", "gel"), assay=assay) if s.key == "sample_outside"] == []
