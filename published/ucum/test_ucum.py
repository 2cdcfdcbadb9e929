"""Source: The Unified Code for Units of Measure (UCUM), through the library ucumvert; see source.toml."""

import csv
from pathlib import Path

import pytest
from lark.exceptions import UnexpectedInput
from ucumvert import PintUcumRegistry, get_ucum_parser

from stanch.quantities import UNITS, Unit

CODES = (Path(__file__).parent / "codes.csv").read_text(encoding="utf-8")
ROWS = {row["code"]: row for row in csv.DictReader(CODES.splitlines())}
# A logarithm, an arbitrary unit and a scale with its own zero have no factor to SI base units.
WITHOUT_FACTOR = {"dB", "dB/cm", "[IU]/mL", "Cel"}


@pytest.fixture(scope="module")
def registry() -> PintUcumRegistry:
    return PintUcumRegistry()


@pytest.mark.parametrize("unit", UNITS.values(), ids=lambda u: u.text)
def test_code_is_ucum(unit: Unit) -> None:
    assert get_ucum_parser().parse(unit.ucum) is not None


def test_the_parser_refuses_what_is_not_ucum() -> None:
    with pytest.raises(UnexpectedInput):
        get_ucum_parser().parse("Pa·s")


@pytest.mark.parametrize("unit", [u for u in UNITS.values() if u.ucum not in WITHOUT_FACTOR], ids=lambda u: u.text)
def test_factor_to_si_is_that_of_the_code(unit: Unit, registry: PintUcumRegistry) -> None:
    quantity = registry.from_ucum(unit.ucum).to_base_units()
    assert quantity.magnitude == pytest.approx(unit.scale, rel=1e-12)
    row = ROWS[unit.ucum]
    assert float(row["si_value"]) == pytest.approx(unit.scale, rel=1e-12)
    assert str(quantity.dimensionality) == str(registry.Quantity(row["si_unit"]).dimensionality)


def test_every_unit_has_a_row_or_a_reason() -> None:
    assert {u.ucum for u in UNITS.values()} == set(ROWS) | WITHOUT_FACTOR


def test_a_degree_celsius_is_a_kelvin_with_the_zero_at_273_15(registry: PintUcumRegistry) -> None:
    kelvin = registry.Quantity(37.0, registry.from_ucum("Cel").units).to("kelvin").magnitude
    unit = UNITS["Cel"]
    assert 37.0 * unit.scale + unit.offset == pytest.approx(kelvin, abs=1e-9)
