"""Do all wells read the same sample alike?"""

from stanch.verify.wells.bias import WellBias, Wells, well_bias
from stanch.verify.wells.fit import WellFit

__all__ = ["WellBias", "WellFit", "Wells", "well_bias"]
