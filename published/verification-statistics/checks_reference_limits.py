"""Reference limits: ranks, robust, Box-Cox, transference, group differences."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stanch.verify.reference_limits import (
    ReferenceLimits,
    box_cox,
    box_cox_limits,
    chance_of_acceptance,
    group_difference,
    nonparametric_limits,
    robust_limits,
)


def _numbers(column: list[str]) -> np.ndarray:
    return np.array([float(cell) for cell in column])


def _calcium(load, group: str | None = None) -> np.ndarray:
    table = load("ep28_calcium.csv")
    values = _numbers(table["Value"])
    return values if group is None else values[np.array(table["Group"]) == group]


def _ends(found: ReferenceLimits, name: str) -> dict[tuple[str, str], float]:
    assert found.lower is not None
    assert found.upper is not None
    return {
        (name, "low_low"): found.lower.low,
        (name, "low_high"): found.lower.high,
        (name, "up_low"): found.upper.low,
        (name, "up_high"): found.upper.high,
    }


def ranks(load) -> Mapping[tuple[str, str], float]:
    found = nonparametric_limits(_calcium(load))
    return {
        ("ep28_calcium.csv all", "RI_low"): found.lower.value,
        ("ep28_calcium.csv all", "RI_high"): found.upper.value,
        **_ends(found, "ep28_calcium.csv all 90% CI"),
    }


def robust(load) -> Mapping[tuple[str, str], float]:
    found = robust_limits(_numbers(load("ep28_calcium20.csv")["x"]), draws=0)
    name = "ep28_calcium20.csv robust"
    return {(name, "low"): found.lower.value, (name, "high"): found.upper.value}


def transformed(load) -> Mapping[tuple[str, str], float]:
    found = box_cox_limits(_numbers(load("pbc_ast.csv")["ast"]))
    name = "pbc_ast.csv Box-Cox"
    return {
        (name, "n"): found.n,
        (name, "lambda"): found.details["exponent"].value,
        (name, "RI_low"): found.lower.value,
        (name, "RI_high"): found.upper.value,
    }


def operating_curve(load) -> Mapping[tuple[str, str], float]:
    return {("transference 20", f"P(X<={most})"): float(chance_of_acceptance(0.05, n=20, most=most)) for most in (2, 4)}


def poisons(load) -> Mapping[tuple[str, str], float]:
    table = load("box_cox_1964_poisons.csv")
    columns = [np.ones(len(table["time"]))]
    for factor in ("poison", "treat"):
        names = np.array(table[factor])
        columns += [(names == name).astype(float) for name in sorted(set(names))[1:]]
    found = box_cox(_numbers(table["time"]), design=np.column_stack(columns))
    return {("box_cox_1964_poisons.csv additive model", "lambda"): found.exponent.value}


def groups(load) -> Mapping[tuple[str, str], float]:
    found = group_difference(_calcium(load, "F"), _calcium(load, "M"))
    name = "ep28_calcium.csv Harris-Boyd"
    return {
        (name, "nF"): found.n[0],
        (name, "nM"): found.n[1],
        (name, "meanF"): found.mean[0],
        (name, "sdF"): found.sd[0],
        (name, "meanM"): found.mean[1],
        (name, "sdM"): found.sd[1],
        (name, "z"): found.z,
    }


def by_group(load) -> Mapping[tuple[str, str], float]:
    women = nonparametric_limits(_calcium(load, "F"))
    return {
        ("ep28_calcium.csv F", "RI_low"): women.lower.value,
        ("ep28_calcium.csv F", "RI_high"): women.upper.value,
        **_ends(nonparametric_limits(_calcium(load, "M")), "ep28_calcium.csv M 90% CI"),
    }


CHECKS = {
    "RI1": ranks,
    "RI2": robust,
    "RI3": transformed,
    "RI4": operating_curve,
    "RI5": poisons,
    "RI6": groups,
    "RI7": by_group,
}
