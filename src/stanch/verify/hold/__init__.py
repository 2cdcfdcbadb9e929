"""How early can stiffness be read?"""

from stanch.verify.hold.accuracy import Accuracy, accuracy
from stanch.verify.hold.curves import CurveReadings, read_curve, read_curves
from stanch.verify.hold.decisions import Decisions, decisions
from stanch.verify.hold.predict import out_of_sample
from stanch.verify.hold.study import HoldResult, HoldStudy, hold_study
from stanch.verify.hold.survival import Masses, masses, quantile_interval

__all__ = [
    "Accuracy",
    "CurveReadings",
    "Decisions",
    "HoldResult",
    "HoldStudy",
    "Masses",
    "accuracy",
    "decisions",
    "hold_study",
    "masses",
    "out_of_sample",
    "quantile_interval",
    "read_curve",
    "read_curves",
]
