import math
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.virtual.blood import tissue_factor
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.records import FACTORS, Composition, Contents, ThrombinCourse
from stanch.virtual.blood.stiff import solve
from stanch.virtual.blood.thrombin import thrombin_course, thrombin_courses

LOW = Contents(tissue_factor=5e-9)
HIGH = Contents(tissue_factor=50e-9)
NONE = Contents("none")
CONTACT = Contents("contact")


def cleaved(course: ThrombinCourse, share: float = 0.2, fibrinogen: float = 9e-3) -> float:
    """When a share of fibrinopeptide A is off [s]: Michaelis and Menten's law integrated, Km 7.2 umol/L, 84 1/s."""
    active = course.thrombin + course.meizothrombin
    dose = np.concatenate([[0.0], np.cumsum(0.5 * (active[1:] + active[:-1]) * np.diff(course.time))])
    needed = (share * fibrinogen - 7.2e-3 * math.log1p(-share)) / 84
    return float(np.interp(needed, dose, course.time)) if dose[-1] >= needed else math.inf


def onset(contents: Contents, choices: Choices | None = None, **composition: object) -> float:
    return cleaved(thrombin_course(Composition(**composition), contents, choices))  # type: ignore[arg-type]


def test_with_everything_else_off_it_is_the_tissue_factor_model() -> None:
    blood = Composition(haematocrit=0.0)
    made = thrombin_course(blood, LOW, Choices(contact_trace=0.0), duration=1200, step=1.0)
    network = tissue_factor.network()
    plain = solve(network, network.initial(tissue_factor.NORMAL | {"TF": 5e-9}), duration=1200, step=1.0)
    np.testing.assert_allclose(made.thrombin, plain["IIa"], rtol=0, atol=1e-9 * plain["IIa"].max())
    assert made.time.tolist() == list(range(1201))


def test_all_courses_are_in_the_record() -> None:
    made = thrombin_course(Composition(), LOW)
    assert made.factor_xa is not None
    assert made.prothrombin is not None
    assert made.inhibited is not None
    assert made.time[-1] == 3600
    for values in (made.thrombin, made.meizothrombin, made.factor_xa, made.prothrombin, made.inhibited):
        assert values.shape == made.time.shape
        assert np.all(np.isfinite(values))
        assert np.all(values >= 0)
    total = made.prothrombin + made.thrombin + made.meizothrombin + made.inhibited
    assert np.all(total <= made.prothrombin[0] * (1 + 1e-9))
    assert total[-1] == pytest.approx(made.prothrombin[0], rel=1e-3)


def test_wells_with_equal_cascades_share_one_solution() -> None:
    blocked = replace(HIGH, neutraliser=5e6, block_fraction=0.94, antifibrinolytic=0.9)
    wells = [LOW, replace(LOW, neutraliser=5e6), replace(HIGH, neutraliser=5e6), blocked]
    heparin = thrombin_courses(Composition(heparin=0.3e6), wells)
    assert heparin[2] is heparin[3]
    assert len({id(course) for course in heparin}) == 3
    without = thrombin_courses(Composition(), wells)
    assert without[0] is without[1]
    for course, contents in zip(heparin, wells, strict=True):
        alone = thrombin_course(Composition(heparin=0.3e6), contents)
        assert np.array_equal(alone.thrombin, course.thrombin)
        assert np.array_equal(alone.meizothrombin, course.meizothrombin)


def test_no_wells_no_courses() -> None:
    assert thrombin_courses(Composition(), []) == ()


def test_cold_is_slower_by_exactly_the_factor() -> None:
    # Every rate constant is scaled alike: the course is the same in stretched time.
    factor = 2.0**-0.5
    warm = thrombin_course(Composition(), LOW, duration=1200, step=2.0)
    cold = thrombin_course(Composition(), replace(LOW, temperature=305.15), duration=1200 / factor, step=2.0 / factor)
    np.testing.assert_allclose(cold.thrombin, warm.thrombin, rtol=0, atol=1e-4 * warm.thrombin.max())


