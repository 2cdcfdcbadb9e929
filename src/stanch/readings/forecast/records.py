"""The records of the forecast: what was learnt, from what, and what is said of a well at one time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stanch.estimate import Estimate
from stanch.readings.definitions import Definitions

__all__ = ["FORECAST_KEYS", "NOT_A_READING", "Forecast", "KineticPrior", "Margin", "Origin"]

Floats = NDArray[np.float64]

FORECAST_KEYS = ("early_modulus", "plateau", "retention")
"""What can be forecast."""

NOT_A_READING = "Forecast, not a reading"
"""How every forecast begins to explain itself."""


@dataclass(frozen=True)
class Origin:
    """What a prior was learnt from.

    Parameters
    ----------
    kind : str
        "virtual population" or "own runs".
    words : str
        One sentence: kinds, counts and seeds, or which laboratory's runs.
    version : str
        Of the software that learnt it.
    identities : tuple of str
        Of the recordings, for own runs.
    """

    kind: str
    words: str
    version: str
    identities: tuple[str, ...] = ()


@dataclass(frozen=True)
class Margin:
    """How far the raw quantiles had to be stretched on samples that were held out, in one phase of a run.

    Parameters
    ----------
    down, up : float
        Factors on the distances from the median to the 2.5 and 97.5 % points [-].
    misfit : float
        Misfit that few of the held-out samples passed; beyond it the prior does not know such curves [-].
    surprise : float
        The same for the surprise at what the curve did of late [-].
    count : int
        Held-out forecasts it rests on [-].
    """

    down: float
    up: float
    misfit: float
    surprise: float
    count: int


@dataclass(frozen=True)
class KineticPrior:
    """A library of whole curves and how forecasts from it have to be stretched to be honest.

    Parameters
    ----------
    origin : Origin
    definitions : Definitions
        How curves were read when the margins were found.
    run : float
        Length of the runs [s].
    time : ndarray, shape (time,)
        Since activation [s].
    library : mapping of str to ndarray, shape (sample, time)
        ln(G + 10 Pa) by class of well; row k of every class is the same sample of blood, NaN where it lacks the
        well [-].
    margins : mapping of str to Margin
        By "quantity | class of well | phase"; an empty class stands for all wells.
    pairs : tuple of (str, str)
        Classes without and with the antifibrinolytic whose retention was calibrated.
    sha256 : str
        Of the stored content; empty before it is stored.
    """

    origin: Origin
    definitions: Definitions
    run: float
    time: Floats
    library: Mapping[str, Floats]
    margins: Mapping[str, Margin] = field(default_factory=dict)
    pairs: tuple[tuple[str, str], ...] = ()
    sha256: str = ""


@dataclass(frozen=True)
class Forecast:
    """What is said of one quantity at one time of a run.

    Parameters
    ----------
    key : str
        Of :data:`FORECAST_KEYS`.
    now : float
        Time since activation up to which pushes were used [s].
    estimate : Estimate
        ``provisional`` or ``unavailable``; SI units.
    samples : ndarray, shape (sample,)
        Stretched as the interval was; empty when unavailable [SI unit].
    ahead : float or None
        How long before the ordinary reading it stands, as the samples have it [s]; None where that is not known.
    effective : float
        Effective number of library samples that agree with the curve so far [-].
    misfit : float
        Mean squared distance of curve and library in units of the allowed discrepancy [-].
    surprise : float
        Squared standard score of where the curve stands now in a forecast from three minutes ago [-].
    phase : str
        Which margins were used.
    """

    key: str
    now: float
    estimate: Estimate
    samples: Floats
    ahead: float | None
    effective: float
    misfit: float
    surprise: float
    phase: str

    def probability_below(self, limit: float) -> float | None:
        """Probability of a value below `limit` [SI unit]; None when unavailable."""
        return None if self.samples.size == 0 else float(np.mean(self.samples < limit))
