"""Uncertainty budget of any reading: first order and by random trials."""

from stanch.verify.budget.expression import Expression, parse_model
from stanch.verify.budget.first_order import Contribution, FirstOrder, Propagated, first_order
from stanch.verify.budget.inputs import Input, correlation_matrix, simultaneous
from stanch.verify.budget.line import CalibrationLine, calibration_line
from stanch.verify.budget.monte_carlo import Distribution, MonteCarlo, Validation, monte_carlo, validate
from stanch.verify.budget.runs import RunCheck, against_runs

__all__ = [
    "CalibrationLine",
    "Contribution",
    "Distribution",
    "Expression",
    "FirstOrder",
    "Input",
    "MonteCarlo",
    "Propagated",
    "RunCheck",
    "Validation",
    "against_runs",
    "calibration_line",
    "correlation_matrix",
    "first_order",
    "monte_carlo",
    "parse_model",
    "simultaneous",
    "validate",
]