@pytest.mark.parametrize("contents", [LOW, HIGH, NONE, CONTACT], ids=["low", "high", "none", "contact"])
def test_a_neutraliser_with_capacity_to_spare_restores_the_well(contents: Contents) -> None:
    plain = thrombin_course(Composition(), contents)
    for dose in (0.1e6, 2e6, 5e6):
        made = thrombin_course(Composition(heparin=dose), replace(contents, neutraliser=5e6))
        np.testing.assert_allclose(made.thrombin, plain.thrombin, rtol=1e-6, atol=0)


def test_without_antithrombin_heparin_does_nothing() -> None:
    with_it = thrombin_course(Composition(antithrombin=0.0, heparin=3e6), LOW)
    without = thrombin_course(Composition(antithrombin=0.0), LOW)
    np.testing.assert_allclose(with_it.thrombin, without.thrombin, rtol=0, atol=1e-9 * without.thrombin.max())


# ------------------------------------------------------------------ plausibility: what the calibration was set against


def test_targets_of_the_heparin_calibration() -> None:
    doses = (0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 2.0, 3.0, 5.0)
    low, high = ({h: onset(well, heparin=h * 1e6) / onset(well) for h in (*doses,)} for well in (LOW, HIGH))
    assert list(low.values()) == sorted(low.values())
    assert list(high.values()) == sorted(high.values())
    assert low[0.1] > 1.1
    assert low[0.3] == pytest.approx(2.0, abs=0.1)
    assert 2 <= low[0.5] <= 5
    assert low[0.7] > 3
    assert math.isinf(low[2.0])
    assert math.isinf(low[3.0])
    assert all(high[h] - 1 < 0.5 * (low[h] - 1) for h in doses if math.isfinite(low[h]))
    assert 1 < high[0.3] < 1.3


def test_antithrombin_lack_weakens_heparin() -> None:
    effect = [onset(LOW, heparin=0.5e6, antithrombin=a) / onset(LOW, antithrombin=a) for a in (0.0, 0.2, 0.5, 1.0, 1.5)]
    assert effect == sorted(effect)
    assert effect[0] == pytest.approx(1.0, abs=1e-6)
    assert effect[2] < 0.6 * effect[3]


def test_textbook_rates_would_shut_the_cascade_off() -> None:
    # Why the scale is calibrated: at full strength the bottom of the therapeutic range ends clotting in the low well.
    assert math.isinf(onset(LOW, Choices(heparin_scale=1.0), heparin=0.3e6))


def test_bands_for_wells_without_tissue_factor() -> None:
    # Plastic tubes 19 to 60 min, activated whole-blood clotting time 70 to 180 s (reference tables; plausibility only).
    assert 19 * 60 < onset(NONE) < 60 * 60
    assert 70 < onset(CONTACT) < 180
    assert math.isinf(onset(NONE, Choices(contact_trace=0.0)))


def test_the_trace_of_surface_does_not_start_the_tissue_factor_wells() -> None:
    for well in (LOW, HIGH, Contents(tissue_factor=2e-9)):
        assert onset(well) == pytest.approx(onset(well, Choices(contact_trace=0.0)), rel=0.01)


@pytest.mark.parametrize("contents", [LOW, NONE, CONTACT], ids=["low", "none", "contact"])
def test_more_of_the_activator_is_never_later(contents: Contents) -> None:
    if contents.activator == "tissue factor":
        found = [onset(replace(contents, tissue_factor=t * 1e-9)) for t in (1, 2, 5, 10, 50, 500)]
    elif contents.activator == "contact":
        found = [onset(replace(contents, contact_strength=s)) for s in (0.1, 0.3, 1, 3, 10)]
    else:
        found = [onset(contents, Choices(contact_trace=t)) for t in (0.005, 0.01, 0.02, 0.05)]
    assert found == sorted(found, reverse=True)
    assert found[0] > found[-1]


