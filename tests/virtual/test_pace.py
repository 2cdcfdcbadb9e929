"""Blood whose block is off its temperature: stretched time against the model run at that temperature."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import DocumentError
from stanch.readings.assay import load_assay
from stanch.recording.container import open_recording
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.records import Composition
from stanch.virtual.expectation import expect, lost
from stanch.virtual.growth import Growth
from stanch.virtual.pace import Pace, PacedCourse, pace_of
from stanch.virtual.population_table import read_all, scenario_bench
from stanch.virtual.sample import sample_courses
from stanch.virtual.scenario import parse_scenario
from stanch.virtual.simulate import simulate

END = 3600.0
BLOOD = """
[blood]
fibrinogen = "3 g/L"

[[well]]
name = "plain"
activator = "tissue factor"
[well.contents]
activator = "tissue factor"
tissue_factor = "50 pmol/L"
neutraliser = "5 IU/mL"

[[well]]
name = "late"
activator = "tissue factor"
activated_after = "5 min"
[well.contents]
activator = "tissue factor"
tissue_factor = "50 pmol/L"
neutraliser = "5 IU/mL"

[[well]]
name = "stated"
activator = "tissue factor"
[well.curve]
start = "2 min"
network_modulus = "150 Pa"
network_time = "4 min"
"""
ASSAY = """
schema = "stanch.assay/1"
name = "one"
onset_modulus = "20 Pa"
hold = "8 min"
follow = "25 min"

[[well]]
name = "plain"
activator = "tissue factor"
"""


def shifted(shift: str, *, start: str = "0 s", end: str = "", wells: str = "") -> str:
    """A fault of temperature as text."""
    rest = (f'end = "{end}"\n' if end else "") + (f"wells = {wells}\n" if wells else "")
    return f'\n[[fault]]\nkind = "temperature"\nshift = "{shift}"\nstart = "{start}"\n{rest}'


@pytest.fixture
def blood(scenario_text):
    head = scenario_text(pushes=8).split("[[well]]")[0].replace('push_interval = "15 s"', 'push_interval = "120 s"')
    return lambda *faults: head + BLOOD + "".join(faults)


def test_an_age_by_hand():
    pace = Pace(np.array([0.0, 100.0, 200.0]), np.array([1.0, 0.5, 2.0]))
    assert pace.age([0.0, 50.0, 100.0, 200.0, 210.0]).tolist() == [0.0, 50.0, 100.0, 150.0, 170.0]
    assert pace.when([170.0, 150.0, 25.0]).tolist() == [210.0, 200.0, 25.0]
    assert pace.when(math.inf) == math.inf
    assert pace.age(-10.0) == -10.0


@settings(derandomize=True, deadline=None)
@given(
    steps=st.lists(st.tuples(st.floats(1.0, 4000.0), st.floats(-20.0, 5.0)), min_size=1, max_size=5),
    q10=st.floats(1.1, 5.0),
    activated=st.floats(0.0, 3000.0),
    time=st.floats(0.0, 5000.0),
)
def test_the_age_is_the_integral_of_the_rate_and_has_an_inverse(steps, q10, activated, time):
    pace = pace_of(sorted(steps), q10, activated)
    if pace is None:
        return
    age = float(pace.age(time))
    assert float(pace.when(age)) == pytest.approx(time, abs=1e-6)
    edges = np.unique([0.0, time, *(t - activated for t, _ in steps if 0 < t - activated < time)])
    middle = 0.5 * (edges[1:] + edges[:-1]) + activated
    off = [next((s for t, s in sorted(steps, reverse=True) if t <= m), 0.0) for m in middle]
    assert age == pytest.approx(float(np.sum(np.diff(edges) * q10 ** (np.array(off) / 10))), abs=1e-6)


def test_nothing_shifted_has_no_pace():
    assert pace_of((), 2.0) is None
    assert pace_of(((0.0, 0.0), (10.0, 0.0)), 2.0) is None
    assert pace_of(((0.0, -5.0),), 1.0) is None
    # Over before the sample was activated.
    assert pace_of(((0.0, -5.0), (60.0, 0.0)), 2.0, activated=60.0) is None


@pytest.mark.parametrize("shift", [-8.0, 3.0])
@pytest.mark.parametrize("tpa", [0.0, 1.5e-6], ids=["holds", "lyses"])
def test_a_constant_shift_equals_the_model_at_that_temperature(shift, tpa):
    """Bounds: docs/explanation/virtual-blood.md; they are those of the tables' 2 s grid."""
    composition, wells = Composition(tpa=tpa), [DEMO_WELLS["base"], DEMO_WELLS["low"]]
    pace = pace_of([(0.0, shift)], Choices().q10)
    own = courses(composition, wells, duration=max(END, float(pace.age(END))) + 2.0)
    there = [replace(one, temperature=one.temperature + shift) for one in wells]
    t = np.arange(0.0, END, 3.0)
    for mine, exact, warm in zip(own, courses(composition, there, duration=END + 2.0), own, strict=True):
        paced = PacedCourse(mine, pace)
        highest = exact.modulus(t).max()
        assert np.abs(paced.modulus(t) - exact.modulus(t)).max() < 1e-4 * highest
        # The sample at its own temperature is another one.
        assert np.abs(warm.modulus(t) - exact.modulus(t)).max() > 0.05 * highest
        assert paced.start == pytest.approx(exact.start, abs=0.05)
        assert np.abs(paced.kept(t) - exact.kept(t)).max() < 1e-4
        assert np.abs(paced.progress(t) - exact.progress(t)).max() < 1e-3
        assert np.abs(paced.shift(t) - exact.shift(t)).max() < 1e-4 * exact.shift(t).max()
        assert np.abs(paced.viscosity(t) - exact.viscosity(t)).max() < 1e-4
        assert paced.material(900.0).storage(1.0) == pytest.approx(exact.material(900.0).storage(1.0), rel=1e-3)
        taken, truly = lost(paced, END), lost(exact, END)
        assert taken == pytest.approx(truly, abs=1e-4)


