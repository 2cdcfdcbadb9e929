"""Findings: outcomes, order, pair constraints, suppression, words."""

from __future__ import annotations

import re
from importlib.resources import files

import numpy as np
import pytest
from numpy.typing import NDArray

from stanch.estimate import Estimate
from stanch.findings.evaluate import CANNOT_SEE, evaluate
from stanch.findings.records import Finding, QualitySign
from stanch.readings.assay import load_assay
from stanch.readings.assay_records import GROUPS, AssayDocument
from stanch.readings.records import Contrast, Reading, WellReadings

N = 400
Z = np.random.default_rng(3).standard_normal((12, N))
MIN = 60.0


def spread(value: float, k: int, relative: float = 0.02) -> NDArray[np.float64]:
    return value * (1 + relative * Z[k])


def reading(key: str, samples: NDArray[np.float64], unit: str, **more: object) -> Reading:
    return Reading(key, Estimate.from_samples(samples, unit, **more), samples)  # type: ignore[arg-type]


def well(name: str, onset: float, early: float, k: int) -> WellReadings:
    at = spread(onset, k) if np.isfinite(onset) else np.full(N, np.inf)
    return WellReadings(
        name, (reading("onset", at, "s", end=3600.0), reading("early_modulus", spread(early, k + 1), "Pa"))
    )


def contrast(name: str, value: float, k: int, unit: str = "1", kind: str = "decline") -> Contrast:
    x = spread(value, k)
    return Contrast(name, kind, name, "base", "other", Estimate.from_samples(x, unit), x)


@pytest.fixture(scope="module")
def assay() -> AssayDocument:
    return load_assay((files("stanch.virtual") / "demo" / "assay.toml").read_text(encoding="utf-8"), "assay.toml")


def run(
    assay: AssayDocument,
    *,
    low: float = 6.0,
    neutralised: float = 6.0,
    early: float = 800.0,
    fibrin: float = 200.0,
    retention: float = 0.99,
    shared: float = 0.03,
    total: float | None = None,
    base: float = 2.0,
    leave_out: tuple[str, ...] = (),
    signs: tuple[QualitySign, ...] = (),
) -> tuple[dict[str, Finding], tuple[str, ...], tuple[str, ...]]:
    """A run of the demo assay; all readings inside their limits unless told otherwise."""
    wells = [
        well("low", low * MIN, early, 0),
        well("low + neutraliser", neutralised * MIN, early, 2),
        well("base", base * MIN, early, 4),
        well("base + blocker", 2.2 * MIN, fibrin, 6),
        well("base + antifibrinolytic", 2.0 * MIN, early, 8),
        well("base + both", 2.2 * MIN, fibrin, 9),
    ]
    contrasts = [
        contrast("heparin effect", low / neutralised if np.isfinite(low) else 5.0, 0, kind="ratio"),
        contrast("fibrin modulus", fibrin, 6, "Pa", "difference"),
        contrast("platelet modulus", early - fibrin, 4, "Pa", "difference"),
        contrast("platelet share", (early - fibrin) / early, 4, kind="share"),
        contrast("retention", retention, 10),
        contrast("retention, platelets blocked", retention, 11),
        contrast("total retention", retention if total is None else total, 7),
        contrast("excess loss rate", 1e-5, 10, "1/min"),
        contrast("shared decline", shared, 9),
    ]
    kept = [w for w in wells if w.well not in leave_out]
    found, not_assessed, cannot_see = evaluate(assay, kept, [c for c in contrasts if c.name not in leave_out], signs)
    assert len({f.key for f in found}) == len(found)
    return {f.key: f for f in found}, not_assessed, cannot_see


def outcomes(found: dict[str, Finding]) -> dict[str, str]:
    return {key: f.outcome for key, f in found.items() if f.group != "quality"}


def test_a_run_inside_its_limits_supports_nothing(assay: AssayDocument) -> None:
    found, not_assessed, cannot_see = run(assay)
    assert set(outcomes(found).values()) == {"does_not_support"}
    assert [f.outcome for f in found.values() if f.group == "quality"] == ["does_not_support"] * 3
    assert not_assessed == assay.not_assessed
    assert cannot_see == assay.cannot_see


