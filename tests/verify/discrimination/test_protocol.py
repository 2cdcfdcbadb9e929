from typing import Any

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.report.verification import dumps
from stanch.verify import protocol
from stanch.verify.discrimination import area, choose_cutoff, compare_paired_areas, marks
from stanch.verify.table import Numbers, Table

RUN = protocol("discrimination")


def people(n: int = 120, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    y = np.arange(n) % 3 == 0
    shared = rng.normal(size=n)
    return np.round(5 + shared + 2 * y, 2), np.round(90 - 10 * shared - 8 * y + 8 * rng.normal(size=n), 1), y


def table(n: int = 120, **more: Any) -> Table:
    x, u, y = people(n)
    return Table.of({"stiff": x, "late": u, "class": np.where(y, "yes", "no"), **more})


WHO: dict[str, Any] = {"truth": "class", "positive": "yes"}


def test_one_reading() -> None:
    x, _, y = people()
    account = RUN(table(), reading=("stiff",), draws=200, **WHO)
    assert account.numbers["areas"]["stiff"] == area(marks(x, y))
    assert account.numbers["cutoffs"]["stiff"] == choose_cutoff(marks(x, y))
    assert account.verdicts[0].outcome == "no limit stated"
    assert account.numbers["positives"] == 40
    assert account.seed == 0
    assert len(account.pictures) == 3
    assert account.pictures[0].equal
    dumps(account)


def test_several_readings_are_compared_as_pairs() -> None:
    x, u, y = people()
    account = RUN(table(), reading=("stiff", "late"), opposite=("late",), draws=100, **WHO)
    both = compare_paired_areas([marks(x, y), marks(u, y, direction="lower")])
    assert account.numbers["contrasts"].chi2 == both.chi2
    assert account.numbers["contrasts"].contrasts == both.contrasts
    assert set(account.numbers["paired_decisions"]) == {"stiff / late, positive group", "stiff / late, negative group"}
    dumps(account)


@pytest.mark.parametrize(("least", "outcome"), [(0.5, "met"), (0.999, "not met"), (0.9, "undecided")])
def test_the_verdict_needs_the_whole_interval(least: float, outcome: str) -> None:
    account = RUN(table(), reading=("stiff",), draws=0, least_area=least, **WHO)
    assert account.verdicts[0].outcome == outcome


def test_a_chosen_cutoff_is_judged_by_its_corrected_sensitivity() -> None:
    chosen = RUN(table(), reading=("stiff",), draws=200, least_sensitivity=0.5, **WHO)
    verdict = chosen.verdicts[1]
    assert verdict.value.value == pytest.approx(chosen.numbers["cutoff_uncertainty"]["stiff"].sensitivity)
    assert "Moved" in verdict.value.why
    given = RUN(table(), reading=("stiff",), rule="given", cutoff=(6.0,), least_specificity=0.5, **WHO)
    assert given.verdicts[1].value == given.numbers["accuracy"]["stiff"].specificity
    assert given.numbers["cutoff_uncertainty"] == {}
    assert given.seed is None


def test_the_prevalence_stands_beside_every_predictive_value() -> None:
    account = RUN(table(), reading=("stiff",), draws=0, prevalence=(0.02, 0.2), **WHO)
    grid = next(g for g in account.grids if g.title == "Predictive values")
    assert [row[1] for row in grid.rows] == [pytest.approx(1 / 3), 0.02, 0.2]
    assert any("prevalence" in said for said in account.warnings)
    found = account.numbers["predictive_values"]["stiff"]
    assert found["0.02"]["positive"].value < found["0.2"]["positive"].value < found["of this table"]["positive"].value


def test_an_area_below_one_half_is_said_and_not_turned() -> None:
    account = RUN(table(), reading=("late",), draws=0, **WHO)
    assert account.numbers["areas"]["late"].area.value < 0.5
    assert any("below one half" in said for said in account.warnings)
    dumps(account)


def test_a_reading_that_separates_nothing_has_no_cutoff() -> None:
    flat = table(flat=np.full(120, 3.0))
    account = RUN(flat, reading=("flat",), draws=100, **WHO)
    assert account.numbers["cutoffs"] == {}
    assert any("no cut-off" in said for said in account.warnings)
    assert account.numbers["areas"]["flat"].area.value == 0.5
    dumps(account)


def test_perfect_separation() -> None:
    _, _, y = people()
    account = RUN(table(best=y + 0.0), reading=("best",), draws=100, prevalence=(0.1,), **WHO)
    found = account.numbers["areas"]["best"]
    assert (found.area.value, found.interval) == (1, "score")
    assert found.area.low > 0.9
    assert account.numbers["accuracy"]["best"].positive_ratio.value is None
    dumps(account)


def test_bounds_by_rank() -> None:
    x, _, y = people()
    low = x < 4
    column = Numbers(np.where(low, 4.0, x), low, np.zeros(120, dtype=bool))
    account = RUN(table(cut=column), reading=("cut",), draws=100, **WHO)
    assert account.numbers["areas"]["cut"] == area(marks(np.where(low, 4.0, x), y, below=low))
    assert account.data.censored["cut"] == low.sum()
    assert "By rank" in account.data.censored_treatment
    mixed = Numbers(np.where(low, 4.5, x), low, np.zeros(120, dtype=bool))
    with pytest.raises(InputError, match=r"order against <4\.5 is open"):
        RUN(table(cut=mixed), reading=("cut",), draws=0, **WHO)
    common = RUN(table(cut=mixed), reading=("cut",), draws=0, censored="common", **WHO)
    assert any("count as the common bound" in said for said in common.warnings)
    dumps(common)


def test_a_third_class_is_refused_or_left_out() -> None:
    x, _, y = people()
    names = np.where(y, "yes", "no").astype("<U7")
    names[:6] = "unclear"
    three = Table.of({"stiff": x, "class": names})
    with pytest.raises(InputError, match="--negative"):
        RUN(three, reading=("stiff",), draws=0, **WHO)
    account = RUN(three, reading=("stiff",), draws=0, negative="no", **WHO)
    assert account.data.used == 114
    assert account.data.excluded[-1].rows == (1, 2, 3, 4, 5, 6)
    with pytest.raises(InputError, match="no row named maybe"):
        RUN(three, reading=("stiff",), draws=0, truth="class", positive="maybe")


def test_missing_rows_are_left_out_of_all_readings() -> None:
    x, u, y = people()
    x[4], u[7] = np.nan, np.nan
    missing = Table.of({"stiff": x, "late": u, "class": np.where(y, "yes", "no")})
    account = RUN(missing, reading=("stiff", "late"), draws=0, **WHO)
    assert account.data.used == 118
    assert account.numbers["areas"]["stiff"].positives + account.numbers["areas"]["stiff"].negatives == 118


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_units_do_not_matter(scale: float) -> None:
    x, _, _ = people()
    one = RUN(table(), reading=("stiff",), draws=100, **WHO)
    other = RUN(table(scaled=x * scale), reading=("scaled",), draws=100, **WHO)
    assert other.numbers["areas"]["scaled"] == one.numbers["areas"]["stiff"]
    a, b = one.numbers["cutoff_uncertainty"]["stiff"].value, other.numbers["cutoff_uncertainty"]["scaled"].value
    assert (b.value / scale, b.low / scale, b.high / scale) == pytest.approx((a.value, a.low, a.high))


def test_three_people() -> None:
    account = RUN(Table.of({"g": [3.0, 1.0, 2.0], "class": ["yes", "no", "no"]}), reading=("g",), draws=50, **WHO)
    assert account.numbers["areas"]["g"].se is None
    assert any("fewer than ten" in said for said in account.warnings)
    dumps(account)


def test_separate_people() -> None:
    x, _, y = people()
    site = np.array(["A", "B"] * 60)
    account = RUN(table(site=site), reading=("stiff",), design="unpaired", group="site", least_area=0.6, **WHO)
    one = area(marks(x[site == "A"], y[site == "A"]))
    assert account.numbers["areas"]["A"] == one
    assert account.numbers["differences"]["A − B"].difference.value == pytest.approx(
        one.area.value - account.numbers["areas"]["B"].area.value
    )
    dumps(account)
    with pytest.raises(InputError, match="at least two of each"):
        RUN(table(site=["A"] * 118 + ["B"] * 2), reading=("stiff",), design="unpaired", group="site", **WHO)
    with pytest.raises(InputError, match="1 sets"):
        RUN(table(site=["A"] * 120), reading=("stiff",), design="unpaired", group="site", **WHO)
    with pytest.raises(UsageError, match="2 columns"):
        RUN(table(site=site), reading=("stiff", "late"), design="unpaired", group="site", **WHO)


def test_decisions_made_already() -> None:
    x, u, y = people()
    made = table(one=np.where(x > 6, "positive", "negative"), two=np.where(u < 85, "positive", "negative"))
    account = RUN(made, design="decisions", decision=("one", "two"), least_sensitivity=0.1, prevalence=(0.1,), **WHO)
    assert account.numbers["accuracy"]["one"].true_positive == int(((x > 6) & y).sum())
    pair = account.numbers["paired_decisions"]["one / two, positive group"]
    assert pair.only_first == int(((x > 6) & ~(u < 85) & y).sum())
    assert [v.outcome for v in account.verdicts] == ["met", "no limit stated"] * 2
    assert "0.1" in account.numbers["predictive_values"]["one"]
    dumps(account)
    with pytest.raises(InputError, match="positive and one other name"):
        RUN(table(one=np.where(x > 6, "plus", "minus")), design="decisions", decision=("one",), **WHO)


def test_misplaced_and_absent_options() -> None:
    for given, said in (
        ({}, "--reading"),
        ({"design": "decisions"}, "--decision"),
        ({"reading": ("stiff",), "rule": "given"}, "--cutoff"),
        ({"reading": ("stiff",), "opposite": ("late",)}, "--opposite"),
        ({"reading": ("stiff",), "prevalence": (10.0,)}, "--prevalence"),
        ({"reading": ("stiff",), "confidence": 95.0}, "--confidence"),
        ({"reading": ("stiff",), "unit": ("Pa", "s")}, "--unit"),
        ({"reading": ("stiff",), "group": "class"}, "--group"),
    ):
        with pytest.raises(UsageError, match=said):
            RUN(table(), **WHO, **given)
    with pytest.raises(InputError, match="least sensitivity"):
        RUN(table(), reading=("stiff",), rule="sensitivity", **WHO)


def test_no_promise_about_a_person() -> None:
    account = RUN(table(), reading=("stiff",), draws=0, **WHO)
    assert "Nothing here is the probability that one person has a disease" in account.warnings[0]
    text = " ".join([account.question, *account.design, *(v.claim for v in account.verdicts)]).lower()
    for word in ("patient", "dose", "treat", "risk"):
        assert word not in text


def test_a_million_rows() -> None:
    rng = np.random.default_rng(1)
    y = rng.random(1_000_000) < 0.3
    big = Table.of({"g": rng.normal(size=y.size) + y, "class": np.where(y, "yes", "no")})
    account = RUN(big, reading=("g",), draws=50, **WHO)
    assert account.numbers["areas"]["g"].area.value == pytest.approx(0.7602499, abs=0.003)
    assert max(len(layer.x) for layer in account.pictures[0].layers) <= 2000
    assert "thinned" in account.pictures[0].caption


@pytest.mark.parametrize(("interval", "warned"), [("wald", True), ("logit", False), ("score", False)])
def test_the_short_wald_interval_is_warned_of(interval: str, warned: bool) -> None:
    account = RUN(table(), reading=("stiff",), draws=100, interval=interval, **WHO)
    assert any("Wald interval of an area is short" in w for w in account.warnings) is warned
