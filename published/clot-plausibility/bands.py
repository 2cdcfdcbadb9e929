"""Normal virtual blood beside plausibility bands: ``python published/clot-plausibility/bands.py``."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import ClotCourse
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.records import Composition, Contents
from stanch.virtual.blood.stiffness import CROSS_LINK_FACTOR, liquid_viscosity

HERE = Path(__file__).parent
BASE = DEMO_WELLS["base"]


@dataclass(frozen=True)
class Row:
    """A band and what was found."""

    key: str
    low: float
    high: float
    unit: str
    found: float

    @property
    def inside(self) -> bool:
        """Whether the value lies in the band."""
        return self.low <= self.found <= self.high


def _well(contents: Contents, choices: Choices | None = None, **composition: float) -> ClotCourse:
    return courses(Composition(**composition), [contents], choices)[0]


def _after_gel(clot: ClotCourse, share: float) -> float:
    level = share * clot.contraction.max()
    return (float(np.interp(level, clot.contraction, clot.time)) - clot.start) / 60.0


def found() -> dict[str, float]:
    """Values of a normal sample in the demo's base well, or as the key says."""
    base = _well(BASE)
    bare = _well(BASE, platelets=0.0, tpa=0.0)
    late = 1800.0
    counts = np.array([40e12, 100e12, 250e12, 400e12])
    moduli = [float(_well(BASE, platelets=c).modulus(late)) for c in counts]
    return {
        "fibrin modulus": float(bare.modulus(late)),
        "whole blood modulus": float(base.modulus(late)),
        "total over fibrin": float(base.modulus(late) / bare.modulus(late)),
        "platelet count exponent": float(np.polyfit(np.log(counts), np.log(moduli), 1)[0]),
        "cross-links": CROSS_LINK_FACTOR.value,
        "loss tangent at 100 Hz": base.material(late).loss_tangent(100.0),
        "critical gel: loss tangent at 1 Hz": _well(BASE, Choices(rheology="critical_gel"))
        .material(late)
        .loss_tangent(1.0),
        "viscosity at 45 %": 1e3 * liquid_viscosity(0.45, 1.0),
        "contraction lag": _after_gel(base, 0.1),
        "contraction fast phase": _after_gel(base, 0.9),
        "kept after an hour": float(base.kept(3600.0)),
        "gel point with 5 pmol/L tissue factor": _well(Contents(tissue_factor=5e-9)).start / 60.0,
        "gel point with 50 pmol/L tissue factor": _well(Contents(tissue_factor=5e-8)).start / 60.0,
        "sinking in an hour": 1e6 * float(base.shift(3600.0)),
    }


def rows() -> list[Row]:
    """Every band with its value; not a number where nothing was computed for it."""
    values = found()
    with (HERE / "bands.csv").open(encoding="utf-8") as file:
        return [
            Row(b["key"], float(b["low"]), float(b["high"]), b["unit"], values.get(b["key"], math.nan))
            for b in csv.DictReader(file)
        ]


if __name__ == "__main__":
    for row in rows():
        mark = "" if row.inside else "  WARNING: outside"
        print(f"{row.key:40s} {row.found:10.3g} {row.unit:6s} band {row.low:g} to {row.high:g}{mark}")
