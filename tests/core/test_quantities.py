import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import UnitError
from stanch.quantities import QUANTITIES, UNITS, parse_quantity, quantity


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("40 MHz", "frequency", 40e6),
        ("125 us", "time", 125e-6),
        ("125 µs", "time", 125e-6),
        ("-1.0 mm", "length", -1e-3),
        ("1055 kg/m^3", "density", 1055.0),
        ("8 min", "time", 480.0),
        ("37 Cel", "temperature", 310.15),
        ("0.004 Pa s", "viscosity", 0.004),
        ("2.5e2Pa", "pressure", 250.0),
        ("250 10^9/L", "number concentration", 250e12),
        ("42 %", "ratio", 0.42),
        ("0.30 1", "ratio", 0.30),
    ],
)
def test_texts_become_si_numbers(text: str, kind: str, value: float) -> None:
    assert parse_quantity(text, kind, "x") == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("40", "a unit of frequency"),
        (40, "text with a unit"),
        ("40 mm", "a unit of frequency"),
        ("MHz", "a number and a unit"),
        ("nan MHz", "a number and a unit"),
        ("1e999 MHz", "a finite number"),
        ("40 furlong", "allowed: a unit of frequency (Hz, kHz, MHz)"),
        ("4,5 MHz", "a unit of frequency"),
    ],
)
def test_bad_texts_name_the_input_the_value_and_what_is_allowed(text: object, message: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_quantity(text, "frequency", "sampling_rate")
    assert "sampling_rate" in str(caught.value)
    assert str(text) in str(caught.value)
    assert message in str(caught.value)


@settings(derandomize=True)
@given(st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6))
def test_every_unit_round_trips(name: str, number: float) -> None:
    found = UNITS[name]
    value = parse_quantity(f"{number!r} {name}", found.kind, "x")
    assert math.isclose((value - found.offset) / found.scale, number, rel_tol=1e-12, abs_tol=1e-9)


def test_every_quantity_has_a_known_unit_and_a_sentence() -> None:
    for key, entry in QUANTITIES.items():
        assert key == entry.key
        assert entry.unit in UNITS
        assert entry.meaning.endswith(".")
    with pytest.raises(UnitError, match="allowed: modulus"):
        quantity("swing")
