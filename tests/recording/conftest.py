from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from recording_samples import write_sample


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Path]:
    """Writes the three-well sample recording."""

    def build(name: str = "run.h5", **options: Any) -> Path:
        return write_sample(tmp_path / name, **options)

    return build
