"""Courses from the SBML text of the pathway by libroadrunner; ``python simulator.py`` writes simulator.csv.

Needs ``pip install libroadrunner`` (137 MB unpacked), which is not among the requirements of this project.
"""

from __future__ import annotations

import csv
import importlib
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.virtual.blood.sbml import identifiers, sbml
from stanch.virtual.blood.tissue_factor import NORMAL, network

HERE = Path(__file__).resolve().parent
CASES = ("5 pM", "25 pM", "1 pM", "TFPI 0", "VIII 0", "all factors halved")
SPECIES = ("IIa", "mIIa", "Xa", "Va", "Xa:Va", "IXa:VIIIa", "TF:VIIa:Xa:TFPI", "IIa:AT")
END, POINTS = 2400.0, 41


def text(case: str) -> str:
    """The SBML text of a case of cases.toml."""
    given = tomllib.loads((HERE / "cases.toml").read_text(encoding="utf-8"))[case]
    start = {**NORMAL, "TF": given["tissue_factor"] * 1e-9}
    for name, factor in given.get("change", {}).items():
        start[name] *= factor
    return sbml(network(), start)


def simulate(case: str) -> NDArray[np.float64]:
    """Time [s] and concentrations [mol/m^3] of SPECIES, from the text alone."""
    roadrunner: Any = importlib.import_module("roadrunner")
    runner = roadrunner.RoadRunner(text(case))
    runner.integrator.relative_tolerance = 1e-12
    runner.integrator.absolute_tolerance = 1e-24
    runner.integrator.maximum_num_steps = 1_000_000
    ids = identifiers(network())
    runner.timeCourseSelections = ["time", *(f"[{ids[name]}]" for name in SPECIES)]
    return np.array(runner.simulate(0, END, POINTS), dtype=float)


def main() -> None:
    with (HERE / "simulator.csv").open("w", encoding="utf-8", newline="") as target:
        writer = csv.writer(target, lineterminator="\n")
        writer.writerow(["case", "time [s]", *(f"{name} [mol/m^3]" for name in SPECIES)])
        for case in CASES:
            writer.writerows([case, *(f"{v:.11g}" for v in row)] for row in simulate(case))


if __name__ == "__main__":
    main()
