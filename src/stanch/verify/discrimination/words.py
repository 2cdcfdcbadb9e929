"""Definitions and standing warnings of the discrimination protocol, each with its source."""

from __future__ import annotations

from stanch.verify.records import Definition

__all__ = [
    "AREA",
    "COMPARISON",
    "CUT_OFF",
    "DECISION",
    "NOT_A_PROBABILITY",
    "PAIRED_DECISIONS",
    "PREVALENCE",
    "TREATMENT",
]

NOT_A_PROBABILITY = (
    "Everything here is about groups of people. Nothing here is the probability that one person has a disease, and "
    "nothing here says what to do about it."
)

PREVALENCE = (
    "Predictive values hold for the prevalence stated beside them and for no other; likelihood ratios and areas assume "
    "that the people studied are like those the reading is meant for."
)

TREATMENT = (
    "By rank: readings known only as bounds rank lowest or highest, tied with one another; where a bound leaves the "
    "order open the table is refused unless --censored common says that all readings beyond it count as the bound."
)

AREA = (
    Definition(
        "area under the curve",
        "Share of all pairs of a positive and a negative person in which the positive one has the reading further to "
        "the positive side; ties count one half.",
        "Bamber D. J Math Psychol 12:387-415 (1975), from memory",
    ),
    Definition(
        "DeLong's variance",
        "Variance of the area from the share of the other group each person leaves behind.",
        "DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 44:837-845 (1988), from memory",
    ),
    Definition(
        "intervals of the area",
        "Logit: symmetric on the log-odds scale, never beyond 0 or 1. Wald: symmetric, may pass 1. Score: every area "
        "within z of its own standard errors; it stands in where DeLong's variance is zero.",
        "Newcombe RG. Stat Med 25:559-573 (2006), from memory",
    ),
)

COMPARISON = Definition(
    "comparison of areas",
    "Same people: contrasts with DeLong's covariance, all together by chi-square. Separate people: difference over the "
    "root of the summed variances.",
    "DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 44:837-845 (1988), from memory",
)

CUT_OFF = (
    Definition(
        "cut-off by Youden's index",
        "The cut with the greatest sensitivity + specificity; of several, the one of greatest sensitivity.",
        "Youden WJ. Cancer 3:32-35 (1950), from memory",
    ),
    Definition(
        "corrected sensitivity and specificity",
        "A cut-off chosen in a sample does better there than elsewhere. The mean gain of bootstrap samples' own "
        "cut-offs over the same cut-offs in the full sample is taken off.",
        "Efron B, Tibshirani RJ. An Introduction to the Bootstrap (1993), from memory",
    ),
)

DECISION = (
    Definition(
        "likelihood ratio",
        "Share of the positive group with this decision over share of the negative group with it; interval by the "
        "standard error of the logarithm.",
        "Simel DL, Samsa GP, Matchar DB. J Clin Epidemiol 44:763-770 (1991), from memory",
    ),
    Definition(
        "predictive value",
        "Share of positive (negative) decisions that are right, at a stated prevalence.",
        "Mercaldo ND, Lau KF, Zhou XH. Stat Med 26:2170-2183 (2007), from memory",
    ),
)

PAIRED_DECISIONS = Definition(
    "McNemar's comparison",
    "Two decisions about the same people, compared on those where they differ.",
    "McNemar Q. Psychometrika 12:153-157 (1947), from memory",
)
