"""Digits of agreement with values.csv; ``python published/antithrombin-scaling/agreement.py`` prints them."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

import numpy as np

from stanch.virtual.blood.network import Network
from stanch.virtual.blood.stiff import solve
from stanch.virtual.blood.tissue_factor import NORMAL, network

HERE = Path(__file__).resolve().parent
PATHWAY = HERE.with_name("tissue-factor-pathway")
FACTORS = (1.0, 1.5, 2.0, 3.0, 5.0)
SCALED = ("Xa", "IXa", "IIa", "mIIa")


def _pathway() -> Any:
    name = "tissue_factor_pathway_agreement"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, PATHWAY / "agreement.py")
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


def _binding(enzyme: str) -> str:
    return f"{enzyme} + AT -> {enzyme}:AT"


def half_life(enzyme: str) -> float:
    """Of a trace of an enzyme among the antithrombin of normal plasma, from the solved course [s]."""
    alone = Network(tuple(r for r in network().reactions if r.name == _binding(enzyme)))
    start = alone.initial({enzyme: 1e-9 * NORMAL["AT"], "AT": NORMAL["AT"]})
    course = solve(alone, start, duration=600.0, step=600.0, rtol=1e-11, atol=1e-24)
    left = float(course[enzyme][-1] / course[enzyme][0])
    return float(600.0 * np.log(2) / -np.log(left))


def agreement() -> list[Any]:
    """Every row of values.csv."""
    pathway = _pathway()
    measures = pathway.load(PATHWAY / "measures.py")
    found = {"uncatalysed": {f"half-life of {e} [s]": half_life(e) for e in ("IIa", "Xa", "IXa", "TF:VIIa")}}
    for factor in FACTORS:
        scale = {_binding(enzyme): factor for enzyme in SCALED}
        found[f"x {factor:g}"] = measures.measures(measures.follow(5, scale=scale, duration=3600.0))
    return list(pathway.rows(HERE, found))


if __name__ == "__main__":
    _pathway().show(agreement())
