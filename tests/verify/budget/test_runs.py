"""Runs of a model against what first order foretells of them."""

from __future__ import annotations

import pytest

from stanch.errors import InputError
from stanch.verify.budget import Input, against_runs, first_order

INPUTS = [Input("a", 3.0, 0.1), Input.within("b", 2.0, 0.3), Input("c", 0.0, 0.2, sensitivity=2.0)]


def test_a_plane_is_foretold_exactly() -> None:
    def model(values):
        assert set(values) == {"a", "b"}
        return 4 * values["a"] - values["b"]

    first = first_order(model, INPUTS, steps="one-u")
    (check,), drawn = against_runs(first, model, INPUTS, runs=50, seed=1)
    assert check.found == pytest.approx(check.foretold, rel=1e-12)
    assert check.remainder == pytest.approx(0.0, abs=1e-12)
    assert check.agrees
    assert drawn.trials == 50


def test_a_curve_leaves_a_remainder() -> None:
    def model(values):
        return (values["a"] - 3) ** 2

    first = first_order(model, INPUTS[:1], steps="one-u")
    (check,), _ = against_runs(first, model, INPUTS[:1], runs=20)
    assert not check.agrees
    assert check.remainder is None
    with pytest.raises(InputError, match="runs"):
        against_runs(first, model, INPUTS[:1], runs=9)
