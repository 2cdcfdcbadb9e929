"""Reference limits: ranks, robust, normal, Box-Cox and bootstrap; outliers, partitioning, transference.

A reference limit describes the people it was taken from. It is not a decision limit.
"""

from stanch.verify.quantile_ranks import least_size, rank_interval
from stanch.verify.reference_limits.bootstrap import bootstrap_limits
from stanch.verify.reference_limits.limits import ReferenceLimits, Side
from stanch.verify.reference_limits.normal import normal_limits
from stanch.verify.reference_limits.outliers import Outliers, dixon_reed, horn, tukey
from stanch.verify.reference_limits.partition import (
    GroupDifference,
    SharedOutside,
    group_difference,
    outside_shared_limits,
)
from stanch.verify.reference_limits.ranks import nonparametric_limits
from stanch.verify.reference_limits.robust import biweight, robust_limits
from stanch.verify.reference_limits.transfer import Transference, chance_of_acceptance, transference
from stanch.verify.reference_limits.transform import BoxCox, box_cox, box_cox_limits

__all__ = [
    "BoxCox",
    "GroupDifference",
    "Outliers",
    "ReferenceLimits",
    "SharedOutside",
    "Side",
    "Transference",
    "biweight",
    "bootstrap_limits",
    "box_cox",
    "box_cox_limits",
    "chance_of_acceptance",
    "dixon_reed",
    "group_difference",
    "horn",
    "least_size",
    "nonparametric_limits",
    "normal_limits",
    "outside_shared_limits",
    "rank_interval",
    "robust_limits",
    "transference",
    "tukey",
]