@pytest.mark.parametrize(
    ("changes", "supported"),
    [
        ({"low": 15.0}, {"heparin_effect"}),
        ({"low": np.inf}, {"heparin_effect"}),
        ({"low": 15.0, "neutralised": 14.0}, {"late_in_both"}),
        ({"early": 300.0, "fibrin": 50.0}, {"fibrin_part_low", "platelet_part_low"}),
        ({"early": 400.0, "fibrin": 50.0}, {"fibrin_part_low"}),
        ({"early": 400.0, "fibrin": 150.0}, {"platelet_part_low"}),
        ({"fibrin": 50.0}, set()),
        ({"retention": 0.7}, {"lysis"}),
        ({"retention": 0.7, "shared": 0.3}, {"lysis"}),
        ({"shared": 0.3}, {"parallel_decline"}),
        ({"retention": 0.2}, {"lysis", "total_lysis"}),
        ({"total": 0.3}, {"total_lysis"}),
        ({"base": np.inf}, {"lysis_before_onset"}),
    ],
)
def test_causes_are_told_apart(assay: AssayDocument, changes: dict[str, float], supported: set[str]) -> None:
    found, _, _ = run(assay, **changes)  # type: ignore[arg-type]
    assert {key for key, outcome in outcomes(found).items() if outcome == "supports"} == supported
    assert {key for key, outcome in outcomes(found).items() if outcome not in ("supports", "does_not_support")} == set()


def test_findings_come_in_order_and_name_limits_and_sources(assay: AssayDocument) -> None:
    found, _, _ = run(assay, low=15.0)
    groups = [GROUPS.index(f.group) for f in found.values()]  # type: ignore[arg-type]
    assert groups == sorted(groups)
    heparin = found["heparin_effect"]
    assert [(e.of, e.well, e.limit) for e in heparin.evidence] == [
        ("onset", "low", "above the decision limit (3.0 to 9.5 min)"),
        ("onset", "low + neutraliser", "not above the decision limit (3.0 to 9.5 min)"),
    ]
    assert {e.source for e in heparin.evidence} == {"invented for the demo"}
    assert heparin.probability is not None
    assert heparin.probability > 0.99
    assert not heparin.approved


def test_probability_is_joint(assay: AssayDocument) -> None:
    # Both parts rest on the same samples: half of them lie beyond the limit together, not a quarter.
    x = np.where(np.arange(N) % 2 == 0, 400.0, 500.0)
    base = WellReadings("base", (reading("early_modulus", x, "Pa"),))
    y = np.where(np.arange(N) % 2 == 0, 50.0, 150.0)
    fibrin = Contrast("fibrin modulus", "difference", "early_modulus", "base", "b", Estimate.from_samples(y, "Pa"), y)
    found, _, _ = evaluate(assay, [base], [fibrin], ())
    finding = next(f for f in found if f.key == "fibrin_part_low")
    assert finding.probability == pytest.approx(0.5, abs=1e-12)
    assert finding.outcome == "undecided"
    assert finding.text == "Leaves a low fibrin part of a low early modulus open."


def test_run_that_ended_before_the_limit_leaves_the_finding_open(assay: AssayDocument) -> None:
    short = np.full(N, np.inf)
    low = WellReadings("low", (reading("onset", short, "s", end=300.0),))
    neutralised = WellReadings("low + neutraliser", (reading("onset", spread(200.0, 2), "s"),))
    found, _, _ = evaluate(assay, [low, neutralised], [], ())
    finding = next(f for f in found if f.key == "heparin_effect")
    assert finding.outcome == "undecided"
    assert finding.probability is None
    assert "ended before the limit" in finding.why


@pytest.mark.parametrize(
    ("changes", "pair", "silent"),
    [
        ({"low": 5.0, "neutralised": 8.0}, "pair: neutraliser pair", {"heparin_effect", "late_in_both"}),
        ({"fibrin": 1200.0}, "pair: blocker pair", {"fibrin_part_low", "platelet_part_low"}),
        (
            {"retention": 1.2},
            "pair: antifibrinolytic pair",
            {"lysis", "total_lysis", "lysis_before_onset", "parallel_decline"},
        ),
    ],
)
def test_a_broken_pair_constraint_silences_what_rests_on_the_pair(
    assay: AssayDocument, changes: dict[str, float], pair: str, silent: set[str]
) -> None:
    found, not_assessed, _ = run(assay, **changes)  # type: ignore[arg-type]
    assert found[pair].outcome == "supports"
    assert "wells exchanged, or a reagent omitted or faulty; no finding from that pair" in found[pair].text
    assert {key for key, f in found.items() if f.suppressed} == silent
    for key in silent:
        assert "breaks its constraint" in found[key].why
        assert any(found[key].why in line for line in not_assessed)


def test_a_constraint_within_its_tolerance_is_kept(assay: AssayDocument) -> None:
    found, _, _ = run(assay, low=6.0, neutralised=6.3)
    assert found["pair: neutraliser pair"].outcome != "supports"


