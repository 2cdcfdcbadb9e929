"""Detection: limits of blank, of detection and of quantitation, and the smallest lysis that is told from none."""

from stanch.verify.detection.blank import BlankLimit, limit_of_blank, small_sample_factor
from stanch.verify.detection.calibration import CalibrationLimits, calibration_limits
from stanch.verify.detection.low import DetectionLimit, LotLimits, LowSample, largest_lot, limit_of_detection
from stanch.verify.detection.lysis import FollowDesign, LysisLimit, follow_design, lysis_limit
from stanch.verify.detection.probit import HitRates, probit
from stanch.verify.detection.quantitation import QuantitationLimit, limit_of_quantitation
from stanch.verify.detection.scatter import GroupScatter, group_scatter

__all__ = [
    "BlankLimit",
    "CalibrationLimits",
    "DetectionLimit",
    "FollowDesign",
    "GroupScatter",
    "HitRates",
    "LotLimits",
    "LowSample",
    "LysisLimit",
    "QuantitationLimit",
    "calibration_limits",
    "follow_design",
    "group_scatter",
    "largest_lot",
    "limit_of_blank",
    "limit_of_detection",
    "limit_of_quantitation",
    "lysis_limit",
    "probit",
    "small_sample_factor",
]
