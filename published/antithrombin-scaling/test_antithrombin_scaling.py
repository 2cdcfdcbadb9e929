"""Source: rate constants of Hockin et al. 2002, J Biol Chem 277:18322; the values were computed for this project from
them by other solvers, see source.toml."""

from __future__ import annotations

import importlib.util
import sys
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


@cache
def rows() -> list[Any]:
    name = "antithrombin_scaling_agreement"
    spec = importlib.util.spec_from_file_location(name, HERE / "agreement.py")
    assert spec is not None
    assert spec.loader is not None
    sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
    return list(sys.modules[name].agreement())


def test_every_value_is_met() -> None:
    assert [(r.case, r.quantity, r.value, r.found) for r in rows() if not r.met] == []
    assert len(rows()) == 13


def test_the_digits_given_agree_and_not_only_the_tolerance() -> None:
    assert max(r.last_digit for r in rows()) < 0.55


def test_a_factor_of_five_leaves_no_burst() -> None:
    peaks = {r.case: r.found for r in rows() if r.quantity == "activity peak [nM]"}
    assert peaks["x 5"] < 1 < 100 < peaks["x 3"] < peaks["x 2"] < peaks["x 1.5"] < peaks["x 1"]
