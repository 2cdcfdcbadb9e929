"""Contact activation: the reactions from a charged surface over factors XII and XI to IX, joined to tissue factor's."""

from __future__ import annotations

from functools import cache

from stanch.virtual.blood import tissue_factor
from stanch.virtual.blood.network import Network, merge, reaction
from stanch.virtual.blood.records import Constant

__all__ = ["CONSTANTS", "MEMBRANE", "NORMAL", "SOURCE", "SURFACE", "network"]

SOURCE = "Chatterjee et al. 2010, PLoS Comput Biol 6:e1000950, doi 10.1371/journal.pcbi.1000950; as in two public codes"
_MEMORY = "handbook value from memory, not read in a source: "

CONSTANTS: tuple[Constant, ...] = (
    Constant("normal_xii", 375e-6, "mol/m^3", "choice", _MEMORY + "30 mg/L at 80 kDa; 15 to 47 mg/L are printed"),
    Constant("normal_prekallikrein", 450e-6, "mol/m^3", "choice", _MEMORY + "about 40 mg/L at 88 kDa"),
    Constant("normal_xi", 30e-6, "mol/m^3", "published", SOURCE),
    Constant(
        "normal_c1_inhibitor",
        1.7e-3,
        "mol/m^3",
        "published",
        SOURCE + "; rates of Scott et al. 1982, J Clin Invest 69:844, give 1.64e-3",
    ),
    Constant("normal_a1_antitrypsin", 40e-3, "mol/m^3", "published", SOURCE + "; Scott et al. 1982 give 45.6e-3"),
    Constant(
        "normal_a2_antiplasmin", 0.975e-3, "mol/m^3", "published", SOURCE + "; 1e-3 in Piebalgs et al. 2018, Sci Rep"
    ),
)

_VALUES = {c.key: c.value for c in CONSTANTS}
NORMAL = {
    "XII": _VALUES["normal_xii"],
    "PK": _VALUES["normal_prekallikrein"],
    "XI": _VALUES["normal_xi"],
    "C1inh": _VALUES["normal_c1_inhibitor"],
    "a1AT": _VALUES["normal_a1_antitrypsin"],
    "a2AP": _VALUES["normal_a2_antiplasmin"],
}
"""Concentrations in undiluted normal plasma of what contact activation adds [mol/m^3]."""

_LINES: tuple[tuple[str, float, float | None], ...] = (
    ("XII -> XIIa", 5e-4, None),
    ("XIIa + XII <-> XIIa:XII", 1e8, 750.0),
    ("XIIa:XII -> XIIa + XIIa", 0.033, None),
    ("XIIa + PK <-> XIIa:PK", 1e8, 3600.0),
    ("XIIa:PK -> XIIa + K", 40.0, None),
    ("K + XII <-> K:XII", 1e8, 45.3),
    ("K:XII -> K + XIIa", 5.7, None),
    ("PK + K -> K + K", 2.7e4, None),
    ("K -> K:inhibited", 0.011, None),
    ("XIIa + C1inh -> XIIa:C1inh", 3600.0, None),
    ("XIIa + AT -> XIIa:AT", 21.6, None),
    ("XI + IIa <-> XI:IIa", 1e8, 5.0),
    ("XI:IIa -> XIa + IIa", 1.3e-4, None),
    ("XIIa + XI <-> XIIa:XI", 1e8, 200.0),
    ("XIIa:XI -> XIIa + XIa", 5.7e-4, None),
    ("XIa + XI -> XIa + XIa", 3.19e6, None),
    ("XIa + AT -> XIa:AT", 320.0, None),
    ("XIa + C1inh -> XIa:C1inh", 1800.0, None),
    ("XIa + a1AT -> XIa:a1AT", 100.0, None),
    ("XIa + a2AP -> XIa:a2AP", 4300.0, None),
    ("XIa + IX <-> XIa:IX", 1e8, 41.0),
    ("XIa:IX -> XIa + IXa", 7.7, None),
    ("IXa + X <-> IXa:X", 1e8, 0.64),
    ("IXa:X -> IXa + Xa", 7e-4, None),
    ("Xa + VIII <-> Xa:VIII", 1e8, 2.1),
    ("Xa:VIII -> Xa + VIIIa", 0.023, None),
)

SURFACE: tuple[str, ...] = (
    "XII -> XIIa",
    "XIIa + XII <-> XIIa:XII",
    "K + XII <-> K:XII",
    "XIIa + PK <-> XIIa:PK",
    "XIIa + XI <-> XIIa:XI",
    "XIa + XI -> XIa + XIa",
    "XI + IIa <-> XI:IIa",
)
"""Reactions that meet on the charged surface: their forward constants follow the amount of it.

Activation of XII and of XI by XIa and thrombin were seen only with a charged surface (Griffin & Cochrane 1976 and
Silverberg et al. 1980 as reviewed in Reactome R-HSA-158313; Naito & Fujikawa 1991, J Biol Chem 266:7353, abstract).
"""

MEMBRANE: tuple[str, ...] = ("XIa + IX <-> XIa:IX", "IXa + X <-> IXa:X", "Xa + VIII <-> Xa:VIII")
"""Reactions on the platelet membrane: their reverse constants are divided by how far the platelets are activated."""


@cache
def network() -> Network:
    """The reactions of contact activation joined to those of the tissue-factor pathway.

    Returns
    -------
    Network
        No contact inhibitor, kininogen or polyphosphate.

    Notes
    -----
    Constants from :data:`SOURCE`. Factor IXa without VIIIa, and VIII activated by Xa, come with it: without them a well
    without tissue factor could not make its first thrombin.
    """
    lines = (reaction(text, forward, reverse, source=SOURCE) for text, forward, reverse in _LINES)
    return merge(tissue_factor.network(), Network(tuple(lines)))
