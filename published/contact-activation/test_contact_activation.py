"""Contact activation: constants of Chatterjee et al. 2010, PLoS Comput Biol 6:e1000950 (see source.toml)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from stanch.virtual.blood import contact, tissue_factor

HERE = Path(__file__).parent


def _rows(name: str) -> list[dict[str, str]]:
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


RATES = _rows("rates.csv")


@pytest.mark.parametrize("row", RATES, ids=lambda row: f"{row['reactants']} to {row['products']}")
def test_constants_are_those_of_the_source(row: dict[str, str]) -> None:
    sides = tuple(tuple(row[side].split()) for side in ("reactants", "products"))
    (found,) = [r for r in contact.network().reactions if (r.reactants, r.products) == sides]
    assert found.forward == float(row["forward"])
    assert found.reverse == (float(row["reverse"]) if row["reverse"] else None)
    assert "1000950" in found.source


def test_nothing_beyond_the_source_and_the_tissue_factor_pathway_is_in_the_network() -> None:
    assert len(contact.network().reactions) == len(RATES) + len(tissue_factor.network().reactions)


def test_the_compiled_form_moves_xiia_as_the_printed_constants_say() -> None:
    # Plasma with XIIa only: what disappears goes to two inhibitors, to complexes with XII, PK and XI.
    network = contact.network()
    amounts = tissue_factor.NORMAL | contact.NORMAL | {"XIIa": 1e-6}
    rates = network.rates(network.initial(amounts))
    molar = {name: value * 1e-3 for name, value in amounts.items()}
    partners = 3600 * molar["C1inh"] + 21.6 * molar["AT"] + 1e8 * (molar["XII"] + molar["PK"] + molar["XI"])
    expected = (5e-4 * molar["XII"] - partners * molar["XIIa"]) * 1e3
    np.testing.assert_allclose(rates[network.index("XIIa")], expected, rtol=1e-12)


@pytest.mark.parametrize("row", _rows("inhibitors.csv"), ids=lambda row: row["inhibitor"])
def test_amounts_of_inhibitors_agree_with_those_behind_scott_1982(row: dict[str, str]) -> None:
    # A second source for the amounts alone: plasma varies by some tens of percent.
    amount = float(row["rate_per_minute"]) / float(row["rate_per_molar_minute"]) * 1e3
    used = (tissue_factor.NORMAL | contact.NORMAL)[row["inhibitor"]]
    assert used == pytest.approx(amount, rel=0.4)
