"""Sample size and power of a study before it is made: by formula where one exists, else by simulation."""

from stanch.verify.design.curves import (
    area_power,
    area_variance,
    detection_within,
    linearity_power,
    readings_power,
    slope_power,
    slope_sd,
)
from stanch.verify.design.means import equivalence_power, inside_power, t_test_n, t_test_power
from stanch.verify.design.ranks import reference_limits_n, tolerance_confidence, tolerance_n
from stanch.verify.design.search import smallest, solve
from stanch.verify.design.shares import share_half_width, share_n, share_power, share_rule
from stanch.verify.design.simulated import (
    linearity_passes,
    nested_passes,
    passing_bablok_passes,
    prediction_passes,
    wells_passes,
)
from stanch.verify.design.spreads import agreement_power, sd_power, sd_ratio_limit, sd_within

__all__ = [
    "agreement_power",
    "area_power",
    "area_variance",
    "detection_within",
    "equivalence_power",
    "inside_power",
    "linearity_passes",
    "linearity_power",
    "nested_passes",
    "passing_bablok_passes",
    "prediction_passes",
    "readings_power",
    "reference_limits_n",
    "sd_power",
    "sd_ratio_limit",
    "sd_within",
    "share_half_width",
    "share_n",
    "share_power",
    "share_rule",
    "slope_power",
    "slope_sd",
    "smallest",
    "solve",
    "t_test_n",
    "t_test_power",
    "tolerance_confidence",
    "tolerance_n",
    "wells_passes",
]
