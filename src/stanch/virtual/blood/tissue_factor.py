"""Thrombin formation started by tissue factor: 34 species, as Hockin and colleagues describe it."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.virtual.blood.network import Network, reaction

__all__ = ["MEIZOTHROMBIN_WEIGHT", "NORMAL", "SOURCE", "activity", "network"]

SOURCE = "Hockin et al. 2002, J Biol Chem 277:18322, doi 10.1074/jbc.M201173200; constants as in BIOMD0000000335"

NORMAL = {
    "VII": 10e-6,
    "VIIa": 0.1e-6,
    "X": 160e-6,
    "IX": 90e-6,
    "II": 1400e-6,
    "VIII": 0.7e-6,
    "V": 20e-6,
    "TFPI": 2.5e-6,
    "AT": 3400e-6,
}
"""Concentrations of undiluted normal plasma in mol/m^3, as in BIOMD0000000335; tissue factor is added by the assay."""

MEIZOTHROMBIN_WEIGHT = 1.2
"""Weight of meizothrombin in the reported activity, as in BIOMD0000000335 [-]."""

_LINES: tuple[tuple[str, float, float | None], ...] = (
    ("TF + VII <-> TF:VII", 3.2e6, 3.1e-3),
    ("TF + VIIa <-> TF:VIIa", 2.3e7, 3.1e-3),
    ("TF:VIIa + VII -> TF:VIIa + VIIa", 4.4e5, None),
    ("Xa + VII -> Xa + VIIa", 1.3e7, None),
    ("IIa + VII -> IIa + VIIa", 2.3e4, None),
    ("TF:VIIa + X <-> TF:VIIa:X", 2.5e7, 1.05),
    ("TF:VIIa:X -> TF:VIIa:Xa", 6.0, None),
    ("TF:VIIa + Xa <-> TF:VIIa:Xa", 2.2e7, 19.0),
    ("TF:VIIa + IX <-> TF:VIIa:IX", 1e7, 2.4),
    ("TF:VIIa:IX -> TF:VIIa + IXa", 1.8, None),
    ("Xa + II -> Xa + IIa", 7.5e3, None),
    ("IIa + VIII -> IIa + VIIIa", 2e7, None),
    ("VIIIa + IXa <-> IXa:VIIIa", 1e7, 5e-3),
    ("IXa:VIIIa + X <-> IXa:VIIIa:X", 1e8, 1e-3),
    ("IXa:VIIIa:X -> IXa:VIIIa + Xa", 8.2, None),
    ("VIIIa <-> VIIIa1L + VIIIa2", 6e-3, 2.2e4),
    ("IXa:VIIIa:X -> VIIIa1L + VIIIa2 + X + IXa", 1e-3, None),
    ("IXa:VIIIa -> VIIIa1L + VIIIa2 + IXa", 1e-3, None),
    ("IIa + V -> IIa + Va", 2e7, None),
    ("Xa + Va <-> Xa:Va", 4e8, 0.2),
    ("Xa:Va + II <-> Xa:Va:II", 1e8, 103.0),
    ("Xa:Va:II -> Xa:Va + mIIa", 63.5, None),
    ("mIIa + Xa:Va -> IIa + Xa:Va", 1.5e7, None),
    ("Xa + TFPI <-> Xa:TFPI", 9e5, 3.6e-4),
    ("TF:VIIa:Xa + TFPI <-> TF:VIIa:Xa:TFPI", 3.2e8, 1.1e-4),
    ("TF:VIIa + Xa:TFPI -> TF:VIIa:Xa:TFPI", 5e7, None),
    ("Xa + AT -> Xa:AT", 1.5e3, None),
    ("mIIa + AT -> mIIa:AT", 7.1e3, None),
    ("IXa + AT -> IXa:AT", 4.9e2, None),
    ("IIa + AT -> IIa:AT", 7.1e3, None),
    ("TF:VIIa + AT -> TF:VIIa:AT", 2.3e2, None),
)
_NOTES = {
    "TF:VIIa + VII -> TF:VIIa + VIIa": "; one public code notes this constant as corrected from the paper",
}


@cache
def network() -> Network:
    """The reactions of the tissue-factor pathway.

    Returns
    -------
    Network
        34 species; no contact pathway, fibrinogen, platelets or protein C.

    Notes
    -----
    Constants from :data:`SOURCE`. What comes out is most sensitive to five constants around TF:VIIa (Danforth et al.
    2009, Math Biosci Eng, PMC3499082).
    """
    return Network(
        tuple(
            reaction(text, forward, reverse, source=SOURCE + _NOTES.get(text, "")) for text, forward, reverse in _LINES
        )
    )


def activity(thrombin: ArrayLike, meizothrombin: ArrayLike) -> NDArray[np.float64]:
    """Thrombin activity that the model reports.

    Parameters
    ----------
    thrombin, meizothrombin : array_like
        Free IIa and mIIa [mol/m^3].

    Returns
    -------
    ndarray
        IIa + 1.2 mIIa [mol/m^3].
    """
    return np.asarray(thrombin, dtype=float) + MEIZOTHROMBIN_WEIGHT * np.asarray(meizothrombin, dtype=float)
