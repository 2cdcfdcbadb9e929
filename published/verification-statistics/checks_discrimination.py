"""Areas under the curve with DeLong's standard errors and contrasts; paired decisions."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stanch.verify.discrimination import area, compare_paired_areas, marks, mcnemar


def _numbers(column: list[str]) -> np.ndarray:
    return np.array([float(cell) for cell in column])


def _areas(named: dict[str, tuple[str, object]]) -> dict[tuple[str, str], float]:
    found: dict[tuple[str, str], float] = {}
    for name, one in named.items():
        made = area(one, interval="wald")
        found |= {
            (name, "AUC"): made.area.value,
            (name, "se"): made.se,
            (name, "low"): made.area.low,
            (name, "high"): made.area.high,
        }
    return found


def ovarian(load) -> Mapping[tuple[str, str], float]:
    table = load("delong_1988_ovarian.csv")
    benefit = _numbers(table["outcome"]) == 1
    one = {
        "alb": marks(_numbers(table["alb"]), benefit),
        "tp": marks(_numbers(table["tp"]), benefit),
        "kg(10-score)": marks(_numbers(table["kg"]), benefit, direction="lower"),
    }
    found = _areas({f"delong_1988_ovarian.csv {name}": m for name, m in one.items()})
    both = compare_paired_areas(list(one.values()), weights=[[1, 0, -1], [0, 1, -1]])
    name = "delong_1988_ovarian.csv contrast vs kg"
    return found | {
        (name, "alb-kg"): both.contrasts[0].difference.value,
        (name, "tp-kg"): both.contrasts[1].difference.value,
        (name, "se1"): both.contrasts[0].se,
        (name, "se2"): both.contrasts[1].se,
        (name, "chi2"): both.chi2,
        (name, "p"): both.p,
    }


def haemorrhage(load) -> Mapping[tuple[str, str], float]:
    table = load("asah.csv")
    poor = np.array(table["outcome"]) == "Poor"
    one, two = (marks(_numbers(table[key]), poor) for key in ("s100b", "ndka"))
    gap = compare_paired_areas([one, two]).contrasts[0]
    name = "asah.csv s100b-ndka"
    return _areas({"asah.csv s100b": one}) | {
        (name, "diff"): gap.difference.value,
        (name, "se"): gap.se,
        (name, "z"): gap.z,
        (name, "p"): gap.p,
    }


def opinions(_load) -> Mapping[tuple[str, str], float]:
    found = mcnemar(794, 86, 150, 570)
    name = "McNemar 794/86/150/570"
    return {
        (name, "chi2"): found.chi2,
        (name, "chi2_corrected"): found.chi2_corrected,
        (name, "p_exact"): found.p_exact,
    }


CHECKS = {"RO1": ovarian, "RO2": haemorrhage, "CO3": opinions}
