"""Do two methods agree? Lines with errors in both methods, differences, and bias at decision levels."""

from stanch.verify.agreement.amplitude import Subtraction, amplitude_to_modulus, subtracted
from stanch.verify.agreement.by_level import LevelLimits, limits_by_level
from stanch.verify.agreement.cusum import CusumTest, cusum_linearity
from stanch.verify.agreement.deming import deming, ratio_from_duplicates
from stanch.verify.agreement.differences import Differences, difference_values, limits_of_agreement
from stanch.verify.agreement.from_ranks import RankLimits, difference_bounds, limits_from_ranks
from stanch.verify.agreement.known_errors import KnownErrorsLine, known_errors
from stanch.verify.agreement.lines import StraightLine
from stanch.verify.agreement.ordinary import ordinary_line
from stanch.verify.agreement.passing_bablok import PassingBablokLine, passing_bablok
from stanch.verify.agreement.repeated import RepeatedDifferences, limits_with_repeats
from stanch.verify.agreement.weighted_deming import WeightedLine, weighted_deming

__all__ = [
    "CusumTest",
    "Differences",
    "KnownErrorsLine",
    "LevelLimits",
    "PassingBablokLine",
    "RankLimits",
    "RepeatedDifferences",
    "StraightLine",
    "Subtraction",
    "WeightedLine",
    "amplitude_to_modulus",
    "cusum_linearity",
    "deming",
    "difference_bounds",
    "difference_values",
    "known_errors",
    "limits_by_level",
    "limits_from_ranks",
    "limits_of_agreement",
    "limits_with_repeats",
    "ordinary_line",
    "passing_bablok",
    "ratio_from_duplicates",
    "subtracted",
    "weighted_deming",
]
