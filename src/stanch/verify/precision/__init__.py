"""Precision: variance components of nested and crossed designs, and the standard deviations made of them."""

from stanch.verify.precision.claim import ClaimCheck, ClaimedLevel, verification_limit, verify_claim
from stanch.verify.precision.components import ERROR, Analysis, Stratum, Total
from stanch.verify.precision.contrasts import ContrastPrecision, contrast_precision, contrast_values
from stanch.verify.precision.correlation import Intraclass, WithinSubjects, intraclass, within_subject_correlation
from stanch.verify.precision.crossed import crossed_anova
from stanch.verify.precision.fresh import FreshLevel, bands_of_donors, cv_from_log_sd, fresh_precision
from stanch.verify.precision.nested import degrees_at, nested_anova, one_way_from_summaries

__all__ = [
    "ERROR",
    "Analysis",
    "ClaimCheck",
    "ClaimedLevel",
    "ContrastPrecision",
    "FreshLevel",
    "Intraclass",
    "Stratum",
    "Total",
    "WithinSubjects",
    "bands_of_donors",
    "contrast_precision",
    "contrast_values",
    "crossed_anova",
    "cv_from_log_sd",
    "degrees_at",
    "fresh_precision",
    "intraclass",
    "nested_anova",
    "one_way_from_summaries",
    "verification_limit",
    "verify_claim",
    "within_subject_correlation",
]
