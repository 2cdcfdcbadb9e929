"""Digits of agreement of stanch.verify.regression with the certified values; ``python digits.py`` prints them."""

from __future__ import annotations

import csv
import math
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stanch.verify.regression import nonlinear, polynomial, straight_line

HERE = Path(__file__).resolve().parent
CERTIFIED = tomllib.loads((HERE / "certified.toml").read_text(encoding="utf-8"))
Floats = NDArray[np.float64]


def data(name: str) -> tuple[Floats, Floats]:
    """x and y of a data set."""
    with (HERE / f"{name}.csv").open(encoding="utf-8", newline="") as source:
        rows = list(csv.DictReader(source))
    return np.array([float(r["x"]) for r in rows]), np.array([float(r["y"]) for r in rows])


def misra1a(x: Floats, b1: float, b2: float) -> Floats:
    return b1 * (1 - np.exp(-b2 * x))


def thurber(x: Floats, b1: float, b2: float, b3: float, b4: float, b5: float, b6: float, b7: float) -> Floats:
    return (b1 + x * (b2 + x * (b3 + x * b4))) / (1 + x * (b5 + x * (b6 + x * b7)))


def mgh09(x: Floats, b1: float, b2: float, b3: float, b4: float) -> Floats:
    return b1 * (x * x + x * b2) / (x * x + x * b3 + b4)


def eckerle4(x: Floats, b1: float, b2: float, b3: float) -> Floats:
    return b1 / b2 * np.exp(-0.5 * ((x - b3) / b2) ** 2)


MODELS: dict[str, Callable[..., Floats]] = {
    "misra1a": misra1a,
    "thurber": thurber,
    "mgh09": mgh09,
    "eckerle4": eckerle4,
}


def digits(found: float, printed: str) -> float:
    """Decimal digits that agree, 16 at most."""
    gap = abs(found - float(printed)) / abs(float(printed))
    return 16.0 if gap == 0 else min(16.0, -math.log10(gap))


def agreement() -> dict[str, float]:
    """Fewest digits that agree, by data set (and start) and kind of value."""
    made = {}
    norris, pontius = straight_line(*data("norris")), polynomial(*data("pontius"), 2)
    for name, fit in (("norris", norris), ("pontius", pontius)):
        printed = CERTIFIED[name]
        made[f"{name} estimates"] = min(
            digits(float(b), p) for b, p in zip(fit.coefficients, printed["estimates"], strict=True)
        )
        made[f"{name} residual SD"] = digits(fit.residual_sd, printed["residual_sd"])
    made["norris deviations"] = min(
        digits(float(s), p) for s, p in zip(norris.se, CERTIFIED["norris"]["deviations"], strict=True)
    )
    assert norris.r_squared is not None
    made["norris R squared"] = digits(norris.r_squared, CERTIFIED["norris"]["r_squared"])
    made["norris residual sum of squares"] = digits(norris.rss, CERTIFIED["norris"]["residual_ss"])
    for name, model in MODELS.items():
        for k, start in enumerate(CERTIFIED[name]["starts"], start=1):
            found = nonlinear(model, *data(name), start).parameters
            made[f"{name} from start {k}"] = min(
                digits(float(b), p) for b, p in zip(found, CERTIFIED[name]["estimates"], strict=True)
            )
    return made


if __name__ == "__main__":
    for key, value in agreement().items():
        print(f"{key:34} {value:5.1f}")
