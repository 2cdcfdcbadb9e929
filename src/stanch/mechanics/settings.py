"""How pushes are fitted."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from stanch.errors import InputError
from stanch.mechanics.records import BEAM_ORDERS, LOG_OFFSET

__all__ = ["InvertSettings"]

MOST_DEGREE = 4


@dataclass(frozen=True)
class InvertSettings:
    """How pushes are fitted.

    Parameters
    ----------
    speckle : bool
        Whether the speckle weighting is estimated; off leaves it out of model and intervals.
    speckle_terms : tuple of pairs of int
        Terms of the speckle weighting that are estimated: Laguerre order across the beam and degree of the polynomial
        along the gate, the first (1, 0) [-].
    bending : bool
        Whether the bending of the echo's phase by movement that differs under the beam is estimated.
    robust : bool
        Whether outlying frames are held down.
    outlier_threshold : float
        Leave-one-out residual beyond which a frame's variance is raised, by the fourth power of the excess ratio. At
        4, one clean Gaussian frame in 16 000 is touched [standard deviations].
    start_modulus : tuple of float
        G of the start grid, ascending [Pa].
    start_viscosity : tuple of float
        eta of the start grid, ascending [Pa·s].
    rounds : int
        Most joint speckle rounds [-].
    evaluations : int
        Most evaluations of the model per search [-].
    tolerance : float
        Predicted change of the weighted sum of squares at which a search ends [-].
    misfit_z : float
        Standard score of the residual sum of squares beyond which a push is flagged as misfit and its covariance
        scaled up [-].
    most_unexplained : float
        Unexplained share of the weighted sum of squares beyond which a misfit push has no estimate [-].
    fewest_frames : int
        Good frames below which a push is refused [-].
    least_signal : float
        Explained weighted sum of squares below which no movement is seen and the push is refused [-].
    profiles : bool
        Whether intervals follow the profile of the sum of squares; fits with a stated rheology alone heed it.
    threads : int
        Of the compiled kernel [-].
    """

    speckle: bool = True
    speckle_terms: tuple[tuple[int, int], ...] = ((1, 0), (2, 0), (0, 1), (0, 2))
    bending: bool = True
    robust: bool = True
    outlier_threshold: float = 4.0
    start_modulus: tuple[float, ...] = field(
        default_factory=lambda: tuple(float(x) for x in np.geomspace(10.0, 8010.0, 48) - 10.0)
    )
    start_viscosity: tuple[float, ...] = field(
        default_factory=lambda: tuple(float(x) for x in np.geomspace(0.002, 2.0, 16))
    )
    rounds: int = 8
    evaluations: int = 40
    tolerance: float = 1e-6
    misfit_z: float = 3.7190164854557084
    most_unexplained: float = 0.1
    fewest_frames: int = 6
    least_signal: float = 25.0
    profiles: bool = True
    threads: int = 2

    def __post_init__(self) -> None:
        if len(self.start_modulus) < 3 or len(self.start_viscosity) < 3:
            raise InputError(
                "start grid", got=(len(self.start_modulus), len(self.start_viscosity)), allowed="3 or more"
            )
        if min(self.start_modulus) <= -LOG_OFFSET or min(self.start_viscosity) <= 0:
            raise InputError(
                "start grid",
                got=(min(self.start_modulus), min(self.start_viscosity)),
                allowed=f"moduli above {-LOG_OFFSET} Pa, viscosities above 0",
            )
        if self.outlier_threshold <= 1 or self.threads < 1 or self.rounds < 1:
            raise InputError(
                "outlier_threshold, threads or rounds",
                got=(self.outlier_threshold, self.threads, self.rounds),
                allowed="above 1, at least 1, at least 1",
            )
        known = all(0 <= k < BEAM_ORDERS and 0 <= m <= MOST_DEGREE and k + m > 0 for k, m in self.speckle_terms)
        if not known or self.speckle_terms[:1] not in ((), ((1, 0),)):
            raise InputError(
                "speckle_terms",
                got=self.speckle_terms,
                allowed=f"(1, 0) first, then orders to {BEAM_ORDERS - 1} with degrees to {MOST_DEGREE}, not (0, 0)",
            )
