"""Ten of the kills of ``benchmarks/kill_writer.py``."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "kill_writer.py"


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_no_acknowledged_push_is_lost_when_the_writer_is_killed() -> None:
    spec = importlib.util.spec_from_file_location("kill_writer", SCRIPT)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["kill_writer"] = module
    spec.loader.exec_module(module)
    outcomes = module.run(kills=10, seed=20260301)
    assert len(outcomes) == 10
    assert sum(o.acknowledged for o in outcomes) > 50
    assert sum(o.opened for o in outcomes) > 5
    assert [o.lost for o in outcomes] == [0] * 10
    assert [o.wrong for o in outcomes] == [0] * 10
    assert [o.not_opened for o in outcomes] == [0] * 10
    assert all(o.recovered for o in outcomes)
