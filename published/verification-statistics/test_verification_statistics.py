"""270 numbers of 56 checks on 42 data sets, computed by reference implementations; the data are not in the repository.

They are looked for in the folder named by STANCH_REFERENCE, or in the reference data folder beside the checkout.
"""

from __future__ import annotations

import importlib.util
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest

spec = importlib.util.spec_from_file_location("verification_agreement", Path(__file__).with_name("agreement.py"))
assert spec is not None
assert spec.loader is not None
agreement: Any = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = agreement
spec.loader.exec_module(agreement)

pytestmark = pytest.mark.skipif(
    not agreement.EXPECTED.exists(), reason="the reference table of verification statistics is not on this machine"
)
ROWS = agreement.expected() if agreement.EXPECTED.exists() else []


@cache
def found(check: str) -> Any:
    return agreement.checks()[check](agreement.load)


def test_the_table_is_whole() -> None:
    assert len(ROWS) == 270
    assert len({row.check for row in ROWS}) == 56


@pytest.mark.parametrize("check", sorted({row.check for row in ROWS}))
def test_every_number_is_within_its_tolerance(check: str) -> None:
    outside = [
        f"{row.key}: {found(check).get(row.key)} for {row.value}"
        for row in ROWS
        if row.check == check and not row.met(float(found(check).get(row.key, "nan")))
    ]
    assert outside == []
