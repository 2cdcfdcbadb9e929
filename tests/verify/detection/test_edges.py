"""Odd data through both protocols: an account without NaN, or a clear refusal; never a warning of NumPy."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import StanchError
from stanch.verify import protocol
from stanch.verify.table import Numbers, Table

CALLS: dict[str, tuple[str, dict[str, Any]]] = {
    "polynomial": ("linearity", {"level": "x", "result": "y", "allowed": 1.0}),
    "level means": (
        "linearity",
        {"level": "x", "result": "y", "design": "level-means", "weights": "proportional", "censored": "leave-out"},
    ),
    "ranks": ("detection", {"result": "y", "kind": "k", "sample": "s"}),
    "normal": ("detection", {"result": "y", "kind": "k", "sample": "s", "method": "parametric"}),
    "rates": ("detection", {"design": "lysis", "result": "y", "kind": "k", "follow": "f", "wanted_rate": 0.4}),
    "spreads": ("detection", {"design": "lysis", "sd": "sd", "df": "df", "follow": "f", "wanted_rate": 0.4}),
    "probit": ("detection", {"design": "probit", "concentration": "c", "hits": "h", "scale": "linear"}),
    "calibration": ("detection", {"design": "calibration", "concentration": "c", "result": "y"}),
    "quantitation": (
        "detection",
        {"design": "quantitation", "concentration": "c", "sd": "sd", "df": "df", "allowed_cv": 20.0},
    ),
}


def not_finite(item: Any, path: str = "") -> Iterator[str]:
    if isinstance(item, float | np.floating) and not math.isfinite(item):
        yield path
    elif dataclasses.is_dataclass(item):
        for field in dataclasses.fields(item):
            yield from not_finite(getattr(item, field.name), f"{path}.{field.name}")
    elif isinstance(item, dict):
        for key, value in item.items():
            yield from not_finite(value, f"{path}/{key}")
    elif isinstance(item, list | tuple):
        for k, value in enumerate(item):
            yield from not_finite(value, f"{path}[{k}]")


def odd(rng: np.random.Generator, n: int) -> np.ndarray:
    kinds = [
        lambda: np.full(n, rng.normal()),
        lambda: np.round(rng.normal(size=n)),
        lambda: rng.normal(size=n) * 10.0 ** rng.integers(-14, 14),
        lambda: rng.normal(size=n) + 1e9,
        lambda: np.abs(rng.standard_cauchy(n)),
        lambda: np.zeros(n),
        lambda: rng.exponential(size=n) ** 3,
    ]
    return np.asarray(kinds[int(rng.integers(len(kinds)))]())


@pytest.mark.parametrize("name", CALLS)
@settings(derandomize=True, deadline=None, max_examples=15)
@given(seed=st.integers(0, 100_000), n=st.sampled_from([1, 2, 3, 4, 5, 8, 20, 60]), scale=st.sampled_from([-12, 0, 12]))
def test_an_account_or_a_refusal(name: str, seed: int, n: int, scale: int) -> None:
    rng = np.random.default_rng(seed)
    x = (np.repeat(np.arange(n), 3)[:n] if rng.random() < 0.5 else rng.integers(0, 6, n)) * 10.0**scale
    y = odd(rng, n)
    y = np.where(rng.random(n) < 0.05, np.nan, y)
    bound = rng.random(n) < (0.1 if rng.random() < 0.3 else 0.0)
    table = Table.of(
        {
            "x": x,
            "y": Numbers(y, bound, np.zeros(n, dtype=bool)),
            "k": np.where(rng.random(n) < 0.5, "blank", "low"),
            "s": rng.integers(0, 3, n).astype(str),
            "f": rng.choice([20.0, 30, 40], n),
            "c": np.abs(x),
            "h": (rng.random(n) < 0.5).astype(float),
            "sd": np.abs(odd(rng, n)),
            "df": np.full(n, 5.0),
        }
    )
    which, options = CALLS[name]
    try:
        account = protocol(which)(table, **options)
    except StanchError:
        return
    assert list(not_finite(account)) == []
