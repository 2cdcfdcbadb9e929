"""Sources named row by row in bands.csv, most from memory: a report that warns; no biological value can fail here."""

from __future__ import annotations

import importlib.util
import math
import sys
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


@cache
def bands() -> Any:
    spec = importlib.util.spec_from_file_location("clot_plausibility_bands", HERE / "bands.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_every_band_has_its_value_and_every_value_its_band() -> None:
    rows = bands().rows()
    assert not any(math.isnan(row.found) for row in rows)  # infinite: it never gels
    assert {row.key for row in rows} == set(bands().found())


def test_marks_are_right() -> None:
    row = bands().Row
    assert row("a", 1.0, 2.0, "1", 1.5).inside
    assert not row("a", 1.0, 2.0, "1", 2.5).inside
    assert not row("a", 1.0, 2.0, "1", math.nan).inside


def test_the_page_has_every_row_with_its_mark() -> None:
    page = (HERE.parents[1] / "docs" / "reference" / "plausibility.md").read_text(encoding="utf-8")
    lines = {text.split(" | ")[0].removeprefix("| "): text for text in page.splitlines() if text.startswith("| ")}
    for row in bands().rows():
        told = lines[row.key].split(" | ")
        assert told[2:] == bands().line(row).split(" | ")[2:]
        number = told[1].split(" ")[0]
        assert number == "none" if math.isinf(row.found) else math.isclose(float(number), row.found, rel_tol=0.06)
