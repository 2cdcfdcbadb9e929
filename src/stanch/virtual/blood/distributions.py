"""What virtual donors and patients are drawn from: distributions, shared causes and disturbances, stated as data.

A range that a source gives for healthy people is taken as the central 95 % of single samples. How far a value moves
between two samples of one person, how values move together, and everything about patients is a choice made here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["CAUSES", "DISTURBANCES", "HEALTHY", "PATIENT", "UNUSABLE", "Distribution", "Disturbance", "Flaw", "spread"]

Floats = NDArray[np.float64]

NORMAL_95 = 1.959963984540054
_CHOICE = "no source: chosen here so that virtual samples differ as people plausibly do"
_FACTORS = "50 to 150 %, several sources"


@dataclass(frozen=True)
class Distribution:
    """How one quantity of single samples is distributed.

    Parameters
    ----------
    key : str
        A field of ``Composition``, or ``factor NAME``.
    form : str
        normal, lognormal or uniform.
    low, high : float
        Central 95 % before truncation; of a uniform distribution its ends [SI unit].
    least, most : float
        Where it is truncated [SI unit].
    within : float
        Relative standard deviation between samples of one person [-].
    origin : str
        published, calibrated or choice: of `low` and `high`.
    source : str
        Citation, or the reason.
    sex : str
        "F" or "M" where it holds for one sex only; empty for both.
    """

    key: str
    form: Literal["normal", "lognormal", "uniform"]
    low: float
    high: float
    least: float
    most: float
    within: float
    origin: Literal["published", "calibrated", "choice"]
    source: str
    sex: str = ""

    def quantile(self, share: ArrayLike) -> Floats:
        """Value below which a share of single samples lies [SI unit]."""
        from scipy.special import ndtr, ndtri

        p = np.asarray(share, dtype=float)
        if self.form == "uniform":
            return np.asarray(self.low + p * (self.high - self.low))
        low, high, least, most = (self._scale(x) for x in (self.low, self.high, self.least, self.most))
        centre, sd = 0.5 * (low + high), (high - low) / (2.0 * NORMAL_95)
        first, last = ndtr((least - centre) / sd), ndtr((most - centre) / sd)
        value = centre + sd * ndtri(first + p * (last - first))
        return np.clip(np.exp(value) if self.form == "lognormal" else value, self.least, self.most)

    def _scale(self, value: float) -> float:
        if self.form == "normal":
            return value
        return math.log(value) if value > 0.0 else -math.inf

    def within_share(self) -> float:
        """Share of the variance of single samples that is between samples of one person [-]."""
        if self.form == "uniform":
            return 0.0
        total = (self._scale(self.high) - self._scale(self.low)) / (2.0 * NORMAL_95)
        if self.form == "normal":
            total /= 0.5 * (self.low + self.high)
        return min((self.within / total) ** 2, 0.9)


def _lognormal(
    key: str, low: float, high: float, within: float, source: str = "", *, least: float = 0.0, most: float = math.inf
) -> Distribution:
    origin: Literal["published", "choice"] = "published" if source else "choice"
    return Distribution(key, "lognormal", low, high, least, most, within, origin, source or _CHOICE)


_PLATELET_FUNCTION = _lognormal("platelet_function", 0.75, 1.33, 0.08)
_HEALTHY_FACTORS = tuple(
    _lognormal(f"factor {name}", 0.5, 1.5, within, _FACTORS, least=0.2, most=3.0)
    for name, within in (
        ("II", 0.06), ("V", 0.07), ("VII", 0.09), ("VIII", 0.12), ("IX", 0.07), ("X", 0.06), ("XI", 0.07), ("XII", 0.06)
    )
)  # fmt: skip

HEALTHY: tuple[Distribution, ...] = (
    _lognormal("fibrinogen", 1.6, 4.2, 0.11, "Clauss 1.6 to 4.2 g/L in 221 healthy people, Blood 2005 abstract 4025",
               least=1.0, most=7.0),
    _lognormal("platelets", 175e12, 450e12, 0.07, "175 to 450 10^9/L, reference table of a haematology reference",
               least=100e12, most=700e12),
    _PLATELET_FUNCTION,
    Distribution("haematocrit", "normal", 0.415, 0.504, 0.36, 0.56, 0.03, "published",
                 "reference range of men, laboratory tables", "M"),
    Distribution("haematocrit", "normal", 0.359, 0.446, 0.31, 0.50, 0.03, "published",
                 "reference range of women, laboratory tables", "F"),
    Distribution("antithrombin", "normal", 0.80, 1.20, 0.6, 1.5, 0.05, "published",
                 "80 to 120 %, laboratory tables"),
    _lognormal("antiplasmin", 0.87, 1.55, 0.06, "0.87 to 1.55 of normal, laboratory tables", least=0.6, most=2.0),
    _lognormal("plasminogen", 0.7, 1.4, 0.07),
    _lognormal("tpa", 3e-8, 1.8e-7, 0.25, least=5e-9, most=5e-7),
    *_HEALTHY_FACTORS,
    _lognormal("factor XIII", 0.6, 1.6, 0.06),
    _lognormal("factor prekallikrein", 0.6, 1.5, 0.07),
    _lognormal("factor TFPI", 0.55, 1.7, 0.10),
    _lognormal("factor C1 inhibitor", 0.7, 1.4, 0.06),
)  # fmt: skip
"""Single samples of healthy donors."""

PATIENT: tuple[Distribution, ...] = (
    _lognormal("fibrinogen", 1.9, 4.6, 0.11, least=1.6, most=7.0),
    _lognormal("platelets", 140e12, 400e12, 0.07, least=120e12, most=700e12),
    _PLATELET_FUNCTION,
    Distribution("haematocrit", "normal", 0.25, 0.40, 0.20, 0.48, 0.03, "choice", _CHOICE),
    Distribution("antithrombin", "normal", 0.55, 1.10, 0.4, 1.4, 0.05, "choice", _CHOICE),
    _lognormal("antiplasmin", 0.65, 1.35, 0.06, least=0.5, most=2.0),
    _lognormal("plasminogen", 0.55, 1.3, 0.07, least=0.4, most=2.0),
    _lognormal("tpa", 3e-8, 2.5e-7, 0.25, least=5e-9, most=4e-7),
    *(_lognormal(f"factor {name}", 0.5, 1.3, 0.08, least=0.4, most=2.0) for name in ("II", "V", "VII", "IX", "X")),
    _lognormal("factor VIII", 0.7, 2.2, 0.12, least=0.5, most=3.0),
    *(_lognormal(f"factor {name}", 0.5, 1.3, 0.07, least=0.4, most=2.0) for name in ("XI", "XII")),
    _lognormal("factor XIII", 0.5, 1.3, 0.06, least=0.4, most=2.0),
    _lognormal("factor prekallikrein", 0.5, 1.3, 0.07, least=0.4, most=2.0),
    _lognormal("factor TFPI", 0.6, 1.8, 0.10, least=0.4, most=3.0),
    _lognormal("factor C1 inhibitor", 0.6, 1.4, 0.06, least=0.4, most=2.0),
)
"""Patients of an invented liver-transplant unit before anything else disturbs them; all of it is a choice."""

CAUSES: dict[str, dict[str, float]] = {
    "synthesis in the liver": {
        "factor II": 0.6, "factor V": 0.5, "factor VII": 0.5, "factor IX": 0.5, "factor X": 0.6, "factor XI": 0.4,
        "factor XII": 0.4, "factor prekallikrein": 0.4, "factor XIII": 0.3, "antithrombin": 0.5, "antiplasmin": 0.5,
        "plasminogen": 0.5,
    },
    "acute phase": {"fibrinogen": 0.6, "factor VIII": 0.6, "factor C1 inhibitor": 0.3, "tpa": 0.2},
    "vitamin K": {"factor II": 0.4, "factor VII": 0.4, "factor IX": 0.4, "factor X": 0.4},
}  # fmt: skip
"""Shared causes and how strongly each moves a quantity: correlation of the normal scores with the cause [-].

