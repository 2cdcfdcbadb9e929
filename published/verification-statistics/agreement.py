"""Digits of agreement between stanch.verify and every number of the reference table.

``python published/verification-statistics/agreement.py`` prints them; the test beside it judges them.

Each ``checks_<area>.py`` beside this file holds ``CHECKS``: a mapping from the id of a check to a function that takes
:func:`load` and returns every number of it by (data set, quantity), both spelt as in the reference table.
"""

from __future__ import annotations

import csv
import importlib.util
import math
import os
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = Path(os.environ.get("STANCH_REFERENCE") or HERE.parents[2] / "shared" / "reference")
FOLDER = ROOT / "stats"
EXPECTED = FOLDER / "expected.csv"

Loader = Callable[[str], Mapping[str, list[str]]]
Check = Callable[[Loader], Mapping[tuple[str, str], float]]


@dataclass(frozen=True)
class Expected:
    """One number of the reference table."""

    check: str
    dataset: str
    quantity: str
    value: float
    relative: float | None
    absolute: float | None

    @property
    def key(self) -> tuple[str, str]:
        return self.dataset, self.quantity

    def met(self, found: float) -> bool:
        allowed = self.absolute if self.absolute is not None else abs(self.value) * (self.relative or 0.0)
        return math.isfinite(found) and abs(found - self.value) <= allowed

    def digits(self, found: float) -> float:
        """Decimal digits that agree, 16 at most."""
        if not math.isfinite(found):
            return 0.0
        gap = abs(found - self.value) / (abs(self.value) or 1.0)
        return 16.0 if gap == 0 else max(0.0, min(16.0, -math.log10(gap)))


@cache
def load(name: str) -> Mapping[str, list[str]]:
    """The columns of a data file as text, comment lines left out."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as source:
        rows = list(csv.DictReader(line for line in source if not line.startswith("#")))
    return {key: [row[key] for row in rows] for key in rows[0]}


def expected() -> list[Expected]:
    """Every number of the reference table."""
    with EXPECTED.open(encoding="utf-8", newline="") as source:
        return [
            Expected(
                row["id"],
                row["dataset"],
                row["quantity"],
                float(row["value"]),
                float(row["rel_tol"]) if row["rel_tol"] else None,
                float(row["abs_tol"]) if row["abs_tol"] else None,
            )
            for row in csv.DictReader(source)
        ]


def checks() -> dict[str, Check]:
    """Every check there is code for, by id."""
    found: dict[str, Check] = {}
    for path in sorted(HERE.glob("checks_*.py")):
        spec = importlib.util.spec_from_file_location(f"verification_{path.stem}", path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        twice = set(found) & set(module.CHECKS)
        if twice:
            raise ValueError(f"{path.name}: checks defined twice: {sorted(twice)}")
        found.update(module.CHECKS)
    return found


def main() -> int:
    """Print the agreement of every number; 1 when one is outside its tolerance or has no check."""
    if not EXPECTED.exists():
        print(f"no reference table at {EXPECTED}; name its folder in STANCH_REFERENCE", file=sys.stderr)
        return 3
    known, worst = checks(), 0
    print(f"{'check':6} {'quantity':34} {'expected':>18} {'found':>18} {'digits':>6}")
    for row in expected():
        results = known[row.check](load) if row.check in known else {}
        found = float(results.get(row.key, math.nan))
        verdict = "" if row.met(found) else "  OUTSIDE"
        worst = worst or int(bool(verdict))
        print(
            f"{row.check:6} {row.quantity[:34]:34} {row.value:18.10g} {found:18.10g} {row.digits(found):6.1f}{verdict}"
        )
    return worst


if __name__ == "__main__":
    raise SystemExit(main())
