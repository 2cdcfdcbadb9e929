import numpy as np
import pytest

from stanch.virtual.blood import contact, tissue_factor
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.plasma import plasma
from stanch.virtual.blood.records import Composition, Contents
from stanch.virtual.blood.stiff import Solution, solve

CONTACT = Contents("contact")


def _solution(contents: Contents = CONTACT, **composition: object) -> Solution:
    well = plasma(Composition(**composition), contents, Choices())  # type: ignore[arg-type]
    constants = well.speed * well.network.constants(well.factors)
    return solve(
        well.network,
        well.network.initial(well.concentrations),
        duration=1800,
        step=10,
        constants=constants,
        atol=1e-15,
        rtol=1e-6,
    )


def test_the_listed_reactions_are_in_the_network() -> None:
    names = {r.name for r in contact.network().reactions}
    assert set(contact.SURFACE) <= names
    assert set(contact.MEMBRANE) <= names
    assert names > {r.name for r in tissue_factor.network().reactions}


def test_constants_say_where_they_are_from() -> None:
    assert all(c.source and c.unit == "mol/m^3" and c.value > 0 for c in contact.CONSTANTS)
    assert {c.value for c in contact.CONSTANTS} == set(contact.NORMAL.values())


@pytest.mark.parametrize(
    ("species", "parts"),
    [
        ("XII", ("XII", "XIIa", "XIIa:XII", "XIIa:XII", "XIIa:PK", "K:XII", "XIIa:C1inh", "XIIa:AT", "XIIa:XI")),
        ("PK", ("PK", "XIIa:PK", "K", "K:XII", "K:inhibited")),
        ("XI", ("XI", "XIa", "XI:IIa", "XIIa:XI", "XIa:AT", "XIa:C1inh", "XIa:a1AT", "XIa:a2AP", "XIa:IX")),
        ("a1AT", ("a1AT", "XIa:a1AT")),
        ("a2AP", ("a2AP", "XIa:a2AP")),
        ("C1inh", ("C1inh", "XIIa:C1inh", "XIa:C1inh")),
        ("IX", ("IX", "IXa", "XIa:IX", "IXa:X", "IXa:VIIIa", "IXa:VIIIa:X", "IXa:AT", "TF:VIIa:IX")),
        ("V", ("V", "Va", "Xa:Va", "Xa:Va:II")),
    ],
)
def test_no_protein_is_lost_or_made(species: str, parts: tuple[str, ...]) -> None:
    made = _solution()
    total = sum(made[part] for part in parts)
    np.testing.assert_allclose(total, total[0], rtol=1e-9)
    assert total[0] == pytest.approx((tissue_factor.NORMAL | contact.NORMAL)[species])


def test_every_conserved_sum_stays() -> None:
    made = _solution()
    sums = made.values @ made.network.conserved.T
    np.testing.assert_allclose(sums, np.broadcast_to(sums[0], sums.shape), rtol=1e-9, atol=1e-15)


def test_nothing_starts_without_factor_xii_or_without_surface() -> None:
    assert not _solution(factors={"XII": 0.0})["IIa"].any()
    assert not _solution(contents=Contents("contact", contact_strength=0.0))["IIa"].any()


def test_without_surface_the_network_is_that_of_tissue_factor() -> None:
    assert (
        plasma(Composition(), Contents("contact", contact_strength=0.0), Choices()).network is tissue_factor.network()
    )
    assert plasma(Composition(), Contents(), Choices(contact_trace=0.0)).network is tissue_factor.network()
    assert plasma(Composition(), Contents(), Choices()).network is contact.network()


def test_surface_scales_only_what_meets_on_it() -> None:
    one = plasma(Composition(), Contents("contact"), Choices()).factors
    two = plasma(Composition(), Contents("contact", contact_strength=2.0), Choices()).factors
    changed = {text for text in two if two[text] != one[text]}
    assert changed == {f"{text} (forward)" for text in contact.SURFACE}
    assert {two[text] / one[text] for text in changed} == {2.0}


def test_another_solver_gives_the_same_course() -> None:
    from scipy.integrate import solve_ivp

    well = plasma(Composition(), CONTACT, Choices())
    constants = well.network.constants(well.factors)
    start = well.network.initial(well.concentrations)
    other = solve_ivp(
        lambda _, y: well.network.rates(y, constants),
        (0, 300),
        start,
        method="BDF",
        jac=lambda _, y: well.network.jacobian(y, constants),
        t_eval=[50, 100, 150, 200, 300],
        rtol=1e-7,
        atol=1e-17,
    )
    made = _solution()
    for name in ("XIIa", "K", "XIa", "IXa", "IIa", "mIIa", "XIa:a1AT"):
        expected = other.y[well.network.index(name)]
        np.testing.assert_allclose(made[name][[5, 10, 15, 20, 30]], expected, rtol=2e-4, atol=1e-15, err_msg=name)
