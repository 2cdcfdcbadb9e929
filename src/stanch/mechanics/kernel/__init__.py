"""The compiled form of :mod:`stanch.mechanics.response`: traces by recurrence, whitening, and the fit of every push.

Importing this package loads numba; import it only where pushes are fitted.
"""

from stanch.mechanics.kernel.fit import fit_pushes
from stanch.mechanics.kernel.linear import linearise_pushes
from stanch.mechanics.kernel.movement import traces
from stanch.mechanics.kernel.oscillator import MOST_ROWS
from stanch.mechanics.kernel.starts import pick_starts

__all__ = ["MOST_ROWS", "fit_pushes", "linearise_pushes", "pick_starts", "traces"]
