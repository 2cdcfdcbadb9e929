"""Source: Winter & Chambon 1986 (loss tangent of a critical gel), Muthukumar 1989 (its exponent from a dimension)."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import clot_course
from stanch.virtual.blood.records import Composition, Contents
from stanch.virtual.blood.stiffness import FRACTAL_DIMENSION, gel_exponent
from stanch.virtual.blood.thrombin import thrombin_course

HERE = Path(__file__).parent
TEXT = (HERE / "exponents.csv").read_text(encoding="utf-8").splitlines()
ROWS = [{key: float(value) for key, value in row.items()} for row in csv.DictReader(TEXT)]


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['fractal_dimension']:g}")
def test_exponent_angle_and_tangent(row: dict[str, float]) -> None:
    n = gel_exponent(row["fractal_dimension"])
    assert n == pytest.approx(row["exponent"], abs=5.1e-7)
    assert math.degrees(n * math.pi / 2) == pytest.approx(row["loss_angle_deg"], abs=5.1e-5)
    assert math.tan(n * math.pi / 2) == pytest.approx(row["loss_tangent"], abs=5.1e-6)


def test_virtual_blood_is_a_critical_gel_at_its_gel_point() -> None:
    contents, choices = Contents(tissue_factor=2e-8), Choices(rheology="critical_gel")
    drive = thrombin_course(Composition(), contents, choices, duration=600.0)
    clot = clot_course(Composition(), contents, drive, choices)
    assert FRACTAL_DIMENSION.value == ROWS[0]["fractal_dimension"]
    made = clot.material(clot.start)
    frequencies = (1.0, 10.0, 100.0, 1000.0)
    # Curves are linear between points 2 s apart, so that the gel point itself is met to a few parts in a thousand.
    for f in frequencies:
        assert made.loss_tangent(f) == pytest.approx(ROWS[0]["loss_tangent"], rel=0.02)
    slopes = [math.log(made.storage(10 * f) / made.storage(f)) / math.log(10) for f in frequencies[:-1]]
    assert slopes == pytest.approx([ROWS[0]["exponent"]] * 3, abs=0.005)
