"""Source: two laboratory teaching pages on citrate at high haematocrit, after CLSI H21; see source.toml."""

import csv
from pathlib import Path

import pytest

from stanch.citrate import plasma_citrate, tube_citrate
from stanch.errors import InputError


def _rows(name: str) -> list[dict[str, str]]:
    with (Path(__file__).parent / name).open(encoding="utf-8", newline="") as source:
        return list(csv.DictReader(source))


@pytest.mark.parametrize("row", _rows("volume.csv"), ids=lambda r: r["haematocrit_percent"])
def test_volume_agrees_with_the_printed_table(row: dict[str, str]) -> None:
    got = tube_citrate(float(row["haematocrit_percent"]) / 100, float(row["blood_ml"]) * 1e-6) * 1e6
    assert got == pytest.approx(float(row["citrate_ml"]), abs=5.1e-4)


def test_volume_is_near_the_other_printed_form() -> None:
    # (100 - 60)/(595 - 60) of a 2.7 mL draw is printed as 0.202 mL; the two forms round otherwise.
    assert tube_citrate(0.60, 2.7e-6) * 1e6 == pytest.approx(0.202, rel=0.02)


@pytest.mark.parametrize("row", _rows("citrate_in_plasma.csv"), ids=lambda r: r["haematocrit_percent"])
def test_citrate_in_plasma_at_nine_to_one(row: dict[str, str]) -> None:
    got = plasma_citrate(float(row["haematocrit_percent"]) / 100)
    assert got == pytest.approx(float(row["plasma_citrate_mmol_per_l"]), abs=5.1e-3)


def test_the_volume_formula_holds_the_target_of_17_mmol_per_litre() -> None:
    for haematocrit in (0.45, 0.55, 0.60, 0.65):
        volume = tube_citrate(haematocrit, 1.0)
        assert plasma_citrate(haematocrit, blood_parts=1.0 / volume) == pytest.approx(17.0, rel=0.01)


@pytest.mark.parametrize("haematocrit", [-0.1, 1.0, 45.0, float("nan")])
def test_a_percentage_is_not_taken_for_a_fraction(haematocrit: float) -> None:
    with pytest.raises(InputError, match="a fraction from 0 to below 1"):
        plasma_citrate(haematocrit)
    with pytest.raises(InputError, match="haematocrit"):
        tube_citrate(haematocrit, 1e-6)
