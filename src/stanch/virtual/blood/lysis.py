"""Fibrinolysis: plasminogen to plasmin on fibrin, its two inhibitors, and the cutting of fibrin."""

from __future__ import annotations

from stanch.virtual.blood import contact
from stanch.virtual.blood.records import Constant

__all__ = ["CONSTANTS"]

_PIEBALGS = "Piebalgs et al. 2018, Sci Rep, doi 10.1038/s41598-018-34082-7 (read in public code)"
_SYSTEMIC = "read in public code of the group of Piebalgs et al. 2018, plasma in two compartments"

PLASMINOGEN = Constant("plasminogen_normal", 2.2e-3, "mol/m^3", "published", _PIEBALGS + ": 2.2 umol/L")
ANTIPLASMIN = next(c for c in contact.CONSTANTS if c.key == "normal_a2_antiplasmin")
"""The same as in contact activation; 1 umol/L in Piebalgs et al. 2018."""
FIBRIN_CATALYTIC = Constant(
    "tpa_fibrin_catalytic",
    0.3,
    "1/s",
    "published",
    _PIEBALGS + "; 0.1 in Hoylaerts et al. 1982, J Biol Chem 257:2912; 0.13 to 0.17 in Norrman et al. 1985",
)
FIBRIN_MICHAELIS = Constant(
    "tpa_fibrin_michaelis", 1.6e-4, "mol/m^3", "published", _PIEBALGS + " and Hoylaerts et al. 1982: 0.16 umol/L"
)
FREE_CATALYTIC = Constant(
    "tpa_free_catalytic", 0.3, "1/s", "published", _PIEBALGS + "; with fibrinogen, Hoylaerts et al. 1982"
)
FREE_MICHAELIS = Constant(
    "tpa_free_michaelis", 2.8e-2, "mol/m^3", "published", _PIEBALGS + " and Hoylaerts et al. 1982: 28 umol/L"
)
TPA_DISSOCIATION = Constant(
    "tpa_fibrin_dissociation", 5.8e-4, "mol/m^3", "published", _PIEBALGS + ": off 0.0058 1/s over on 0.01 L/umol/s"
)
PLASMIN_DISSOCIATION = Constant(
    "plasmin_fibrin_dissociation", 5e-4, "mol/m^3", "published", _PIEBALGS + ": off 0.05 1/s over on 0.1 L/umol/s"
)
INHIBITION = Constant("plasmin_antiplasmin", 1e4, "m^3/mol/s", "published", _PIEBALGS + ": 1e7 L/mol/s")
MACROGLOBULIN = Constant("macroglobulin_normal", 3e-3, "mol/m^3", "published", _SYSTEMIC + ": 3 umol/L")
"""The second inhibitor of plasmin, which still works when antiplasmin is used up."""
MACROGLOBULIN_INHIBITION = Constant(
    "plasmin_macroglobulin", 350.0, "m^3/mol/s", "published", _SYSTEMIC + ": 0.35 L/umol/s"
)
PROTECTED = Constant(
    "bound_plasmin_protected",
    0.98,
    "1",
    "choice",
    "Share of the rate of antiplasmin that plasmin bound to fibrin is spared, because its lysine sites are taken; the "
    "same for alpha-2-macroglobulin, which is too large to come near",
)
CUTTING = Constant(
    "plasmin_catalytic", 2.178, "1/s", "published", _PIEBALGS + ": cuts by bound plasmin; at most 10 elsewhere"
)
CUTS = Constant("cuts_per_fibrin", 10.0, "1", "published", _PIEBALGS + ": one tenth of a unit of fibrin for each cut")

CONSTANTS = (
    PLASMINOGEN,
    FIBRIN_CATALYTIC,
    FIBRIN_MICHAELIS,
    FREE_CATALYTIC,
    FREE_MICHAELIS,
    TPA_DISSOCIATION,
    PLASMIN_DISSOCIATION,
    INHIBITION,
    MACROGLOBULIN,
    MACROGLOBULIN_INHIBITION,
    PROTECTED,
    CUTTING,
    CUTS,
)
