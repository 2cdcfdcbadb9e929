"""The question of the protocol, and what its words mean."""

from __future__ import annotations

from stanch.verify.records import Definition

QUESTION = "How uncertain is a reading, and what makes it so?"

GUM = "JCGM 100:2008 (freely readable), clauses from memory"
GUM_1 = "JCGM 101:2008 (freely readable), clauses from memory"
DEFINITIONS = (
    Definition("standard uncertainty", "The uncertainty of a value as one standard deviation.", GUM),
    Definition("sensitivity", "Change of the result per change of an input.", GUM),
    Definition(
        "effective degrees of freedom",
        "By Welch and Satterthwaite from those of the inputs; kept fractional unless truncation is asked for.",
        GUM,
    ),
    Definition("expanded uncertainty", "Coverage factor times combined standard uncertainty.", GUM),
    Definition(
        "random trials",
        "All inputs drawn jointly from their distributions and carried through the model, with as many trials as the "
        "digits asked for need.",
        GUM_1,
    ),
    Definition(
        "agreement of first order and trials",
        "Both ends of the interval lie within half a unit of the last digit that counts.",
        GUM_1,
    ),
    Definition(
        "random and systematic",
        "Random inputs take another value at the next run; systematic ones keep theirs and do not average out.",
        "common practice, no source",
    ),
)
