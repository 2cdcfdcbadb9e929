"""Donors of the virtual laboratory, and what its bench adds to the truth of a well."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.virtual.growth import Growth

__all__ = ["Bench", "Donor", "donors", "measured"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Donor:
    """An invented donor: what an error-free bench would read.

    Parameters
    ----------
    name : str
    sex : str
        ``f`` or ``m``.
    onset : float
        Of the base well [s].
    plateau : float
        Of the base well [Pa].
    fibrin_share : float
        Part of the plateau that the blocker leaves [-].
    slowness : float
        Factor on the time constants of growth [-].
    """

    name: str
    sex: str
    onset: float
    plateau: float
    fibrin_share: float
    slowness: float

    def base(self, *, lysis_rate: float = 0.0) -> Growth:
        """Growth of the base well; `lysis_rate` in [1/s]."""
        return Growth(
            start=0.75 * self.onset,
            network_modulus=self.fibrin_share * self.plateau,
            network_time=140.0 * self.slowness,
            stiffening_modulus=(1 - self.fibrin_share) * self.plateau,
            stiffening_time=320.0 * self.slowness,
            stiffening_delay=80.0,
            lysis_rate=lysis_rate,
            lysis_start=480.0,
            retraction_rate=1.5e-5,
            retraction_start=900.0,
        )


@dataclass(frozen=True)
class Bench:
    """Standard deviations on the log scale of what a bench adds [-].

    Parameters
    ----------
    repeat, run, day, operator, lot : float
        [-].
    """

    repeat: float = 0.034
    run: float = 0.018
    day: float = 0.021
    operator: float = 0.012
    lot: float = 0.015


def donors(rng: np.random.Generator, count: int, first: int = 1) -> list[Donor]:
    """Draw invented donors; a woman's clot is a little stiffer, as fibrinogen tends to be higher.

    Parameters
    ----------
    rng : numpy.random.Generator
    count, first : int
        How many, and the number of the first [-].

    Returns
    -------
    list of Donor
    """
    made = []
    for number in range(first, first + count):
        sex = "f" if rng.random() < 0.5 else "m"
        made.append(
            Donor(
                f"demo-{number:03d}",
                sex,
                float(170.0 * np.exp(0.17 * rng.standard_normal())),
                float((455.0 if sex == "f" else 425.0) * np.exp(0.22 * rng.standard_normal())),
                float(np.clip(0.24 + 0.04 * rng.standard_normal(), 0.1, 0.5)),
                float(np.exp(0.15 * rng.standard_normal())),
            )
        )
    return made


def measured(rng: np.random.Generator, truth: float, *shifts: float, sd: float = Bench.repeat) -> float:
    """One reading of a truth: shifts and one random error act on its logarithm.

    Parameters
    ----------
    rng : numpy.random.Generator
    truth : float
        [unit].
    *shifts : float
        On the log scale [-].
    sd : float
        Of the random error on the log scale [-].

    Returns
    -------
    float
        [unit].
    """
    return float(truth * np.exp(sum(shifts) + sd * rng.standard_normal()))
