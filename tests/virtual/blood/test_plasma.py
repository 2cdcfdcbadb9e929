import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.virtual.blood import contact, tissue_factor
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.plasma import CONSTANTS, bound_share, mix, plasma
from stanch.virtual.blood.records import FACTORS, Composition, Contents

VALUES = {c.key: c.value for c in CONSTANTS}
SHARES = st.floats(0.0, 0.8)


def test_blood_alone_stays_what_it_is() -> None:
    made = mix(Composition(haematocrit=0.42, platelets=250e12), Contents(blood_share=1.0))
    assert (made.plasma_share, made.haematocrit, made.platelets) == (1.0, 0.42, 250e12)


def test_mixing_by_hand() -> None:
    # 1 L well: 0.8 L blood, a quarter of it crystalloid: 0.24 L cells, 0.36 L plasma and twice 0.2 L of water.
    made = mix(Composition(haematocrit=0.4, platelets=200e12, dilution=0.25), Contents(blood_share=0.8))
    assert made.haematocrit == pytest.approx(0.24, rel=1e-12)
    assert made.plasma_share == pytest.approx(0.36 / 0.76, rel=1e-12)
    assert made.platelets == pytest.approx(120e12, rel=1e-12)


@settings(derandomize=True, deadline=None)
@given(SHARES, st.floats(0.05, 1.0), st.floats(0.0, 0.95))
def test_volumes_add_up_and_dilution_only_thins(haematocrit: float, blood: float, dilution: float) -> None:
    made = mix(Composition(haematocrit=haematocrit, dilution=dilution), Contents(blood_share=blood))
    native = made.plasma_share * (1 - made.haematocrit)
    assert native + made.haematocrit == pytest.approx(blood * (1 - dilution), rel=1e-12)
    more = mix(Composition(haematocrit=haematocrit, dilution=dilution * 0.9), Contents(blood_share=blood))
    assert 0 <= made.plasma_share <= more.plasma_share * (1 + 1e-12) <= 1 + 1e-12


def test_share_without_crystalloid_is_the_plasma_of_the_blood_over_all_plasma() -> None:
    b, h = 160 / 172, 0.42
    expected = b * (1 - h) / (b * (1 - h) + (1 - b))
    assert mix(Composition(haematocrit=h), Contents(blood_share=b)).plasma_share == pytest.approx(expected, rel=1e-12)


def test_normal_undiluted_plasma_holds_the_normal_amounts() -> None:
    made = plasma(Composition(haematocrit=0.0), Contents(tissue_factor=5e-9), Choices())
    assert made.concentrations == tissue_factor.NORMAL | contact.NORMAL | {"TF": 5e-9}
    assert made.speed == 1.0
    assert (made.heparin, made.excess) == (0.0, 0.0)


@pytest.mark.parametrize("name", [f for f in FACTORS if f != "XIII"])
def test_an_activity_scales_its_own_protein_alone(name: str) -> None:
    normal = plasma(Composition(), Contents("contact"), Choices()).concentrations
    made = plasma(Composition(factors={name: 0.5}), Contents("contact"), Choices()).concentrations
    changed = {s: made[s] / normal[s] for s in normal if made[s] != normal[s]}
    assert set(changed.values()) == {0.5}
    assert len(changed) == (2 if name == "VII" else 1)


def test_antithrombin_and_antiplasmin_reach_the_cascade() -> None:
    normal = plasma(Composition(), Contents("contact"), Choices()).concentrations
    made = plasma(Composition(antithrombin=0.5, antiplasmin=0.25), Contents("contact"), Choices()).concentrations
    assert made["AT"] == 0.5 * normal["AT"]
    assert made["a2AP"] == 0.25 * normal["a2AP"]


def test_tissue_factor_of_the_final_volume_is_in_its_plasma() -> None:
    made = plasma(Composition(haematocrit=0.5), Contents(tissue_factor=5e-9, blood_share=0.8), Choices())
    assert made.concentrations["TF"] == pytest.approx(5e-9 / 0.6, rel=1e-12)
    other = plasma(Composition(haematocrit=0.5), Contents(tissue_factor=5e-9), Choices(tissue_factor_in_plasma=False))
    assert other.concentrations["TF"] == 5e-9


def test_only_the_tissue_factor_well_gets_tissue_factor() -> None:
    for activator in ("contact", "none"):
        assert "TF" not in plasma(Composition(), Contents(activator), Choices()).concentrations


def test_neutraliser_takes_up_what_it_can() -> None:
    blood = Composition(heparin=8e6, haematocrit=0.0)
    made = plasma(blood, Contents(neutraliser=5e6, blood_share=0.5), Choices())
    assert (made.heparin, made.excess) == (0.0, 1e6)
    made = plasma(blood, Contents(neutraliser=3e6, blood_share=0.5), Choices())
    assert (made.heparin, made.excess) == (1e6, 0.0)


