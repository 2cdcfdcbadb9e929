"""Five hundred of the mutations of ``benchmarks/fuzz_files.py``."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "fuzz_files.py"


@pytest.mark.skipif(sys.platform == "win32", reason="limits of resources")
def test_mutated_files_are_accepted_or_refused_in_one_line() -> None:
    spec = importlib.util.spec_from_file_location("fuzz_files", SCRIPT)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    counts, passed = module.run(500, seed=3)
    assert sum(counts.values()) == 500
    faults = {key: n for key, n in counts.items() if key[1].isupper()}
    assert not faults
    assert passed >= 150
    refused = {outcome for _, outcome in counts} - {"accepted"}
    assert {"DocumentError", "IntegrityError", "RecordingError", "UnitError"} <= refused
    for kind in module.KINDS:
        assert counts[kind, "accepted"] > 0
        assert counts[kind, "accepted"] < 100
