"""The terminal summary, and the rounding it shares with the report."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stanch.estimate import Estimate
from stanch.report.lines import without_value
from stanch.report.numbers import bare, number, percent, show
from stanch.report.text import summary
from stanch.report.view import view


@pytest.mark.parametrize(
    ("value", "low", "high", "shown"),
    [
        (512.345, 500.0, 525.0, "512"),
        (0.71234, 0.70, 0.73, "0.712"),
        (7.3456, 7.0, 7.7, "7.35"),
        (1234.5, 1000.0, 1500.0, "1234"),
        (3.14159, None, None, "3.142"),
        (0.0, None, None, "0"),
        (5.0, 5.0, 5.0, "5.000"),
    ],
)
def test_rounding_keeps_two_digits_of_the_half_width(
    value: float, low: float | None, high: float | None, shown: str
) -> None:
    assert show(value, low, high) == shown


def test_numbers_of_every_status() -> None:
    assert number("", Estimate(2.0, 1.0, 3.0, "Pa")).interval == "1.0 to 3.0"
    assert number("", Estimate(None, 60.0, None, "min", "above", why="x")).value.startswith("above 60")
    assert number("", Estimate(None, None, 0.2, "min", "below", why="x")).value.startswith("below 0.2")
    assert number("", Estimate.unavailable("Pa", "no")).value == "unavailable"
    liquid = number("", Estimate(None, 0.0, 0.4, "Pa"))
    assert (liquid.value, liquid.interval) == ("below 0.40", "0.00 to 0.40")
    opened = number("", Estimate(50.0, 40.0, None, "min", why="open"))
    assert opened.interval.endswith("to open")
    assert number("", Estimate(2.0, 1.0, 3.0, "1", systematic=0.031)).systematic == "3.1 %"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(12.3456, "12.35"), (0.0, "0"), (2e-9, "< 0.001"), (-1e-5, "> -0.001"), (0.0057, "0.005700"), (100.0, "100.0")],
)
def test_a_number_without_interval_has_four_digits_unless_it_is_next_to_nothing(value: float, shown: str) -> None:
    assert bare(value) == shown
    assert number("", Estimate(value, None, None, "%")).value == shown


def test_readings_without_a_value_say_why_once_for_wells_alike() -> None:
    found = [("a", "Onset", "cold"), ("b", "Onset", "cold"), ("a", "Plateau", "short")]
    assert without_value(found, ["a", "b"]) == ["  Onset of every well: cold", "  Plateau of a: short"]
    assert without_value(found, ["a", "b", "c"])[0] == "  Onset of a, b: cold"
    assert without_value([], ["a"]) == []


def test_probabilities_never_read_as_certain() -> None:
    assert [percent(p) for p in (None, 0.001, 0.004, 0.5, 0.996, 0.9999)] == [
        "left open",
        "below 1 %",
        "below 1 %",
        "50 %",
        "above 99 %",
        "above 99 %",
    ]


def test_summary_tells_readings_findings_quality_and_cautions(result: Any) -> None:
    text = summary(result)
    for part in (
        "[demo data]" if "demo" not in result.sample.sample else "demo data",
        "unapproved rules",
        "given measurement error",
        "Supports a heparin effect",
        "Not assessed",
        "This assay cannot see",
        "Not a medical device",
        "heparin effect",
        "16.34",
    ):
        assert part in text
    assert max(map(len, text.splitlines())) <= 120


def test_summary_without_assay_says_that_readings_need_one(result: Any) -> None:
    wells = tuple(replace(w, readings=None) for w in result.wells)
    bare = replace(result, wells=wells, contrasts=(), findings=(), assay_name=None, assay_text=None)
    text = summary(bare)
    assert "Readings need an assay document: add --assay FILE." in text
    assert "pushes: 120 of 120 usable" in text


def test_names_cannot_steer_the_terminal(result: Any) -> None:
    sample = replace(result.sample, sample="a\u001b[2Jb\u0007")
    assert "\u001b" not in summary(replace(result, sample=sample))


def test_view_marks_demo_data_and_unapproved_rules(result: Any) -> None:
    found = view(result)
    assert found.demo
    assert found.unapproved == "unapproved rules"
    approved = tuple(replace(f, approved=True) for f in result.findings)
    assert view(replace(result, findings=approved)).unapproved == ""


def test_unknown_facts_are_said_to_be_unknown(result: Any) -> None:
    facts = dict(view(result).facts)
    assert facts["Tube"] == "unknown"
    assert facts["Haematocrit"] == "27 %"
    assert dict(view(replace(result, sample=replace(result.sample, drugs=()))).facts)["Drugs given"] == "none"
