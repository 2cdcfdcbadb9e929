"""A reduced run of ``benchmarks/virtual_run_time.py``: it works and prints what it measures."""

from __future__ import annotations

import runpy
from pathlib import Path

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "virtual_run_time.py"


def test_the_benchmark_prints_its_rows(capsys):
    rows = runpy.run_path(str(SCRIPT))["main"](["--pushes", "2"])
    printed = capsys.readouterr().out
    assert all(name in printed for name in rows)
    assert rows["one push, CPU ms"] > 0