def test_a_clot_that_lets_go_differs_only_by_its_relief():
    choices = Choices(adhesion=20.0)
    pace = pace_of([(0.0, -8.0)], choices.q10)
    well = DEMO_WELLS["base"]
    (own,) = courses(Composition(), [well], choices, duration=END)
    (exact,) = courses(Composition(), [replace(well, temperature=well.temperature - 8.0)], choices, duration=END)
    paced = PacedCourse(own, pace)
    t = np.arange(0.0, END, 2.0)
    assert float(pace.when(own.detachment_time)) == pytest.approx(exact.detachment_time, abs=0.1)
    assert paced.detached(exact.detachment_time - 1.0) is None
    assert paced.detached(exact.detachment_time + 1.0) == exact.detached(exact.detachment_time + 1.0) is not None
    apart = np.abs(paced.modulus(t) - exact.modulus(t)) / exact.modulus(t).max()
    assert np.all(apart[t < exact.detachment_time - 1.0] < 1e-4)
    assert 0.01 < apart.max() < 0.035
    assert apart[-1] < 1e-3


def test_stated_curves_and_other_wells_stay_and_late_wells_see_their_own_time(blood):
    plain = sample_courses(parse_scenario(blood()))
    cold = sample_courses(parse_scenario(blood(shifted("-6 K", end="5 min"))))
    assert isinstance(cold[2], Growth)
    assert cold[2] == plain[2]
    # It is over when the second well is activated.
    assert not isinstance(cold[1], PacedCourse)
    assert isinstance(cold[0], PacedCourse)
    t = np.arange(0.0, 840.0, 7.0)
    assert np.array_equal(cold[1].modulus(t), plain[1].modulus(t))
    behind = 300.0 * (1 - 2.0**-0.6)
    assert cold[0].start > plain[0].start + 10.0
    assert cold[0].modulus(600.0 + behind) == pytest.approx(float(plain[0].modulus(600.0)))
    only = sample_courses(parse_scenario(blood(shifted("-6 K", wells='["late"]'))))
    assert not isinstance(only[0], PacedCourse)
    assert isinstance(only[1], PacedCourse)


def test_a_warm_block_needs_a_longer_course(blood):
    warm = sample_courses(parse_scenario(blood(shifted("4 K"))))
    assert float(warm[0].modulus(845.0)) > 0


def test_shifts_add_up(blood):
    both = sample_courses(parse_scenario(blood(shifted("-2 K"), shifted("-4 K", start="1 min"))))[0]
    one = pace_of([(0.0, -2.0), (60.0, -6.0)], 2.0)
    assert both.pace.age(500.0) == pytest.approx(float(one.age(500.0)))


def test_blood_keeps_within_the_temperatures_it_is_made_for(blood):
    with pytest.raises(DocumentError, match=r"fault\[1\]\.shift: the blood of plain is at 316\.15 K from 60 s"):
        parse_scenario(blood(shifted("6 K", start="60 s")))
    parse_scenario(blood(shifted("6 K", wells='["stated"]')))


def test_truth_expectation_and_population_follow(blood, tmp_path):
    import json

    (tmp_path / "a.toml").write_text(ASSAY, encoding="utf-8")
    found = {}
    for name, faults in (("plain", ()), ("cold", (shifted("-6 K"),))):
        text = blood(*faults).replace("seed = 11", 'seed = 11\nassay = "a.toml"').replace("pushes = 8", "pushes = 20")
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
        simulate(tmp_path / f"{name}.toml", tmp_path / "r.h5", truth=tmp_path / "t.json", overwrite=True)
        truth = json.loads((tmp_path / "t.json").read_text(encoding="utf-8"))["wells"][0]
        expected = expect(parse_scenario(text), load_assay(ASSAY, "a")).wells[0]
        onset = expected.readings["onset"].estimate.value
        assert truth["readings"]["onset_s"] == onset
        assert truth["gelation_start_s"] == expected.start
        bench = scenario_bench(tmp_path / f"{name}.toml")
        by_bench = read_all(bench, parse_scenario(text).blood.record())["plain: onset"].value
        assert by_bench == pytest.approx(onset, abs=1e-3)
        with open_recording(tmp_path / "r.h5") as recording:
            assert recording.temperatures()[1].mean() == pytest.approx(310.15 if name == "plain" else 304.15, abs=0.1)
        found[name] = onset
    assert found["cold"] == pytest.approx(found["plain"] * 2.0**0.6, rel=1e-3)
