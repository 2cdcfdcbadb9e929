"""Definitions and standing warnings of the reference-limits protocol, each with its source."""

from __future__ import annotations

from stanch.verify.records import Definition

__all__ = ["METHODS", "NOT_DECISION_LIMITS", "OUTLIER_RULES", "OWN", "PARTITION", "TRANSFER"]

NOT_DECISION_LIMITS = (
    "Reference limits describe the people they were taken from. They are not decision limits: a value outside them is "
    "not a disease, a value inside them not the absence of one."
)

OWN = (
    Definition(
        "reference limit",
        "A quantile of the values of people chosen as reference, such as the 2.5 % and the 97.5 % quantile.",
        "Solberg HE. J Clin Chem Clin Biochem 25:645-656 (1987), from memory",
    ),
    Definition(
        "relative width",
        "Width of the interval of a limit over the distance between both limits; for a single limit, over twice its "
        "distance from the median.",
        "common practice, no source",
    ),
)

METHODS = {
    "non-parametric": Definition(
        "method of ranks",
        "The value of rank p (n + 1), between neighbours by a straight line. The interval runs between two ordered "
        "values whose ranks follow from the binomial distribution, exactly, whatever the shape of the distribution.",
        "common practice; the ranks were worked out here from the binomial distribution",
    ),
    "bootstrap": Definition(
        "bootstrap of the ranks",
        "Mean and percentiles of the quantile of rank p (n + 1) over samples drawn with replacement.",
        "Efron B, Tibshirani RJ. An Introduction to the Bootstrap (1993), from memory",
    ),
    "robust": Definition(
        "robust limits",
        "Biweight location (c = 3.7) plus and minus Student's t times the root of the squared biweight scale "
        "(c = 205.6, about the median) and squared error of the location; intervals by bootstrap percentiles. For "
        "symmetric distributions.",
        "Horn PS, Pesce AJ, Copeland BE. Clin Chem 44:622-631 (1998), from memory",
    ),
    "normal": Definition(
        "normal limits",
        "Mean plus z standard deviations; intervals from the non-central t distribution, exact when the values are "
        "normal.",
        "common practice, no source",
    ),
    "box-cox": Definition(
        "Box-Cox limits",
        "Mean plus z standard deviations after the power transformation of greatest likelihood, transformed back; the "
        "intervals include the uncertainty of the exponent.",
        "Box GEP, Cox DR. J R Stat Soc B 26:211-252 (1964), from memory",
    ),
}

OUTLIER_RULES = (
    Definition(
        "rule of a third",
        "The outermost value is flagged when its gap to the next one is at least a third of the range.",
        "Reed AH, Henry RJ, Mason WB. Clin Chem 17:275-284 (1971), from memory",
    ),
    Definition(
        "fences",
        "Values further than 1.5 times the distance between the quartiles beyond a quartile are flagged.",
        "Tukey JW. Exploratory Data Analysis (1977), from memory",
    ),
    Definition(
        "fences after transformation",
        "The same after Box-Cox transformation.",
        "Horn PS, Feng L, Li Y, Pesce AJ. Clin Chem 47:2137-2145 (2001), from memory",
    ),
)

PARTITION = (
    Definition(
        "critical z",
        "Groups call for separate limits when the difference of their means over its standard error exceeds 3 at 120 "
        "people per group, in proportion to the root of the mean group size.",
        "Harris EK, Boyd JC. Clin Chem 36:265-270 (1990), from memory",
    ),
    Definition(
        "ratio of standard deviations",
        "Groups call for separate limits when the larger standard deviation is more than 1.5 times the smaller one.",
        "Harris EK, Boyd JC. Clin Chem 36:265-270 (1990), from memory",
    ),
    Definition(
        "share outside shared limits",
        "Where 2.5 % are meant, a group with at most 0.9 % or at least 4.1 % outside a shared limit calls for separate "
        "limits; between 1.8 % and 3.2 % the shared ones will do.",
        "Lahti A et al. Clin Chem 50:891-900 (2004), from memory",
    ),
)

TRANSFER = (
    Definition(
        "transference check",
        "Reference individuals of the laboratory itself, twenty by custom; the limits are accepted with at most two of "
        "them outside. With three or four a second set is tried, which must have at most two; with more the limits "
        "are rejected.",
        "common practice, no source",
    ),
    Definition(
        "operating curve",
        "Probability of acceptance against the true share of people outside, exact binomial.",
        "worked out here",
    ),
)
