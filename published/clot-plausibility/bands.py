"""Normal virtual blood beside plausibility bands: ``python published/clot-plausibility/bands.py``.

With ``--page`` it prints the rows of the table in ``docs/reference/plausibility.md``.
"""

from __future__ import annotations

import csv
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

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
    seen: str = ""
    source: str = ""

    @property
    def inside(self) -> bool:
        """Whether the value lies in the band."""
        return self.low <= self.found <= self.high


def _well(
    contents: Contents, choices: Choices | None = None, duration: float = 3600.0, step: float = 2.0, **changed: Any
) -> ClotCourse:
    return courses(replace(Composition(), **changed), [contents], choices, duration=duration, step=step)[0]


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
        **_more(base, bare, late),
    }


def _more(base: ClotCourse, bare: ClotCourse, late: float) -> dict[str, float]:
    blocked = Choices(contact_trace=0.0)
    fibrinogen = np.array([1.0, 2.0, 4.0])
    fibrin = [float(_well(BASE, platelets=0.0, tpa=0.0, fibrinogen=f).modulus(late)) for f in fibrinogen]
    few, many = (_well(BASE, haematocrit=h) for h in (0.20, 0.45))
    contact = Contents("contact")
    return {
        "modulus of the base well at the end of the hour": float(base.modulus(3600.0)),
        "total over fibrin: an order of magnitude": float(base.modulus(late) / bare.modulus(late)),
        "exponent of the fibrin modulus in fibrinogen": float(np.polyfit(np.log(fibrinogen), np.log(fibrin), 1)[0]),
        "modulus at haematocrit 20 % over that at 45 %": float(few.modulus(late) / many.modulus(late)),
        "contraction at haematocrit 20 % over that at 45 %": float(few.contraction[-1] / many.contraction[-1]),
        "gel point with 5 pmol/L tissue factor, contact blocked": _well(Contents(), blocked).start / 60.0,
        "gel point with contact activation": _well(contact).start / 60.0,
        "gel point with contact activation and heparin 4 IU/mL": _well(contact, duration=7200.0, heparin=4e6).start
        / 60.0,
        "gel point without activator": _well(Contents("none")).start / 60.0,
        "gel point without activator, contact blocked": _well(Contents("none"), blocked, duration=10800.0).start / 60.0,
        "kept after 24 h": float(_well(BASE, duration=86400.0, step=10.0).kept(86400.0)),
        "viscosity at 45 % below 1 1/s": 1e3 * liquid_viscosity(0.45, 1.0),
        **{
            f"contact gel point with factor {name} at 1 % over normal": _well(
                contact, duration=7200.0, factors={name: 0.01}
            ).start
            / _well(contact).start
            for name in ("VIII", "IX", "XI", "XII")
        },
    }


def rows() -> list[Row]:
    """Every band with its value; not a number where nothing was computed for it."""
    values = found()
    with (HERE / "bands.csv").open(encoding="utf-8") as file:
        return [
            Row(
                b["key"],
                float(b["low"]),
                float(b["high"]),
                b["unit"],
                values.get(b["key"], math.nan),
                b["seen"],
                b["source"],
            )
            for b in csv.DictReader(file)
        ]


def _band(row: Row) -> str:
    return f"above {row.low:g}" if math.isinf(row.high) else f"{row.low:g} to {row.high:g}"


def _value(found: float) -> str:
    return "none" if math.isinf(found) else f"{found:.2g}" if found < 100 else f"{found:.0f}"


def line(row: Row) -> str:
    """The row as one of the page's table."""
    unit = "" if row.unit == "1" else f" {row.unit}"
    value = _value(row.found) + ("" if math.isinf(row.found) else unit)
    mark = "inside" if row.inside else "**outside**"
    return f"| {row.key} | {value} | {_band(row)}{unit} | {mark} | {row.seen} | {row.source} |"


if __name__ == "__main__":
    for row in rows():
        if "--page" in sys.argv:
            print(line(row))
        else:
            mark = "" if row.inside else "  WARNING: outside"
            print(f"{row.key:58s} {row.found:10.3g} {row.unit:6s} band {_band(row)}{mark}")
