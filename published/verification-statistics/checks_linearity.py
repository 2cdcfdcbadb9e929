"""Linear and nonlinear regressions of the reference table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from stanch.verify.regression import nonlinear, polynomial, straight_line

Loader = Callable[[str], Mapping[str, list[str]]]
Found = dict[tuple[str, str], float]
MODELS: dict[str, tuple[Callable[..., Any], tuple[float, ...]]] = {
    "nist_nls_misra1a.csv": (lambda x, b1, b2: b1 * (1 - np.exp(-b2 * x)), (500, 1e-4)),
    "nist_nls_thurber.csv": (
        lambda x, b1, b2, b3, b4, b5, b6, b7: (b1 + x * (b2 + x * (b3 + x * b4))) / (1 + x * (b5 + x * (b6 + x * b7))),
        (1000, 1000, 400, 40, 0.7, 0.3, 0.03),
    ),
    "nist_nls_mgh09.csv": (
        lambda x, b1, b2, b3, b4: b1 * (x * x + x * b2) / (x * x + x * b3 + b4),
        (25, 39, 41.5, 39),
    ),
    "nist_nls_eckerle4.csv": (lambda x, b1, b2, b3: b1 / b2 * np.exp(-0.5 * ((x - b3) / b2) ** 2), (1, 10, 500)),
}


def columns(load: Loader, name: str) -> tuple[list[float], list[float]]:
    data = load(name)
    return [float(v) for v in data["x"]], [float(v) for v in data["y"]]


def norris(load: Loader) -> Found:
    fit = straight_line(*columns(load, "nist_norris.csv"))
    return {("nist_norris.csv", f"b{k}"): float(b) for k, b in enumerate(fit.coefficients)}


def pontius(load: Loader) -> Found:
    fit = polynomial(*columns(load, "nist_pontius.csv"), 2)
    found = {("nist_pontius.csv", f"b{k}"): float(b) for k, b in enumerate(fit.coefficients)}
    return found | {("nist_pontius.csv", "s_yx"): fit.residual_sd}


def curve(name: str) -> Callable[[Loader], Found]:
    def check(load: Loader) -> Found:
        model, start = MODELS[name]
        fit = nonlinear(model, *columns(load, name), start)
        return {(name, f"b{k}"): float(b) for k, b in enumerate(fit.parameters, start=1)}

    return check


CHECKS = {
    "LI1": norris,
    "LI2": pontius,
    "NL1": curve("nist_nls_misra1a.csv"),
    "NL2": curve("nist_nls_thurber.csv"),
    "NL3": curve("nist_nls_mgh09.csv"),
    "NL5": curve("nist_nls_eckerle4.csv"),
}