That these proteins move together is common practice, no source; the strengths are a choice.
"""


@dataclass(frozen=True)
class Disturbance:
    """What a kind of patient has beside its ordinary variation.

    Parameters
    ----------
    key : str
        Of the quantity.
    words : str
        What was disturbed.
    how : str
        set (the value itself) or times (a factor on it).
    distribution : Distribution
        Of the value or factor.
    """

    key: str
    words: str
    how: Literal["set", "times"]
    distribution: Distribution


def _uniform(key: str, low: float, high: float) -> Distribution:
    return Distribution(key, "uniform", low, high, low, high, 0.0, "choice", _CHOICE)


def _lognormal_within(key: str, low: float, high: float, source: str = "") -> Distribution:
    """Lognormal whose central 95 % before truncation is `low` to `high`, truncated there."""
    return Distribution(key, "lognormal", low, high, low, high, 0.0, "choice", source or _CHOICE)


_TPA = Distribution(
    "tpa", "lognormal", 0.7e-6, 4e-6, 0.7e-6, 4e-6, 0.0, "calibrated",
    "so that the base well of the demo assay keeps from nearly all to none of its modulus within the follow time",
)  # fmt: skip

DISTURBANCES: dict[str, tuple[Disturbance, ...]] = {
    "healthy": (),
    "low fibrinogen": (Disturbance("fibrinogen", "low fibrinogen", "set", _uniform("fibrinogen", 0.5, 1.4)),),
    "low platelets": (Disturbance("platelets", "low platelets", "set", _uniform("platelets", 15e12, 80e12)),),
    "heparin": (
        Disturbance(
            "heparin", "heparin", "set",
            _lognormal_within("heparin", 0.1e6, 4e6,
                             "from a trace to a cardiac-surgery level of 4 IU/mL (EJA 2016;33:408); spread a choice"),
        ),
    ),
    "dilution": (Disturbance("dilution", "dilution", "set", _uniform("dilution", 0.25, 0.6)),),
    "lysis": (
        Disturbance("tpa", "tissue plasminogen activator", "set", _TPA),
        Disturbance("antiplasmin", "low antiplasmin", "times", _uniform("antiplasmin", 0.4, 0.9)),
    ),
}  # fmt: skip
"""What each kind has beside its ordinary variation; all of it is a choice."""


@dataclass(frozen=True)
class Flaw:
    """Why a sample must not be read.

    Parameters
    ----------
    name : str
        partly clotted, haemolysed, wrong fill or stale.
    facts : tuple of (str, str)
        Entries of ``[sample]`` that say so.
    faults : tuple of (str, str)
        Entry of a ``[[fault]]`` table, without one empty.
    changes : tuple of Disturbance
        What it does to the blood.
    """

    name: str
    facts: tuple[tuple[str, str], ...]
    faults: tuple[tuple[str, str], ...]
    changes: tuple[Disturbance, ...]


UNUSABLE: tuple[Flaw, ...] = (
    Flaw(
        "partly clotted",
        (("storage", "a clot was seen in the tube"),),
        (),
        (
            Disturbance("fibrinogen", "fibrinogen used up", "times", _uniform("fibrinogen", 0.2, 0.7)),
            Disturbance("platelets", "platelets used up", "times", _uniform("platelets", 0.2, 0.7)),
        ),
    ),
    Flaw("haemolysed", (("haemolysis", "gross"),), (), ()),
    Flaw(
        "wrong fill",
        (("fill", "half full"),),
        (("kind", "dilution"), ("share", "75 %")),
        (),
    ),
    Flaw(
        "stale",
        (("storage", "left standing over its time"),),
        (("kind", "stale_sample"), ("age", "7 h")),
        (
            Disturbance("factor V", "factor V lost in storage", "times", _uniform("factor V", 0.5, 0.85)),
            Disturbance("factor VIII", "factor VIII lost in storage", "times", _uniform("factor VIII", 0.5, 0.85)),
            Disturbance(
                "platelet_function",
                "platelet function lost in storage",
                "times",
                _uniform("platelet_function", 0.4, 0.8),
            ),
        ),
    ),
)
"""Flaws of samples that must not be read: facts and faults of a scenario rather than kinetics; all a choice."""


def spread(keys: tuple[str, ...]) -> Floats:
    """Correlation of the normal scores of quantities, from their shared causes.

    Parameters
    ----------
    keys : tuple of str

    Returns
    -------
    ndarray, shape (quantity, quantity)
        [-].
    """
    loads = np.array([[cause.get(key, 0.0) for cause in CAUSES.values()] for key in keys])
    shared = loads @ loads.T
    np.fill_diagonal(shared, 1.0)
    return np.asarray(shared)