# ------------------------------------------------------------------------------------------------------------ extremes


@pytest.mark.parametrize("contents", [LOW, NONE, CONTACT], ids=["low", "none", "contact"])
@pytest.mark.parametrize(
    "composition",
    [
        *(Composition(factors={name: 0.0}) for name in FACTORS),
        Composition(factors=dict.fromkeys(FACTORS, 0.0)),
        Composition(factors=dict.fromkeys(FACTORS, 10.0)),
        Composition(haematocrit=0.8),
        Composition(haematocrit=0.0, platelets=0.0),
        Composition(dilution=0.95),
        Composition(antithrombin=0.0),
        Composition(antithrombin=5.0, heparin=1e8),
        Composition(platelets=3e15),
    ],
    ids=str,
)
def test_extremes_end_quickly_with_finite_values(composition: Composition, contents: Contents) -> None:
    thrombin_course(Composition(), contents)  # Compiles.
    before = time.process_time()
    made = thrombin_course(composition, contents)
    assert time.process_time() - before < 2.0
    assert np.all(np.isfinite(made.thrombin))
    assert np.all(np.isfinite(made.meizothrombin))


@settings(derandomize=True, deadline=None, max_examples=60)
@given(
    factors=st.dictionaries(st.sampled_from(FACTORS), st.floats(0, 10), max_size=4),
    haematocrit=st.floats(0, 0.8),
    dilution=st.floats(0, 0.95),
    antithrombin=st.floats(0, 5),
    heparin=st.floats(0, 1e8),
    activator=st.sampled_from(("tissue factor", "contact", "none")),
    amount=st.floats(0, 1e-4),
    temperature=st.floats(288.15, 315.15),
    share=st.floats(0.05, 1),
)
def test_any_well_gives_amounts_within_what_is_there(
    factors, haematocrit, dilution, antithrombin, heparin, activator, amount, temperature, share
) -> None:
    blood = Composition(
        factors=factors, haematocrit=haematocrit, dilution=dilution, antithrombin=antithrombin, heparin=heparin
    )
    well = Contents(activator, tissue_factor=amount, temperature=temperature, blood_share=share)
    made = thrombin_course(blood, well, step=30.0)
    assert made.prothrombin is not None
    most = made.prothrombin[0] * (1 + 1e-4) + 1e-12
    for values in (made.thrombin, made.meizothrombin):
        assert np.all(np.isfinite(values))
        assert np.all(values >= 0)
        assert np.all(values <= most)


def test_a_time_that_cannot_be_is_refused() -> None:
    with pytest.raises(InputError, match="duration"):
        thrombin_course(Composition(), LOW, duration=-1.0)
    with pytest.raises(InputError, match="step"):
        thrombin_course(Composition(), LOW, step=0.0)


def test_the_dose_table_of_the_page_is_what_comes_out() -> None:
    page = (Path(__file__).parents[3] / "docs" / "explanation" / "virtual-thrombin.md").read_text(encoding="utf-8")
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in page.splitlines() if line.startswith("|")]
    (heads,) = [row for row in rows if row[0] == "IU/mL"]
    wells = {"2 pmol/L": Contents(tissue_factor=2e-9), "5 pmol/L": LOW, "50 pmol/L": HIGH, "contact": CONTACT}
    printed = {row[0]: row[1:] for row in rows if row[0] in wells and len(row) == len(heads)}
    assert printed.keys() == wells.keys()
    for name, well in wells.items():
        plain = onset(well)
        for dose, text in zip(heads[1:], printed[name], strict=True):
            ratio = onset(well, heparin=float(dose) * 1e6) / plain
            if text == "none":
                assert math.isinf(ratio), (name, dose)
            else:
                assert ratio == pytest.approx(float(text), rel=0.04), (name, dose)
