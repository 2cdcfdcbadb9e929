"""Source: rate constant of Piebalgs et al. 2018, Sci Rep 8:15810 (read in public code); half-life computed."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import drive_of
from stanch.virtual.blood.lysis import INHIBITION
from stanch.virtual.blood.march import ROWS, march
from stanch.virtual.blood.records import Composition, Contents

HERE = Path(__file__).parent
TEXT = (HERE / "values.csv").read_text(encoding="utf-8").splitlines()
ROW = next(csv.DictReader(TEXT))


def test_half_life() -> None:
    antiplasmin = 1e-3 * float(ROW["antiplasmin_umol_l"])
    assert math.log(2) / (INHIBITION.value * antiplasmin) == pytest.approx(float(ROW["half_life_s"]), abs=5e-4)


def test_plasmin_without_fibrin_stands_at_formation_over_that_rate() -> None:
    d = drive_of(Composition(fibrinogen=0.0, tpa=1e-6), Contents(), Choices(macroglobulin_reach=0.0))
    none = np.zeros(51)
    rows = dict(zip(ROWS, march(none, none, 1.0, 2.0, 4, d), strict=True))
    made = -np.gradient(rows["plasminogen"], 2.0)[25]
    assert made > 0
    half_life = math.log(2) * rows["plasmin"][25] / made * d.antiplasmin / (1e-3 * float(ROW["antiplasmin_umol_l"]))
    assert half_life == pytest.approx(float(ROW["half_life_s"]), rel=0.01)
