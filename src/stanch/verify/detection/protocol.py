"""The detection protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

from stanch.verify.detection._calibration import from_calibration
from stanch.verify.detection._classical import classical
from stanch.verify.detection._lysis import from_lysis
from stanch.verify.detection._probit import from_hit_rates
from stanch.verify.detection._quantitation import from_variation
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]

QUESTION = "What is the smallest amount, or the slowest lysis, that is told from none?"
DESIGNS = {
    "classical": classical,
    "probit": from_hit_rates,
    "quantitation": from_variation,
    "calibration": from_calibration,
    "lysis": from_lysis,
}

# Slopes of many pushes are close to normal, and pairs are dear; blanks of a concentration are often cut off at zero.
METHODS = {"classical": "non-parametric", "lysis": "parametric"}


def _run(table: Table, **given: Any) -> Account:
    if given["method"] is None and given["design"] in METHODS:
        given["method"] = METHODS[given["design"]]
    return DESIGNS[given["design"]](table, given).account(QUESTION, given)


PROTOCOL = Protocol(
    "detection",
    QUESTION,
    "One result per row with its kind (blank or low); or hit counts, a calibration, SDs by level, or loss rates.",
    (
        Option("design", "choice", "Which limit and from what.", default="classical", choices=tuple(DESIGNS)),
        Option(
            "result",
            "column",
            "Column with the results; the signal of a calibration; the excess loss rate in %/min for lysis.",
            designs=("classical", "quantitation", "calibration", "lysis"),
        ),
        Option("kind", "column", "Column that tells blanks from low samples.", designs=("classical", "lysis")),
        Option("blank", "text", "Word for a blank there.", default="blank", designs=("classical", "lysis")),
        Option("low", "text", "Word for a low sample there.", default="low", designs=("classical", "lysis")),
        Option("sample", "column", "Column with the sample.", designs=("classical", "quantitation", "lysis")),
        Option("lot", "column", "Column with the reagent lot.", designs=("classical", "probit")),
        Option(
            "lots",
            "choice",
            "Each lot by itself and the largest limit, or all lots pooled.",
            default="largest",
            choices=("largest", "pooled"),
            designs=("classical", "probit"),
        ),
        Option(
            "method",
            "choice",
            "How the limit of blank is found; non-parametric for results, parametric for rates when left out.",
            choices=("non-parametric", "parametric"),
            designs=("classical", "lysis"),
        ),
        Option(
            "plain-factor",
            "flag",
            "Plain normal quantile in place of the small-sample factor.",
            default=False,
            designs=("classical", "lysis"),
        ),
        Option("alpha", "number", "Share of blanks allowed above the limit of blank.", default=0.05),
        Option("beta", "number", "Share that may be missed at the limit of detection.", default=0.05),
        Option(
            "concentration",
            "column",
            "Column with the concentration.",
            designs=("probit", "quantitation", "calibration"),
        ),
        Option("hits", "column", "Column with how many were detected, or 0 and 1.", designs=("probit",)),
        Option("trials", "column", "Column with how many were tested; 1 when left out.", designs=("probit",)),
        Option(
            "scale",
            "choice",
            "Probit line in the logarithm of the concentration or in the concentration.",
            default="log",
            choices=("log", "linear"),
            designs=("probit",),
        ),
        Option(
            "interval",
            "choice",
            "Interval of the probit limit.",
            default="profile",
            choices=("profile", "fieller", "delta"),
            designs=("probit",),
        ),
        Option("sd", "column", "Column with standard deviations.", designs=("quantitation", "lysis")),
        Option("df", "column", "Column with their degrees of freedom.", designs=("quantitation", "lysis")),
        Option("allowed-cv", "number", "Allowed coefficient of variation, in %.", designs=("quantitation",)),
        Option(
            "form",
            "choice",
            "Form of the variance function.",
            default="auto",
            choices=("auto", "constant", "proportional", "both", "power"),
            designs=("quantitation",),
        ),
        Option("readings", "count", "Readings averaged per sample.", default=1, designs=("calibration",)),
        Option("k", "number", "Level over half width of its interval.", default=3.0, designs=("calibration",)),
        Option("follow", "column", "Column with the follow time in min.", designs=("lysis",)),
        Option("follow-time", "number", "The laboratory's follow time in min; the longest.", designs=("lysis",)),
        Option("allowed-follow", "number", "Longest follow time the laboratory allows, in min.", designs=("lysis",)),
        Option("wanted-rate", "number", "Smallest rate that must be told from none, in %/min.", designs=("lysis",)),
        Option("allowed-offset", "number", "Allowed mean rate without lysis, in %/min.", designs=("lysis",)),
        Option("offset", "number", "Mean rate without lysis in %/min, with SDs.", default=0.0, designs=("lysis",)),
        Option("allowed-blank", "number", "Largest limit of blank allowed.", designs=("classical", "calibration")),
        Option(
            "allowed-detection",
            "number",
            "Largest limit of detection allowed.",
            designs=("classical", "probit", "calibration"),
        ),
        Option(
            "allowed-quantitation",
            "number",
            "Largest limit of quantitation allowed.",
            designs=("quantitation", "calibration"),
        ),
        Option(
            "confidence",
            "number",
            "Probability of the intervals; 0.9 makes each end a one-sided 95 % limit.",
            default=0.9,
        ),
        Option("unit", "text", "Unit of the results or concentrations.", default=""),
    ),
    _run,
)
