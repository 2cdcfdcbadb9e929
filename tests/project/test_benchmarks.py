"""Benchmarks cannot rot unseen: each imports, says what it measures and how it is called."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

BENCHMARKS = sorted((Path(__file__).resolve().parents[2] / "benchmarks").glob("[!_]*.py"))


@pytest.mark.parametrize("path", BENCHMARKS, ids=lambda p: p.stem)
def test_it_says_what_it_measures_and_how_it_is_called(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    command = [sys.executable, "-W", "error", path, "--help"]
    done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("usage:")
