"""Source: rate constants of Chatterjee et al. 2010, PLoS Comput Biol 6:e1000950; times computed for this project."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

import pytest

from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.clot import clot_course
from stanch.virtual.blood.fibrin import A_CATALYTIC, A_MICHAELIS, MOLAR_MASS, cleavage_time
from stanch.virtual.blood.records import Composition, Contents, ThrombinCourse
from stanch.virtual.blood.stiff import solve
from stanch.virtual.blood.tissue_factor import NORMAL, network

HERE = Path(__file__).parent
FIBRINOGEN = 9e-3  # mol/m^3


def rows(name: str) -> list[dict[str, float]]:
    text = (HERE / name).read_text(encoding="utf-8").splitlines()
    return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(text)]


def test_constants_follow_from_on_off_and_cat() -> None:
    assert pytest.approx((636 + 84) / 1e8 * 1e3) == A_MICHAELIS.value
    assert A_CATALYTIC.value == 84
    assert A_CATALYTIC.value / A_MICHAELIS.value * 1e3 == pytest.approx(1.17e7, rel=5e-3)
    assert 1e6 / (MOLAR_MASS.value * 1e3) == pytest.approx(2.94, abs=5e-3)


@pytest.mark.parametrize("row", rows("constant_thrombin.csv"), ids=lambda r: f"{r['share']:g}")
def test_constant_thrombin(row: dict[str, float]) -> None:
    assert cleavage_time(row["share"], 1e-6, FIBRINOGEN) == pytest.approx(row["time_s"], abs=5.1e-4)
    assert cleavage_time(row["share"], 1e-7, FIBRINOGEN) == pytest.approx(10 * row["time_s"], abs=5.1e-3)


@cache
def thrombin(tissue_factor: float) -> ThrombinCourse:
    """Thrombin of undiluted normal plasma."""
    net = network()
    made = solve(net, net.initial({**NORMAL, "TF": tissue_factor}), duration=900.0, step=2.0)
    return ThrombinCourse(made.time, made["IIa"], made["mIIa"])


@pytest.mark.parametrize("column", ["with_meizothrombin_s", "thrombin_alone_s"])
@pytest.mark.parametrize("row", rows("coupled.csv"), ids=lambda r: f"{r['tissue_factor_pmol_l']:g} pmol/L")
def test_coupled_to_the_tissue_factor_pathway(row: dict[str, float], column: str) -> None:
    blood = Composition(fibrinogen=FIBRINOGEN * MOLAR_MASS.value)
    choices = Choices(meizothrombin_clots=column == "with_meizothrombin_s", gel_share=0.20)
    clot = clot_course(blood, Contents(), thrombin(1e-9 * row["tissue_factor_pmol_l"]), choices)
    # The column shows tenths of a second; 0.5 % is the tolerance they were given with.
    assert clot.start == pytest.approx(row[column], rel=5e-3)
    assert clot.start == pytest.approx(row[column], abs=0.15)
