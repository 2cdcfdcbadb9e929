"""Fibrinogen to fibrin network: cleavage by thrombin, polymerisation, gel point, cross-linking."""

from __future__ import annotations

import math

from stanch.errors import InputError
from stanch.virtual.blood.records import Constant

__all__ = ["CONSTANTS", "cleavage_time", "fibrinogen_amount"]

_CHATTERJEE = (
    "Chatterjee, Denney, Jing, Diamond 2010, PLoS Comput Biol 6:e1000950, doi 10.1371/journal.pcbi.1000950 "
    "(on 1e8, off {off}, cat {cat}; constants read in a public port of the model)"
)

MOLAR_MASS = Constant(
    "fibrinogen_molar_mass", 340.0, "kg/mol", "choice", "Handbook value, no source read: 340 kDa; 1 g/L = 2.94 umol/L"
)
A_CATALYTIC = Constant(
    "fibrinopeptide_a_catalytic", 84.0, "1/s", "published", _CHATTERJEE.format(off=636, cat=84) + ": kcat"
)
A_MICHAELIS = Constant(
    "fibrinopeptide_a_michaelis",
    7.2e-3,
    "mol/m^3",
    "published",
    _CHATTERJEE.format(off=636, cat=84) + ": (636 + 84)/1e8 = 7.2 umol/L. An older value is 2.3 umol/L (1983)",
)
B_CATALYTIC = Constant(
    "fibrinopeptide_b_catalytic",
    49.0,
    "1/s",
    "published",
    _CHATTERJEE.format(off=701, cat=49) + ": from the dimer, used for all polymerised fibrin",
)
B_MICHAELIS = Constant(
    "fibrinopeptide_b_michaelis", 7.5e-3, "mol/m^3", "published", _CHATTERJEE.format(off=701, cat=49) + ": 7.5 umol/L"
)
POLYMERISATION = Constant(
    "polymerisation",
    1e3,
    "m^3/mol/s",
    "published",
    "Chatterjee et al. 2010, dimerisation 1e6 L/mol/s; used for lengthening too, and without its reverse (0.064 1/s)",
)
NETWORK_RATE = Constant(
    "network_rate",
    1 / 90.0,
    "1/s",
    "calibrated",
    "Rate at which polymer takes its place in the load-bearing network: growth over minutes after the gel point, onset "
    "of a normal strongly activated well inside 1.0 to 4.5 min",
)
FIRST_FIBRIN_RATE = Constant(
    "first_fibrin_rate",
    0.4,
    "1",
    "choice",
    "Network rate of fibrin that still has fibrinopeptide B over that of fibrin without it: its release helps lateral "
    "association (common knowledge); the number is open",
)
_NASKI = "Naski, Lorand, Shafer 1991, Biochemistry 30:934, doi 10.1021/bi00218a008, abstract"
ACTIVATION_XIII = Constant(
    "factor_xiii_activation", 140.0, "m^3/mol/s", "published", _NASKI + ": free factor XIII by thrombin, 1.4e5 L/mol/s"
)
ACTIVATION_ON_FIBRIN = Constant(
    "factor_xiii_activation_on_fibrin",
    1.2e4,
    "m^3/mol/s",
    "published",
    _NASKI + ": bound to polymerised fibrin, 1.2e7 L/mol/s; 2.2e6 in Ariens et al. 2000, Blood 96:988",
)
XIII_DISSOCIATION = Constant("factor_xiii_fibrin_dissociation", 6.5e-5, "mol/m^3", "published", _NASKI + ": 65 nmol/L")
CROSS_LINKING = Constant(
    "cross_linking",
    1 / 240.0,
    "1/s",
    "calibrated",
    "Rate of cross-linking of the network by fully activated normal factor XIII: most of it within 10 min",
)

CONSTANTS = (
    MOLAR_MASS,
    A_CATALYTIC,
    A_MICHAELIS,
    B_CATALYTIC,
    B_MICHAELIS,
    POLYMERISATION,
    NETWORK_RATE,
    FIRST_FIBRIN_RATE,
    ACTIVATION_XIII,
    ACTIVATION_ON_FIBRIN,
    XIII_DISSOCIATION,
    CROSS_LINKING,
)


def fibrinogen_amount(mass: float) -> float:
    """Concentration of fibrinogen from its mass concentration.

    Parameters
    ----------
    mass : float
        [kg/m^3], that is [g/L].

    Returns
    -------
    float
        [mol/m^3].

    Examples
    --------
    >>> round(fibrinogen_amount(1.0) * 1e3, 2)
    2.94
    """
    return mass / MOLAR_MASS.value


def cleavage_time(share: float, enzyme: float, fibrinogen: float) -> float:
    """Time in which a constant enzyme has cut fibrinopeptide A from a share of the fibrinogen.

    Parameters
    ----------
    share : float
        0 to below 1 [-].
    enzyme : float
        Active thrombin [mol/m^3].
    fibrinogen : float
        At the beginning [mol/m^3].

    Returns
    -------
    float
        [s].

    Raises
    ------
    InputError
        If the share is not from 0 to below 1, or an amount is not above 0.

    Notes
    -----
    The integrated Michaelis-Menten law, ``[S0 - S + Km ln(S0/S)]/(kcat e)``.

    Examples
    --------
    >>> round(cleavage_time(0.2, 1e-6, 9e-3), 3)
    40.555
    """
    if not 0 <= share < 1:
        raise InputError("share", got=share, allowed="from 0 to below 1")
    for name, value in (("enzyme", enzyme), ("fibrinogen", fibrinogen)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(name, got=value, allowed="a finite concentration above 0 [mol/m^3]")
    turned = fibrinogen * share - A_MICHAELIS.value * math.log1p(-share)
    return turned / (A_CATALYTIC.value * enzyme)
