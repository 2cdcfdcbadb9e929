"""Internal quality control: charts, multirules, and what they let through."""

from stanch.verify.control.chain import Rates, rates
from stanch.verify.control.chart import Chart
from stanch.verify.control.charts import individuals, moving_ranges, scale
from stanch.verify.control.choice import CANDIDATES, Candidate, Requirement, candidates, choose, requirement
from stanch.verify.control.constants import c4, d2, d3
from stanch.verify.control.duplicates import Duplicates, duplicates
from stanch.verify.control.memory import Sums, cumulative_sums, weighted_averages
from stanch.verify.control.rules import Judged, Rule, judge, parse
from stanch.verify.control.runlength import cusum_run_length, ewma_run_length
from stanch.verify.control.simulate import Simulated, simulated_rates
from stanch.verify.control.subgroups import Subgroups, subgroups

__all__ = [
    "CANDIDATES",
    "Candidate",
    "Chart",
    "Duplicates",
    "Judged",
    "Rates",
    "Requirement",
    "Rule",
    "Simulated",
    "Subgroups",
    "Sums",
    "c4",
    "candidates",
    "choose",
    "cumulative_sums",
    "cusum_run_length",
    "d2",
    "d3",
    "duplicates",
    "ewma_run_length",
    "individuals",
    "judge",
    "moving_ranges",
    "parse",
    "rates",
    "requirement",
    "scale",
    "simulated_rates",
    "subgroups",
    "weighted_averages",
]
