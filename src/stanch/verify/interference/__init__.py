"""What else moves the result: interfering matter, dilution, temperature, age of the sample, and carry-over."""

from stanch.verify.interference.carryover import CarryOver, carry_over_regression, carry_over_sequences
from stanch.verify.interference.dose import DoseLevel, DoseResponse, dose_response
from stanch.verify.interference.paired import PairedInterference, paired_interference

__all__ = [
    "CarryOver",
    "DoseLevel",
    "DoseResponse",
    "PairedInterference",
    "carry_over_regression",
    "carry_over_sequences",
    "dose_response",
    "paired_interference",
]