def test_heparin_scales_the_three_inhibitions_by_the_stated_law() -> None:
    made = plasma(Composition(heparin=1e6), Contents(), Choices(heparin_on_meizothrombin=False))
    share = Choices().heparin_scale * bound_share(1e6, tissue_factor.NORMAL["AT"])
    assert made.factors["IIa + AT -> IIa:AT"] == pytest.approx(1 + share * 1e4 / 7.1, rel=1e-12)
    assert made.factors["Xa + AT -> Xa:AT"] == pytest.approx(1 + share * 8.5e3 / 1.5, rel=1e-12)
    assert made.factors["IXa + AT -> IXa:AT"] == pytest.approx(1 + share * 3e3 / 0.49, rel=1e-12)
    assert "mIIa + AT -> mIIa:AT" not in made.factors
    also = plasma(Composition(heparin=1e6), Contents(), Choices()).factors
    assert also["mIIa + AT -> mIIa:AT"] == also["IIa + AT -> IIa:AT"]


@settings(derandomize=True, deadline=None)
@given(st.floats(0.0, 1e8), st.floats(0.0, 2e-2), st.floats(1.01, 3.0))
def test_the_bound_share_solves_its_law_and_saturates(heparin: float, antithrombin: float, more: float) -> None:
    share = bound_share(heparin, antithrombin)
    chains = heparin * VALUES["heparin_per_unit"]
    bound = share * antithrombin
    dissociation = VALUES["heparin_dissociation"]
    free = (chains - bound) * (antithrombin - bound)
    assert free == pytest.approx(dissociation * bound, rel=1e-6, abs=1e-12 * dissociation * antithrombin)
    assert 0 <= share < 1
    assert bound_share(heparin * more, antithrombin) >= share
    assert bound_share(heparin, antithrombin * more) <= share


def test_half_the_antithrombin_costs_about_a_third_of_the_heparin_bound() -> None:
    normal = tissue_factor.NORMAL["AT"]
    half = 0.5 * bound_share(0.3e6, 0.5 * normal) / bound_share(0.3e6, normal)
    assert half == pytest.approx(2 / 3, abs=0.05)


def test_speed_follows_q10() -> None:
    cold = Contents(temperature=310.15 - 4)
    assert plasma(Composition(), cold, Choices()).speed == pytest.approx(2**-0.4, rel=1e-12)
    assert plasma(Composition(), cold, Choices(q10=1.0)).speed == 1.0
    # 3 to 10 % a kelvin is said of clotting times (from memory); the default lies between.
    assert 1.03 < 1 / plasma(Composition(), replace(cold, temperature=309.15), Choices()).speed < 1.10


def test_few_platelets_slow_the_complexes_and_the_choice_turns_it_off() -> None:
    text = "Xa + Va <-> Xa:Va (forward)"
    found = [
        plasma(Composition(platelets=p * 1e12), Contents(), Choices()).factors[text] for p in (0, 20, 100, 250, 3000)
    ]
    assert found == sorted(found)
    assert found[3] == pytest.approx(1.0, rel=1e-12)
    assert found[0] == pytest.approx(0.1 / (0.1 + 0.9 * 250 / 270), rel=1e-12)
    assert found[4] < 1.1
    off = plasma(Composition(platelets=0.0), Contents(), Choices(platelet_surface=False)).factors
    assert off[text] == 1.0


def test_an_excess_of_neutraliser_does_nothing_unless_chosen() -> None:
    text = "IIa + V -> IIa + Va"
    well = Contents(neutraliser=5e6)
    assert text not in plasma(Composition(), well, Choices()).factors
    assert plasma(Composition(), well, Choices(neutraliser_excess=0.2)).factors[text] == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("name", "value"),
    [("contact_trace", -1.0), ("resting_membrane", 0.0), ("heparin_scale", math.nan), ("q10", 0.5)],
)
def test_choices_outside_their_range_are_refused(name: str, value: float) -> None:
    with pytest.raises(InputError, match=name):
        Choices(**{name: value})


def test_constants_are_marked() -> None:
    assert {c.origin for c in CONSTANTS} == {"published", "calibrated", "choice"}
    assert len(VALUES) == len(CONSTANTS)
    assert all(c.source and math.isfinite(c.value) for c in CONSTANTS)
    assert {k: VALUES[k] for k in ("heparin_scale", "contact_trace", "resting_membrane", "q10")} == {
        "heparin_scale": Choices().heparin_scale,
        "contact_trace": Choices().contact_trace,
        "resting_membrane": Choices().resting_membrane,
        "q10": Choices().q10,
    }
