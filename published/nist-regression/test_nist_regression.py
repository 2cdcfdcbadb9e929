"""Source: NIST Statistical Reference Datasets, linear (Norris, Pontius) and nonlinear (Misra1a, Thurber, MGH09,
Eckerle4) regression; see source.toml. The estimates of the linear sets are printed with 15 digits, of the others 11."""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path
from typing import Any

import pytest

spec = importlib.util.spec_from_file_location("nist_regression_digits", Path(__file__).with_name("digits.py"))
assert spec is not None
assert spec.loader is not None
module: Any = importlib.util.module_from_spec(spec)
spec.loader.exec_module(module)


@cache
def agreement() -> dict[str, float]:
    found: dict[str, float] = module.agreement()
    return found


@pytest.mark.parametrize(
    "key",
    [
        "norris estimates",
        "norris deviations",
        "norris residual SD",
        "norris R squared",
        "norris residual sum of squares",
        "pontius estimates",
        "pontius residual SD",
    ],
)
def test_linear_regressions_agree_to_twelve_digits(key: str) -> None:
    assert agreement()[key] >= 12


@pytest.mark.parametrize("name", ["misra1a", "thurber", "mgh09", "eckerle4"])
@pytest.mark.parametrize("start", [1, 2])
def test_nonlinear_regressions_agree_to_nine_digits_from_either_start(name: str, start: int) -> None:
    assert agreement()[f"{name} from start {start}"] >= 9
