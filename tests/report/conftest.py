"""The invented result that the report's tests share."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture(scope="session")
def synthetic() -> ModuleType:
    """The module that makes invented results."""
    spec = importlib.util.spec_from_file_location("synthetic_result", Path(__file__).parent / "synthetic.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def result(synthetic: Any) -> Any:
    """An invented result of six wells."""
    return synthetic.make_result()
