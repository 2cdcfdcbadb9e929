"""What the account says: design, definitions and warnings."""

from __future__ import annotations

from typing import Any

from stanch.verify.hold.study import HoldStudy
from stanch.verify.records import Definition
from stanch.verify.words import counted

INFLATED = (
    "The correlation of early value and plateau is inflated: the early value is part of the same curve, so some of it "
    "is the plateau compared with itself, and it grows with the spread of the samples. Judge by the prediction error."
)


def design(found: list[tuple[str, HoldStudy]], s: dict[str, Any]) -> tuple[str, ...]:
    """Which curves, and how they were analysed."""
    curves, donors = sum(o.curves for _, o in found), max(o.donors for _, o in found)
    folds = (
        "every donor predicted by all others (ten folds beyond 200 donors)" if not s["folds"] else f"{s['folds']} folds"
    )
    return (
        f"{curves} curves with a plateau, {sum(o.open for _, o in found)} of them still rising; up to {donors} donors "
        f"in {counted(len(found), 'group')}; holds {min(s['holds']):g} to {max(s['holds']):g} min.",
        f"Logarithm of the plateau on that of the early reading, {folds}; rising plateaus enter by their likelihood.",
        "Errors relative to the plateau: quantiles that assume no distribution where every plateau was reached, else "
        "by the likelihood of normal logarithmic errors; intervals by donor.",
    )


def definitions(s: dict[str, Any]) -> tuple[Definition, ...]:
    """What the words mean under these settings."""
    own = "own definition"
    return (
        Definition(
            "onset",
            f"First time at or above {s['onset_modulus']:g} {s['unit']} throughout {s['dwell']:g} s."
            if s["design"] == "curves"
            else "As the table states it.",
            own,
        ),
        Definition(
            "plateau",
            "Highest 2-min mean, reached when the run goes on for 10 min after it or grew less than 2 % over its last "
            "10 min; else still rising. Entry: first time at 95 % of it."
            if s["design"] == "curves"
            else "As the table states it; >x is still rising.",
            own,
        ),
        Definition(
            "prediction error",
            "Predicted over found plateau minus 1, the prediction made without the curve's donor.",
            "Out-of-sample validation: Stone M. J R Stat Soc B 36:111-147 (1974), from memory",
        ),
        Definition(
            "error over that of guessing the mean",
            "RMS error of the prediction over that of predicting every plateau by the mean of the other donors'.",
            own,
        ),
        Definition(
            "rising plateaus",
            "Normal likelihood of being above the bound, in the fit and in the errors; Kaplan-Meier in the time "
            "saved. Right when a bound tells nothing about its plateau except that it lies above.",
            "Tobin J. Econometrica 26:24-36 (1958); Kaplan EL, Meier P. J Am Stat Assoc 53:457-481 (1958); from memory",
        ),
        Definition(
            "interval of an error",
            "Order statistics, with the number of curves reduced to its effective size where donors have several; "
            "with rising plateaus, a chi-square interval with degrees of freedom from the larger of the likelihood's "
            "and the resampled donors' standard errors, less two for the line over the share of plateaus reached.",
            "Woodruff RS. J Am Stat Assoc 47:635-646 (1952), from memory; with rising plateaus own definition",
        ),
        Definition("kappa", "Agreement beyond chance.", "Cohen J. Educ Psychol Meas 20:37-46 (1960), from memory"),
    )


def warnings_of(found: list[tuple[str, HoldStudy]], s: dict[str, Any]) -> tuple[str, ...]:
    """What the reader must know before using the numbers."""
    out = [INFLATED]
    for name, one in found:
        where = f" ({name})" if len(found) > 1 else ""
        if one.skipped:
            holds = ", ".join(f"{h:g}" for h in sorted(one.skipped))
            out.append(f"Too few curves for an upper limit of the 90 % error at {holds} min{where}: passed over.")
        if one.open > 0.3 * one.curves:
            out.append(f"{one.open} of {one.curves} plateaus were still rising{where}: longer runs would tell more.")
        if one.open:
            out.append(
                f"Rising plateaus{where}: limits of the error take its logarithm as normal. Where 95 % were stated, "
                "the upper one held the truth in 94 to 98 % of 2000 simulated studies of each of 20 kinds (12 to 60 "
                "donors, one or two curves each, 10 to 50 % rising), and in 93 % where errors had heavy tails (t with "
                "5 degrees of freedom)."
            )
        for h in one.holds:
            if h.accuracy is None:
                out.append(f"Hold {h.hold:g} min{where}: {h.why}")
    if s["allowed"] is None:
        out.append("No allowed error was stated, so no hold is claimed.")
    if not s["donor"]:
        out.append("No donor was named: every sample counts as a donor of its own.")
    return tuple(out)
