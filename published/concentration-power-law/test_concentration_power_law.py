"""Sources: Kim et al. 2016 (2 in compression) and exponents of theories from memory; a band that warns, never fails."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.expect import courses
from stanch.virtual.blood.records import Composition, Contents

HERE = Path(__file__).parent
TEXT = (HERE / "exponents.csv").read_text(encoding="utf-8").splitlines()
BAND = [float(row["exponent"]) for row in csv.DictReader(TEXT)]


def exponent(choices: Choices) -> float:
    """Of the last modulus in fibrinogen, blood without platelets and tPA."""
    well = Contents(tissue_factor=5e-8)
    low, high = (
        float(courses(Composition(fibrinogen=f, platelets=0.0, tpa=0.0), [well], choices)[0].modulus(3600.0))
        for f in (1.5, 3.0)
    )
    return math.log(high / low) / math.log(2.0)


@pytest.mark.parametrize("chosen", [1.4, 2.0, 2.5])
def test_a_complete_network_follows_the_exponent_chosen(chosen: float) -> None:
    assert exponent(Choices(concentration_exponent=chosen)) == pytest.approx(chosen, abs=0.01)


def test_the_default_beside_the_band() -> None:
    found = exponent(Choices())
    said = "" if min(BAND) <= found <= max(BAND) else "WARNING, outside: "
    print(f"{said}exponent {found:.2f}; theories and experiments {min(BAND):g} to {max(BAND):g}")
    assert math.isfinite(found)
