"""Lot changes and paired equivalence against the reference numbers, through stanch.verify."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from stanch.verify.equivalence import paired
from stanch.verify.lots import lot_change

Found = Mapping[tuple[str, str], float]


def clinic(variable: str) -> Callable[[Any], Found]:
    def check(load: Any) -> Found:
        values = np.array(load("tost_clinic.csv")[variable], dtype=float)
        name = f"tost_clinic.csv {variable}, margin 0.6"
        found = paired(values[15:], values[:15], lower=-0.6, upper=0.6)
        mean = found.difference
        assert mean.value is not None
        assert mean.low is not None
        assert mean.high is not None
        assert found.p is not None
        return {
            (name, "mean_diff"): mean.value,
            (name, "se"): found.se,
            (name, "p_TOST"): found.p,
            (name, "CI90_low"): mean.low,
            (name, "CI90_high"): mean.high,
        }

    return check


def periods(load: Any) -> Found:
    data = load("ferritin_lots_1to3.csv")
    period = np.array(data["period"])
    old, new = (np.array(data[name], dtype=float) for name in ("old.lot", "new.lot"))
    results: dict[tuple[str, str], float] = {}
    for which in ("1", "2", "3"):
        found = lot_change(old[period == which], new[period == which])
        name = f"ferritin_lots_1to3.csv period {which}"
        values = {
            "n": found.n,
            "mean_diff": found.difference.value,
            "sd": found.sd,
            "t": found.t,
            "p": found.p,
            "CI95_low": found.difference.low,
            "CI95_high": found.difference.high,
        }
        for key, value in values.items():
            assert value is not None
            results[name, key] = float(value)
    return results


CHECKS = {"LO1": clinic("var1"), "LO2": periods, "LO4": clinic("var2")}
