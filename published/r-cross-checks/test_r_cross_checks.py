"""Verification statistics of random data against R 4.2 (lme4, pROC, MASS, survival, spc and base R), see make.R."""

import importlib.util
from pathlib import Path

import pytest

HERE = Path(__file__).parent
SPEC = importlib.util.spec_from_file_location("r_cross_checks_found", HERE / "found.py")
assert SPEC is not None
assert SPEC.loader is not None
found = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(found)

WANTED: dict[str, list[tuple[str, float, float]]] = {}
for check, quantity, value, tolerance in found.wanted(HERE):
    WANTED.setdefault(check, []).append((quantity, value, tolerance))


def test_nothing_is_left_out():
    assert set(WANTED) == set(found.CHECKS)
    assert sum(len(rows) for rows in WANTED.values()) >= 200


@pytest.mark.parametrize("check", sorted(WANTED))
def test_values_of_r(check):
    got = found.CHECKS[check](found.Data(HERE))
    assert set(got) >= {quantity for quantity, _, _ in WANTED[check]}
    for quantity, value, tolerance in WANTED[check]:
        assert got[quantity] == pytest.approx(value, rel=tolerance, abs=0), quantity
