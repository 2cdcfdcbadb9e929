"""Every number of virtual blood says where it comes from, and stands once."""

import importlib
import math
import pkgutil

import pytest

from stanch.virtual import blood
from stanch.virtual.blood.records import Constant

MODULES = [
    importlib.import_module(f"{blood.__name__}.{m.name}")
    for m in pkgutil.iter_modules(blood.__path__)
    if m.name not in ("march", "stiff_kernel")
]
ROWS: list[Constant] = [c for module in MODULES for c in getattr(module, "CONSTANTS", ())]


def test_keys_are_unique() -> None:
    keys = [c.key for c in ROWS]
    assert sorted(keys) == sorted(set(keys))
    assert len(keys) > 40


@pytest.mark.parametrize("one", ROWS, ids=lambda c: c.key)
def test_a_constant_is_whole(one: Constant) -> None:
    assert math.isfinite(one.value)
    assert one.unit
    assert len(one.source) > 10
    assert one.origin in ("published", "calibrated", "choice")
    if one.origin == "published":
        assert "from memory" not in one.source


def test_no_constant_of_a_module_is_left_off_its_list() -> None:
    listed = {id(c) for c in ROWS}
    loose = [
        f"{module.__name__}.{name}"
        for module in MODULES
        for name, value in vars(module).items()
        if isinstance(value, Constant) and id(value) not in listed
    ]
    assert loose == []
