"""The threshold model as two reaction networks; ``python published/threshold-model/model.py`` prints its agreement."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import numpy as np

from stanch.virtual.blood.network import Network, reaction
from stanch.virtual.blood.stiff import solve

HERE = Path(__file__).resolve().parent
GIVEN = tomllib.loads((HERE / "constants.toml").read_text(encoding="utf-8"))
NANO = 1e6
PER_MOLAR = 1e9
STEP = 0.01


def _network(*lines: tuple[str, float]) -> Network:
    return Network(tuple(reaction(text, constant, source="see source.toml") for text, constant in lines))


def found() -> dict[str, float]:
    """Every quantity of values.csv."""
    below = _network(("-> IIa", GIVEN["ks"] / PER_MOLAR), ("IIa + AT -> IIa:AT", GIVEN["k2"] * PER_MOLAR))
    early = solve(below, below.initial({"AT": GIVEN["AT"] / NANO}), duration=600.0, step=STEP, rtol=1e-9)
    enzyme = NANO * early["IIa"]
    i = int(np.argmax(enzyme >= GIVEN["threshold"]))
    switch = float(np.interp(GIVEN["threshold"], enzyme[i - 1 : i + 1], early.time[i - 1 : i + 1]))
    above = _network(
        ("II + IIa -> IIa + IIa", GIVEN["kp"] * PER_MOLAR), ("IIa + AT -> IIa:AT", GIVEN["k1"] * PER_MOLAR)
    )
    start = {
        "II": (GIVEN["II"] - GIVEN["ks"] * switch) / NANO,
        "IIa": GIVEN["threshold"] / NANO,
        "AT": float(np.interp(switch, early.time, early["AT"])),
    }
    late = solve(above, above.initial(start), duration=2000.0, step=STEP, rtol=1e-9)
    top = int(np.argmax(late["IIa"]))
    return {
        "IIa reaches 2 nM at [s]": switch,
        "IIa peak [nM]": NANO * float(late["IIa"][top]),
        "IIa peak at [s]": switch + float(late.time[top]),
        "AT left [nM]": NANO * float(late["AT"][-1]),
    }


def values() -> list[dict[str, str]]:
    """Lines of values.csv."""
    return list(csv.DictReader((HERE / "values.csv").read_text(encoding="utf-8").splitlines()))


if __name__ == "__main__":
    own = found()
    for line in values():
        gap = own[line["quantity"]] / float(line["value"]) - 1
        print(f"{line['quantity']:26}{line['value']:>9}{own[line['quantity']]:12.4f}  relative difference {gap:8.1e}")
