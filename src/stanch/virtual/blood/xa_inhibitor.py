"""A direct inhibitor of factor Xa: small, reversible, without antithrombin."""

from __future__ import annotations

from functools import cache

from stanch.virtual.blood.network import Network, reaction

__all__ = ["SOURCE", "SPECIES", "network"]

SOURCE = (
    "Apixaban as the example, 37 degrees Celsius: Ki and association rate constants of free factor Xa (0.25 nmol/L, 20 "
    "per umol/L and s), of prothrombinase (0.62 nmol/L, 12) and of its complex with prothrombin (1.7 nmol/L, 4); J "
    "Enzyme Inhib Med Chem, published online 20 December 2010, doi 10.3109/14756366.2010.535793, abstract"
)
SPECIES = "XaI"
"""The free inhibitor."""

_BINDING: tuple[tuple[str, float, float], ...] = (
    ("Xa", 2e7, 0.25e-9),
    ("Xa:Va", 1.2e7, 0.62e-9),
    ("Xa:Va:II", 4e6, 1.7e-9),
)


@cache
def network() -> Network:
    """Binding of the inhibitor to factor Xa, free and in prothrombinase.

    Returns
    -------
    Network
        Three reactions, to be joined to those of a pathway.

    Notes
    -----
    Constants from :data:`SOURCE`; each reverse constant is Ki times the forward one. Bound enzyme does nothing and is
    out of reach of its other partners until it is free again; factor Xa still bound to tissue factor and VIIa is not
    inhibited (simplifications).
    """
    return Network(
        tuple(
            reaction(f"{enzyme} + {SPECIES} <-> {enzyme}:{SPECIES}", on, on * dissociation, source=SOURCE)
            for enzyme, on, dissociation in _BINDING
        )
    )