def blocked_pair(
    assay: AssayDocument, at_base: tuple[NDArray[np.float64], NDArray[np.float64]] | None, blocked: WellReadings
) -> Finding:
    """The constraint of the blocker pair, with a contrast that hands on both wells at the base well's onset or not."""
    base = well("base", 2.0 * MIN, 800.0, 4)
    x = spread(0.7, 6)
    share = Contrast(
        "platelet share",
        "share",
        "early_modulus",
        "base",
        "base + blocker",
        Estimate.from_samples(x, "1"),
        x,
        at_base=at_base,
    )
    found, _, _ = evaluate(assay, [base, blocked], [share], ())
    return next(f for f in found if f.key == "pair: blocker pair")


def test_a_well_that_never_sets_is_held_to_its_pair_at_the_base_wells_onset(assay: AssayDocument) -> None:
    never = WellReadings(
        "base + blocker",
        (
            reading("onset", np.full(N, np.inf), "s", end=3600.0),
            Reading("early_modulus", Estimate.unavailable("Pa", "never set"), np.empty(0)),
        ),
    )
    assert blocked_pair(assay, None, never).outcome == "suppressed"
    weak = blocked_pair(assay, (spread(800.0, 5), np.full(N, 8.0)), never)
    assert weak.outcome == "does_not_support"
    assert weak.evidence[0].limit == ("early_modulus of base + blocker above that of base, both at the onset of base")
    # Held to the base well: beyond it the pair is broken though the well has no early modulus of its own.
    strong = blocked_pair(assay, (spread(4.0, 5), np.full(N, 8.0)), never)
    assert strong.outcome == "supports"


def test_a_late_blocked_well_is_not_compared_at_its_own_onset(assay: AssayDocument) -> None:
    late = well("base + blocker", 20.0 * MIN, 900.0, 6)
    own = blocked_pair(assay, None, late)
    assert own.outcome == "supports"
    assert own.evidence[0].limit.endswith("that of base, each at its own onset")
    assert blocked_pair(assay, (spread(800.0, 5), spread(700.0, 6)), late).outcome == "does_not_support"


def test_the_systematic_part_does_not_part_a_pair_at_one_onset(assay: AssayDocument) -> None:
    """It is common to the run: a well of its own unknown part takes that of the base well."""
    base = WellReadings(
        "base",
        (reading("onset", spread(120.0, 4), "s"), reading("early_modulus", spread(800.0, 5), "Pa", systematic=0.5)),
    )
    pair = (np.full(N, 100.0), np.full(N, 104.0))
    x = spread(0.7, 6)
    made = Contrast(
        "c", "share", "early_modulus", "base", "base + blocker", Estimate.from_samples(x, "1"), x, at_base=pair
    )
    found, _, _ = evaluate(assay, [base], [made], ())
    constraint = next(f for f in found if f.key == "pair: blocker pair")
    # 4 % above is within the tolerance of 5 % on every sample, and half of them would not be without that.
    assert constraint.probability is not None
    assert constraint.probability < 0.01


def test_other_findings_of_a_well_of_a_broken_pair_carry_a_caution(assay: AssayDocument) -> None:
    found, _, _ = run(assay, fibrin=1200.0, retention=0.7)
    assert found["lysis"].outcome == "supports"
    assert "belongs to the blocker pair, which is at fault" in found["lysis"].caution


def test_a_missing_well_suppresses_and_says_why(assay: AssayDocument) -> None:
    found, not_assessed, _ = run(assay, leave_out=("low + neutraliser", "heparin effect"))
    assert found["heparin_effect"].suppressed
    assert "The well low + neutraliser is missing" in found["heparin_effect"].why
    assert found["pair: neutraliser pair"].suppressed
    assert any(line.startswith("The well low + neutraliser") for line in not_assessed)
    assert "heparin effect: not computed." in not_assessed
    assert found["lysis"].outcome == "does_not_support"


def test_an_unavailable_contrast_suppresses_and_says_why(assay: AssayDocument) -> None:
    found, _not_assessed, _ = run(assay, leave_out=("retention",))
    assert found["lysis"].suppressed
    assert found["lysis"].why == "There is no retention in this run."
    why = "The curves have too little clot age in common."
    gone = Contrast("retention", "decline", "retention", "base", "o", Estimate.unavailable("1", why), np.empty(0))
    _, lines, _ = evaluate(assay, [], [gone], ())
    assert f"retention: {why}" in lines


@pytest.mark.parametrize(("refused", "silent"), [("base + antifibrinolytic", 4), ("", 8)])
def test_poor_quality_suppresses_what_rests_on_the_well(assay: AssayDocument, refused: str, silent: int) -> None:
    sign = QualitySign("bubble", refused, "refuse_well", "A bright echo.")
    found, _, _ = run(assay, low=15.0, retention=0.7, signs=(sign,))
    suppressed = [f for f in found.values() if f.suppressed and f.group != "quality"]
    assert len(suppressed) == silent
    assert all("A bright echo." in f.why for f in suppressed)
    assert any(key.startswith("refused: ") for key in found)


