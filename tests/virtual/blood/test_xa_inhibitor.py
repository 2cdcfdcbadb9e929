"""A direct inhibitor of factor Xa: its constants, that without it nothing changes, and what more of it does."""

from __future__ import annotations

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.virtual.blood import tissue_factor, xa_inhibitor
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.expect import courses
from stanch.virtual.blood.network import merge
from stanch.virtual.blood.plasma import plasma
from stanch.virtual.blood.records import Composition, Contents
from stanch.virtual.blood.stiff import solve

LOW, HIGH = Contents(tissue_factor=5e-9), Contents(tissue_factor=50e-9)


def test_dissociation_constants_are_those_of_the_abstract() -> None:
    # doi 10.3109/14756366.2010.535793, abstract: Ki 0.25, 0.62 and 1.7 nmol/L.
    found = [r.reverse / r.forward for r in xa_inhibitor.network().reactions]  # type: ignore[operator]
    assert found == pytest.approx([0.25e-9, 0.62e-9, 1.7e-9], rel=1e-12)


def test_equilibrium_with_free_factor_xa_is_the_root_of_the_law_of_mass_action() -> None:
    network = xa_inhibitor.network()
    start = network.initial({"Xa": 2e-6, "XaI": 3e-6})
    bound = solve(network, start, duration=4000.0, step=1.0)["Xa:XaI"][-1]
    total = 2e-6 + 3e-6 + 0.25e-6
    assert bound == pytest.approx((total - np.sqrt(total**2 - 4 * 2e-6 * 3e-6)) / 2, rel=1e-6)


def test_half_life_on_free_factor_xa_is_one_to_two_minutes() -> None:
    reverse = xa_inhibitor.network().reactions[0].reverse
    assert reverse is not None
    assert 60.0 <= np.log(2) / reverse <= 140.0  # the same abstract, "1-2 min"; 0.25 nmol/L x 20 gives 139 s


def test_without_it_the_network_is_the_plain_one() -> None:
    made = plasma(Composition(), LOW, Choices(contact_trace=0.0))
    assert made.network is tissue_factor.network()


def test_factor_xa_is_conserved_with_it() -> None:
    made = plasma(Composition(xa_inhibitor=20e-6), HIGH, Choices(contact_trace=0.0))
    assert made.network.reactions == merge(tissue_factor.network(), xa_inhibitor.network()).reactions
    solution = solve(made.network, made.network.initial(made.concentrations), duration=1200.0, step=2.0, atol=1e-15)
    held = sum(solution[name] for name in made.network.species if "XaI" in name.split(":"))
    assert held == pytest.approx(20e-6, rel=1e-8)


def test_more_of_it_is_later_and_least_so_with_much_tissue_factor() -> None:
    doses = (0.0, 2e-6, 5e-6, 10e-6, 20e-6)
    starts = np.array([[c.start for c in courses(Composition(xa_inhibitor=x), (LOW, HIGH))] for x in doses])
    assert np.all(np.diff(starts, axis=0) > 0)
    later = starts[1:] / starts[0]
    assert np.all(later[:, 0] > later[:, 1])


def test_it_is_diluted_with_the_plasma() -> None:
    made = plasma(Composition(xa_inhibitor=1e-5, haematocrit=0.0), Contents(blood_share=0.5), Choices())
    assert made.concentrations["XaI"] == pytest.approx(5e-6)


@pytest.mark.parametrize("value", [-1e-9, 2e-2, float("nan")])
def test_impossible_amounts_are_refused(value: float) -> None:
    with pytest.raises(InputError, match="xa_inhibitor"):
        Composition(xa_inhibitor=value)
