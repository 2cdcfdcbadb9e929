"""Discrimination: how well a reading tells two groups of people apart, and what a cut-off does.

Nothing here is a probability of disease for one patient.
"""

from stanch.verify.discrimination.accuracy import (
    Accuracy,
    accuracy,
    accuracy_of_counts,
    negative_predictive_value,
    positive_predictive_value,
    predictive_values,
)
from stanch.verify.discrimination.area import Area, area, area_interval
from stanch.verify.discrimination.compare import AreaContrasts, AreaDifference, compare_areas, compare_paired_areas
from stanch.verify.discrimination.curve import Curve, curve, sensitivity_band
from stanch.verify.discrimination.cutoff import CutOff, choose_cutoff, cutoff_uncertainty
from stanch.verify.discrimination.decisions import PairedDecisions, mcnemar, paired_decisions
from stanch.verify.discrimination.marks import Marks, marks

__all__ = [
    "Accuracy",
    "Area",
    "AreaContrasts",
    "AreaDifference",
    "Curve",
    "CutOff",
    "Marks",
    "PairedDecisions",
    "accuracy",
    "accuracy_of_counts",
    "area",
    "area_interval",
    "choose_cutoff",
    "compare_areas",
    "compare_paired_areas",
    "curve",
    "cutoff_uncertainty",
    "marks",
    "mcnemar",
    "negative_predictive_value",
    "paired_decisions",
    "positive_predictive_value",
    "predictive_values",
    "sensitivity_band",
]
