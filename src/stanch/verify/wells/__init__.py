"""Do all wells read the same sample alike?"""

from stanch.verify.wells.bias import WellBias, WellFit, Wells, well_bias

__all__ = ["WellBias", "WellFit", "Wells", "well_bias"]
