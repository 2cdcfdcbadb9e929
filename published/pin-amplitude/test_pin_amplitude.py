"""Pin amplitude and modulus: Hartert & Schaeder 1962 (formula from memory); arithmetic only."""

import csv
import tomllib
from pathlib import Path
from typing import Any

import pytest

from stanch.mechanics.pin import amplitude_from_modulus, modulus_from_amplitude, modulus_relative_uncertainty

HERE = Path(__file__).parent
FOUND: dict[str, list[dict[str, Any]]] = tomllib.loads((HERE / "consequences.toml").read_text(encoding="utf-8"))


def test_table() -> None:
    for row in csv.DictReader((HERE / "amplitude.csv").read_text(encoding="utf-8").splitlines()):
        a, g = float(row["amplitude"]), float(row["modulus_pa"])
        assert float(modulus_from_amplitude(a)) == pytest.approx(g, abs=5.1e-5)
        assert float(amplitude_from_modulus(g)) == pytest.approx(a, abs=2e-5)


@pytest.mark.parametrize("row", FOUND["difference"], ids=lambda r: str(r["amplitudes"]))
def test_amplitudes_do_not_subtract(row: dict[str, Any]) -> None:
    whole, part = row["amplitudes"]
    g = modulus_from_amplitude([whole, part])
    difference = float(g[0] - g[1])
    assert difference == pytest.approx(row["modulus_pa"], abs=5.1e-3)
    assert float(amplitude_from_modulus(difference)) == pytest.approx(row["as_amplitude"], abs=5.1e-3)
    assert difference / float(g[0]) == pytest.approx(row.get("share_of_modulus", difference / float(g[0])), abs=5.1e-4)
    assert (whole - part) / whole == pytest.approx(row.get("share_of_amplitude", (whole - part) / whole), abs=5.1e-4)


@pytest.mark.parametrize("row", FOUND["loss"], ids=lambda r: f"{r['amplitude']} {r['amplitude_loss']}")
def test_a_loss_of_amplitude_is_a_larger_loss_of_modulus(row: dict[str, float]) -> None:
    a = row["amplitude"]
    g = modulus_from_amplitude([a, a * (1 - row["amplitude_loss"])])
    assert float(1 - g[1] / g[0]) == pytest.approx(row["modulus_loss"], abs=5.1e-4)


@pytest.mark.parametrize("row", FOUND["slope"], ids=lambda r: str(r["amplitude"]))
def test_worth_of_one_unit(row: dict[str, float]) -> None:
    a = row["amplitude"]
    relative = float(modulus_relative_uncertainty(a, 1.0, 0.0))
    assert relative * float(modulus_from_amplitude(a)) == pytest.approx(row["pa_per_unit"], abs=0.051)
