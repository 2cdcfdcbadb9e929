"""Properties of a clot driven by a made-up pulse of thrombin."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import ClotCourse, clot_course
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.records import Composition, Contents, ThrombinCourse
from stanch.virtual.course import Course

TIME = 2.0 * np.arange(1801)
T = np.linspace(0.0, 3600.0, 913)


def pulse(peak: float = 3e-4, at: float = 200.0) -> ThrombinCourse:
    x = TIME / at
    made = peak * x**4 * np.exp(4 * (1 - x))
    return ThrombinCourse(TIME, made, 0.4 * made)


def clot(contents: Contents | None = None, choices: Choices | None = None, **composition: object) -> ClotCourse:
    return clot_course(Composition(**composition), contents or Contents(), pulse(), choices)  # type: ignore[arg-type]


compositions = st.builds(
    Composition,
    fibrinogen=st.floats(0.0, 20.0),
    platelets=st.floats(0.0, 3e15),
    platelet_function=st.floats(0.0, 5.0),
    haematocrit=st.floats(0.0, 0.8),
    factors=st.fixed_dictionaries({"XIII": st.floats(0.0, 10.0)}),
    plasminogen=st.floats(0.0, 5.0),
    antiplasmin=st.floats(0.0, 5.0),
    tpa=st.one_of(st.floats(0.0, 1e-5), st.floats(0.0, 1e-3)),
    dilution=st.floats(0.0, 0.95),
)
wells = st.builds(
    Contents,
    block_fraction=st.floats(0.0, 1.0),
    antifibrinolytic=st.floats(0.0, 1.0),
    blood_share=st.floats(0.05, 1.0),
    temperature=st.floats(288.15, 315.15),
)
drives = st.builds(pulse, st.floats(0.0, 1.4e-3), st.floats(5.0, 3000.0))


@settings(derandomize=True, deadline=None, max_examples=60)
@given(compositions, wells, drives, st.booleans())
def test_whatever_the_blood_the_course_can_be(
    composition: Composition, contents: Contents, drive: ThrombinCourse, gel: bool
) -> None:
    choices = Choices(rheology="critical_gel" if gel else "kelvin_voigt", adhesion=30.0)
    one = clot_course(composition, contents, drive, choices)
    for name, table in vars(one).items():
        if isinstance(table, np.ndarray):
            assert np.all(np.isfinite(table) & (table >= 0)), name
    progress, kept = one.progress(T), one.kept(T)
    assert np.all((progress <= 1 + 1e-12) & (np.diff(progress, prepend=0) >= 0))
    assert np.all((kept > 0) & (kept <= 1) & (np.diff(kept, prepend=1) <= 0))
    assert np.all(np.diff(one.shift(T), prepend=0) >= 0)
    assert np.all(np.isfinite(one.modulus(T)))
    assert np.all(one.viscosity(T) >= one.liquid_viscosity)
    # Fibrin(ogen): what is uncut and what is fibrin never exceed what there was; without plasmin nothing is lost.
    whole = one.fibrinogen[0]
    assert np.all(one.fibrinogen + one.fibrin <= whole * (1 + 1e-12))
    f = choices.frequency
    for t in (0.0, 37.3, 600.0, 3600.0):
        made = one.material(t)
        assert made.storage(f) == pytest.approx(float(one.modulus(t)), rel=1e-9, abs=1e-12)
        assert made.loss(f) == pytest.approx(2 * math.pi * f * float(one.viscosity(t)), rel=1e-9)


def test_it_is_a_course() -> None:
    one: Course = clot()
    assert 0 < one.start < 600


def test_all_fibrinogen_becomes_fibrin_where_nothing_is_lysed() -> None:
    one = clot(tpa=0.0)
    assert one.fibrin[-1] == pytest.approx(one.fibrinogen[0], rel=1e-9)
    assert one.progress(3600.0) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("what", ["fibrinogen", "thrombin"])
def test_without_fibrinogen_or_thrombin_nothing_clots(what: str) -> None:
    composition = Composition(fibrinogen=0.0) if what == "fibrinogen" else Composition()
    drive = pulse(0.0) if what == "thrombin" else pulse()
    one = clot_course(composition, Contents(), drive)
    assert math.isinf(one.start)
    assert one.gel_time == one.start
    assert not np.any(one.modulus(T))
    assert not np.any(one.progress(T))
    assert not np.any(one.shift(T))
    assert np.all(one.viscosity(T) == one.liquid_viscosity)


def test_without_platelets_a_blocker_changes_nothing() -> None:
    free, blocked = (clot(Contents(block_fraction=b), platelets=0.0) for b in (0.0, 0.94))
    np.testing.assert_array_equal(free.modulus(T), blocked.modulus(T))
    assert not np.any(free.shift(T))


def test_a_whole_block_leaves_the_fibrin() -> None:
    blocked = clot(Contents(block_fraction=1.0))
    none = clot(platelets=0.0)
    np.testing.assert_allclose(blocked.modulus(T), none.modulus(T), rtol=1e-12)


def test_a_whole_antifibrinolytic_stops_lysis() -> None:
    one = clot(Contents(antifibrinolytic=1.0), tpa=1e-5, antiplasmin=0.0)
    assert np.all(one.kept(T) == 1.0)
    assert not np.any(one.plasmin)
    assert clot(tpa=1e-5, antiplasmin=0.0).kept(3600.0) < 1e-6


def test_causes_of_decline_multiply() -> None:
    one = clot(choices=Choices(adhesion=40.0), tpa=1.5e-6, antiplasmin=0.6)
    assert math.isfinite(one.detachment_time)
    product = one.grown * one.lysis * one.retraction * one.detachment
    np.testing.assert_allclose(one.modulus(TIME), product, rtol=1e-12)
    assert np.all(np.diff(one.grown) > -1e-9 * one.grown.max())
    for cause in (one.lysis, one.retraction, one.detachment):
        assert cause[0] == 1.0
        assert cause[-1] < 0.99


def test_courses_have_no_steps() -> None:
    """Halving the distance of two times halves the change, at the gel point and at detachment too."""
    one = clot(choices=Choices(adhesion=40.0, rheology="critical_gel"), tpa=1.5e-6)
    top = float(one.modulus(T).max())
    for around in (one.start, one.detachment_time, 1000.0):
        changes = [abs(float(one.modulus(around + d) - one.modulus(around - d))) for d in (1e-3, 5e-4)]
        assert changes[0] < 1e-3 * top
        assert changes[1] < 0.51 * changes[0] + 1e-9


def test_modulus_is_zero_up_to_the_gel_point_and_grows_from_there() -> None:
    one = clot()
    assert np.all(one.modulus(np.linspace(0.0, one.start)) <= 1e-3)
    assert one.modulus(one.start + 20.0) > 0


def test_gel_point_of_constant_thrombin_is_the_closed_form() -> None:
    from stanch.virtual.blood.fibrin import cleavage_time, fibrinogen_amount

    e = np.full(TIME.size, 1e-6)
    one = clot_course(Composition(), Contents(), ThrombinCourse(TIME, e, 0 * e))
    assert one.start == pytest.approx(cleavage_time(0.2, 1e-6, fibrinogen_amount(3.0)), rel=1e-12)


@pytest.mark.parametrize("celsius", [22.0, 33.0, 40.0])
def test_gel_point_and_network_feel_the_same_temperature(celsius: float) -> None:
    from stanch.virtual.blood.plasma import speed

    contents = Contents(temperature=celsius + 273.15)
    e = np.full(TIME.size, 5e-8)
    one = clot_course(Composition(), contents, ThrombinCourse(TIME, e, 0 * e))
    normal = clot_course(Composition(), Contents(), ThrombinCourse(TIME, e, 0 * e))
    assert one.start == pytest.approx(normal.start / speed(contents, Choices()), rel=1e-12)
    cut = 1.0 - np.interp(one.start, one.time, one.fibrinogen) / one.fibrinogen[0]
    assert cut == pytest.approx(Choices().gel_share, abs=1e-6)


def test_meizothrombin_clots_only_if_it_is_said_to() -> None:
    drive = ThrombinCourse(TIME, 0 * TIME, np.full(TIME.size, 1e-6))
    yes, no = (
        clot_course(Composition(), Contents(), drive, Choices(meizothrombin_clots=one)).start for one in (True, False)
    )
    assert yes < 60
    assert math.isinf(no)


def test_normal_blood_holds_and_a_strong_pull_lets_go() -> None:
    assert clot().detached(3600.0) is None
    strong = clot(platelets=900e12, platelet_function=1.5)
    t = strong.detachment_time
    assert strong.detached(t - 1e-6) is None
    assert strong.detached(t) == Choices().detachment_step


def test_platelets_that_add_do_not_need_much_fibrin() -> None:
    rich, poor = (clot(choices=Choices(platelet_law="add"), fibrinogen=f) for f in (3.0, 1.0))
    multiplied = [clot(fibrinogen=f) for f in (3.0, 1.0)]
    assert poor.modulus(900.0) / rich.modulus(900.0) > 2 * multiplied[1].modulus(900.0) / multiplied[0].modulus(900.0)


def test_cross_links_slow_lysis_only_as_chosen() -> None:
    slow, same = (clot(choices=Choices(cross_linked_lysis=r), tpa=1.5e-6, antiplasmin=0.5) for r in (0.2, 1.0))
    half = float(TIME[np.argmax(same.lysis < 0.5)])
    assert slow.kept(half) > 0.6
    bare = [clot(choices=Choices(cross_linked_lysis=r), tpa=2e-6, factors={"XIII": 0.0}).kept(T) for r in (0.2, 1.0)]
    np.testing.assert_array_equal(*bare)


def test_the_march_is_fine_enough() -> None:
    coarse = clot(tpa=1e-6)
    t = np.arange(0.0, 3600.1, 0.5)
    drive = ThrombinCourse(t, np.interp(t, TIME, pulse().thrombin), np.interp(t, TIME, pulse().meizothrombin))
    fine = clot_course(Composition(tpa=1e-6), Contents(), drive)
    late = T[T > 240.0]
    np.testing.assert_allclose(coarse.modulus(late), fine.modulus(late), rtol=2e-3)


def test_times_outside_the_course() -> None:
    one = clot()
    assert one.modulus(-30.0) == 0.0
    with pytest.raises(InputError, match="end of the course"):
        one.modulus(3601.0)


@pytest.mark.parametrize("field", ["thrombin", "meizothrombin"])
def test_thrombin_that_is_no_number_is_refused(field: str) -> None:
    bad = replace(pulse(), **{field: np.full(TIME.size, np.nan)})
    with pytest.raises(InputError, match=field):
        clot_course(Composition(), Contents(), bad)


def test_an_uneven_grid_is_refused() -> None:
    t = TIME.copy()
    t[5] += 0.5
    with pytest.raises(InputError, match="even grid"):
        clot_course(Composition(), Contents(), replace(pulse(), time=t))


def _well(name: str, composition: Composition, **choices: bool | float) -> ClotCourse:
    return courses(composition, [DEMO_WELLS[name]], Choices(**choices))[0]  # type: ignore[arg-type]


def test_lysis_comes_in_grades() -> None:
    left = [float(_well("base", Composition(tpa=t * 1e-6)).kept(2400.0)) for t in (1.0, 2.0, 3.0, 4.0)]
    assert left[0] > 0.9 > left[1] > 0.5 > left[2] > 0.1 > left[3]
    made = _well("base", Composition(tpa=2e-6))
    kept = made.kept(made.time)
    per_minute = -np.gradient(np.log(kept), made.time / 60)
    assert 2 * np.count_nonzero((per_minute > 0.002) & (per_minute < 0.02)) > 20 * 60


def test_without_the_second_inhibitor_lysis_runs_away() -> None:
    made = _well("base", Composition(tpa=2e-6), macroglobulin_reach=0.0)
    assert float(made.kept(2400.0)) < 0.2
    assert float(_well("base", Composition(tpa=4e-6), macroglobulin_reach=1.0).kept(3600.0)) > 0.3


def least_growth(made: ClotCourse) -> float:
    """Least growth of the modulus within a minute on its way from 10 to 60 Pa [-]."""
    modulus = made.modulus(np.arange(0.0, 3600.0, 60.0))
    first, last = (int(np.flatnonzero(modulus >= level)[0]) for level in (10.0, 60.0))
    return float(np.min(modulus[first + 1 : last + 1] / modulus[first:last])) - 1.0


def test_weakly_activated_blood_does_not_wait_for_the_burst() -> None:
    weak = Composition(1.3, 74e12, haematocrit=0.27, antithrombin=0.6, heparin=3e5)
    assert least_growth(_well("low", weak)) > 0.15
    assert least_growth(_well("low", weak, meizothrombin_activates=False)) < 0.08
