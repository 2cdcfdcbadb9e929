"""What the account of the rounds says."""

from __future__ import annotations

from typing import Any

from stanch.verify.records import Definition

STANDARD = "NIST Dataplot Reference Manual, scores after ISO 13528 (read); the standard itself was not read"
TREATMENT = {
    "refuse": "Scores need numbers: bounds are refused; --censored leave-out leaves them out.",
    "leave-out": "Bounds are left out and counted; the consensus of the rest is then biased away from them.",
}
DEFINITIONS = (
    Definition(
        "assigned value", "The value a result is held against: stated, or the consensus of the round.", STANDARD
    ),
    Definition("z", "(result − assigned value)/standard deviation for assessment.", STANDARD),
    Definition(
        "z′",
        "As z, with the standard uncertainty of the assigned value added in squares; for one above 0.3 sigma "
        "(from memory).",
        STANDARD,
    ),
    Definition("zeta", "(result − assigned value)/root of both standard uncertainties in squares.", STANDARD),
    Definition("E_n", "As zeta with expanded uncertainties; below 1 in size is wanted.", STANDARD),
    Definition(
        "algorithm A",
        "Mean and standard deviation of results pulled in to 1.5 robust standard deviations, iterated until both stay. "
        "The uncertainty of that mean is 1.25 standard deviations over the root of the number of results.",
        "ISO 13528:2015, Annex C, from memory; Huber's proposal 2",
    ),
    Definition(
        "criteria",
        "Beyond the first a warning, from the second on action; 2 and 3 unless stated otherwise. E_n has one: "
        "from 1 on, action.",
        STANDARD,
    ),
)


def assigned_words(s: dict[str, Any]) -> str:
    """Where the assigned value comes from."""
    if s["assigned"]:
        return f"column {s['assigned']}"
    return f"stated, {s['assigned_value']:g}" if s["assigned_value"] is not None else f"consensus by {s['consensus']}"


def sigma_words(s: dict[str, Any]) -> str:
    """Where the standard deviation for assessment comes from."""
    if s["sigma"] is not None:
        return f"stated, {s['sigma']:g} {s['unit']}".strip()
    if s["sigma_percent"] is not None:
        return f"{s['sigma_percent']:g} % of the assigned value"
    return "the spread of the round itself, which grows with its scatter"


WORDS = {"z": "z", "z-prime": "z′", "zeta": "zeta", "en": "E_n"}


def criteria_of(s: dict[str, Any]) -> tuple[float | None, float]:
    """Size of the judged score beyond which there is a warning, and from which there is action."""
    return (None, 1.0) if s["score"] == "en" else (s["warn"], s["act"])