def test_a_flag_alone_does_not_suppress(assay: AssayDocument) -> None:
    found, _, _ = run(assay, retention=0.7, signs=(QualitySign("strain", "base", "flag", "Strain."),))
    assert found["lysis"].outcome == "supports"


TWO_RULES = """schema = "stanch.assay/1"
name = "t"
onset_modulus = "20 Pa"
hold = "8 min"
follow = "30 min"
[[limit]]
of = "onset"
well = "a"
kind = "decision"
low = "4 min"
high = "5 min"
source = "test"
[[rule]]
key = "first"
group = "heparin"
about = "one thing"
text = "Supports one thing."
when = [{ of = "onset", well = "a", is = "above", limit = "decision" }]
minimum_probability = "90 %"
approved_by = "a person"
evidence = "a report"
contradicts = [CONTRADICTS]
[[rule]]
key = "second"
group = "lysis"
about = "another thing"
text = "Supports another thing."
when_any = [
  { of = "onset", well = "a", is = "above", limit = "decision" },
  { of = "onset", well = "b", is = "below", limit = "decision" },
]
minimum_probability = "90 %"
depends_on = ["first"]
[[limit]]
of = "onset"
well = "b"
kind = "decision"
low = "4 min"
source = "test"
"""


def two_rules(contradicts: str = "") -> AssayDocument:
    return load_assay(TWO_RULES.replace("CONTRADICTS", contradicts), "t")


def late(name: str, minutes: float) -> WellReadings:
    return WellReadings(name, (reading("onset", spread(minutes * MIN, 1), "s"),))


def test_either_condition_is_enough_in_when_any() -> None:
    found, _, _ = evaluate(two_rules(), [late("a", 4.5), late("b", 3.0)], [], ())
    assert [f.outcome for f in found] == ["does_not_support", "supports"]
    assert [f.approved for f in found] == [True, False]


def test_contradicting_findings_are_both_suppressed() -> None:
    found, _, _ = evaluate(two_rules('"second"'), [late("a", 9.0), late("b", 9.0)], [], ())
    assert [f.outcome for f in found] == ["suppressed", "suppressed"]
    assert found[0].why == "It contradicts the finding second."
    assert "It contradicts the finding first." in found[1].why


def test_what_depends_on_a_suppressed_finding_is_suppressed() -> None:
    found, _, _ = evaluate(two_rules(), [late("b", 3.0)], [], ())
    assert found[1].suppressed
    assert "depends on the finding first" in found[1].why
    assert found[1].depends_on == ("first",)


def test_groups_without_a_rule_and_a_silent_document_are_told() -> None:
    _, not_assessed, cannot_see = evaluate(two_rules(), [late("a", 4.0), late("b", 9.0)], [], ())
    assert "This assay has no rule on fibrin." in not_assessed
    assert cannot_see == CANNOT_SEE
    assert len(CANNOT_SEE) == 5


def test_provisional_readings_make_a_caution() -> None:
    x = spread(9 * MIN, 1)
    a = WellReadings("a", (reading("onset", x, "s", status="provisional"),))
    found, _, _ = evaluate(two_rules(), [a, late("b", 9.0)], [], ())
    assert found[0].outcome == "supports"
    assert "Provisional" in found[0].caution


def test_systematic_error_widens_the_probability_reproducibly() -> None:
    x = spread(5.2 * MIN, 1, 0.001)
    sharp = WellReadings("a", (reading("onset", x, "s"),))
    wide = WellReadings("a", (reading("onset", x, "s", systematic=0.05),))
    first, second, third = (
        evaluate(two_rules(), [w, late("b", 9.0)], [], (), seed=4)[0][0] for w in (sharp, wide, wide)
    )
    assert first.probability is not None
    assert second.probability is not None
    assert first.probability > 0.99
    # ln(5.2/5)/0.05 = 0.784 SD: 0.783; four binomial standard errors of 400 samples are 0.082.
    assert abs(second.probability - 0.783) < 0.082
    assert second == third


def test_words_claim_no_disease_and_no_treatment(assay: AssayDocument) -> None:
    texts = []
    for changes in ({}, {"low": 15.0}, {"low": 15.0, "neutralised": 14.0}, {"retention": 0.7}, {"fibrin": 1200.0}):
        found, not_assessed, _ = run(assay, **changes)  # type: ignore[arg-type]
        texts += [f"{f.text} {f.caution} {f.why}" for f in found.values()] + list(not_assessed)
    for text in texts:
        assert (
            re.search(r"\b(dose|diagnos\w*|disease|treat\w*|therapy|transfus\w*|patient has)\b", text, re.I) is None
        ), text
    for text in texts[:9]:
        assert re.match(r"(Supports|Does not support|Leaves|No statement)", text) is not None
