"""Digits of agreement with values.csv; ``python published/tissue-factor-pathway/agreement.py`` prints them."""

from __future__ import annotations

import csv
import importlib.util
import math
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).resolve().parent


def load(path: Path) -> ModuleType:
    """A script of this folder or a neighbour as a module."""
    name = f"{path.parent.name}_{path.stem}".replace("-", "_")
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def digits(gap: float) -> float:
    """Decimal digits that agree at a relative difference, 16 at most."""
    return 16.0 if gap == 0 else max(0.0, min(16.0, -math.log10(abs(gap))))


@dataclass(frozen=True)
class Row:
    """One value and what was found; kind: relative or absolute tolerance, or below (a bound)."""

    case: str
    quantity: str
    value: str
    found: float
    tolerance: float
    kind: str

    @property
    def gap(self) -> float:
        """Relative difference."""
        return (self.found - float(self.value)) / float(self.value)

    @property
    def digits(self) -> float:
        """Decimal digits that agree, 16 at most."""
        return digits(self.gap)

    @property
    def met(self) -> bool:
        if self.kind == "below":
            return self.found < float(self.value)
        off = abs(self.gap) if self.kind == "relative" else abs(self.found - float(self.value))
        return off <= self.tolerance

    @property
    def last_digit(self) -> float:
        """Difference in units of the last digit given."""
        return float(abs(self.found - float(self.value)) * 10 ** len(self.value.partition(".")[2]))


def rows(folder: Path, found: dict[str, dict[str, float]]) -> list[Row]:
    """The values of a folder beside what was found, by case and quantity; only of the cases found."""
    lines = csv.DictReader((folder / "values.csv").read_text(encoding="utf-8").splitlines())
    return [
        Row(
            line["case"],
            line["quantity"],
            line["value"],
            found[line["case"]][line["quantity"]],
            float(line["tolerance"] or 0),
            line["kind"],
        )
        for line in lines
        if line["case"] in found
    ]


def cases() -> dict[str, Any]:
    """What is solved, by name of the case."""
    return tomllib.loads((HERE / "cases.toml").read_text(encoding="utf-8"))


def agreement() -> list[Row]:
    """Every row of values.csv."""
    measures = load(HERE / "measures.py")
    return rows(HERE, {name: measures.measures(measures.follow(**case)) for name, case in cases().items()})


def show(made: list[Row]) -> None:
    """Print the table."""
    print(f"{'case':20}{'quantity':31}{'value':>9}{'found':>14}{'rel. diff.':>12}{'digits':>7}  tolerance      ok")
    for r in made:
        allowed = f"below {r.value}" if r.kind == "below" else f"{r.tolerance:g} {r.kind}"
        differs = f"{'':12}{'':7}" if r.kind == "below" else f"{r.gap:12.1e}{r.digits:7.1f}"
        print(f"{r.case:20}{r.quantity:31}{r.value:>9}{r.found:14.6f}{differs}  {allowed:15}{'ok' if r.met else 'NO'}")
    judged = [r for r in made if r.kind != "below"]
    print(f"{sum(r.met for r in made)} of {len(made)} met; fewest digits {min(r.digits for r in judged):.1f}")


if __name__ == "__main__":
    show(agreement())
