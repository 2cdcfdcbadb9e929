import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.virtual.blood import tissue_factor
from stanch.virtual.blood.network import Network, Reaction, merge, reaction


def _line(text: str, forward: float = 1.0, reverse: float | None = None) -> Reaction:
    return reaction(text, forward, reverse, source="invented")


BINDING = Network((_line("A + B <-> A:B", 2e6, 0.5), _line("A:B -> A + C", 3.0)))


def test_a_reaction_is_read_from_its_text() -> None:
    made = _line("A + B <-> A:B", 2e6, 0.5)
    assert (made.reactants, made.products, made.name) == (("A", "B"), ("A:B",), "A + B <-> A:B")
    assert _line("A ->").products == ()
    assert _line("-> A").reactants == ()


@pytest.mark.parametrize(
    ("text", "forward", "reverse"),
    [
        ("A + B = C", 1.0, None),
        ("A -> B", 1.0, 1.0),
        ("A <-> B", 1.0, None),
        ("A -> B -> C", 1.0, None),
        ("A + B + C -> D", 1.0, None),
        ("A <-> B + C + D", 1.0, 1.0),
        ("->", 1.0, None),
        ("A -> B", -1.0, None),
        ("A -> B", float("nan"), None),
        ("A <-> B", 1.0, float("inf")),
    ],
)
def test_what_is_no_reaction_is_refused(text: str, forward: float, reverse: float | None) -> None:
    with pytest.raises(InputError):
        _line(text, forward, reverse)


def test_names_with_outer_blanks_and_doubled_or_missing_reactions_are_refused() -> None:
    with pytest.raises(InputError):
        Reaction(("A ",), ("B",), 1.0, None, "")
    with pytest.raises(InputError):
        Network((_line("A -> B"), _line("A -> B", 2.0)))
    with pytest.raises(InputError):
        Network(())


def test_printed_constants_become_si() -> None:
    # 1 M^-1 s^-1 = 1e-3 m^3/(mol s), 1 M/s = 1e3 mol/(m^3 s).
    np.testing.assert_allclose(BINDING.constants(), [2e3, 0.5, 3.0], rtol=1e-15)
    np.testing.assert_allclose(Network((_line("-> A", 1e-9),)).constants(), [1e-6], rtol=1e-15)


def test_rates_by_hand() -> None:
    a, b, ab, c = 2e-6, 3e-6, 5e-7, 0.0
    bound, freed, made = 2e3 * a * b, 0.5 * ab, 3.0 * ab
    np.testing.assert_allclose(
        BINDING.rates([a, b, ab, c]), [-bound + freed + made, -bound + freed, bound - freed - made, made], rtol=1e-14
    )


def test_a_molecule_that_meets_its_like() -> None:
    pair = Network((_line("A + A -> B", 1e3),))
    np.testing.assert_allclose(pair.rates([3.0, 0.0]), [-18.0, 9.0])
    np.testing.assert_allclose(pair.jacobian([3.0, 0.0]), [[-12.0, 0.0], [6.0, 0.0]])


def test_factors_act_on_the_named_reaction_and_way() -> None:
    np.testing.assert_allclose(BINDING.constants({"A + B <-> A:B": 3.0}), [6e3, 1.5, 3.0])
    np.testing.assert_allclose(BINDING.constants({"A + B <-> A:B (forward)": 3.0}), [6e3, 0.5, 3.0])
    np.testing.assert_allclose(BINDING.constants({"A + B <-> A:B (reverse)": 3.0}), [2e3, 1.5, 3.0])
    np.testing.assert_allclose(BINDING.constants({"A:B -> A + C": 0.0}), [2e3, 0.5, 0.0])
    for bad in ({"A:B -> A + C": -1.0}, {"A:B -> A": 1.0}, {"A:B -> A + C (reverse)": 1.0}):
        with pytest.raises(InputError):
            BINDING.constants(bad)


def test_concentrations_by_name() -> None:
    assert BINDING.initial({"A:B": 2.0}).tolist() == [0, 0, 2, 0]
    for bad in ({"D": 1.0}, {"A": -1.0}, {"A": float("nan")}):
        with pytest.raises(InputError):
            BINDING.initial(bad)


def _state(network: Network, seed: int) -> NDArray[np.float64]:
    return np.random.default_rng(seed).lognormal(-14, 1, len(network.species))


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.integers(0, 2**32))
def test_the_jacobian_is_the_derivative_of_the_rates(seed: int) -> None:
    network = tissue_factor.network()
    y = _state(network, seed)
    jacobian = network.jacobian(y)
    # The rates are quadratic, so that a central difference is exact but for rounding.
    for column in range(len(y)):
        step = np.zeros(len(y))
        step[column] = y[column] / 2
        difference = (network.rates(y + step) - network.rates(y - step)) / y[column]
        np.testing.assert_allclose(jacobian[:, column], difference, rtol=1e-9, atol=1e-11 * np.abs(jacobian).max())


def test_conserved_sums_do_not_change() -> None:
    network = merge(BINDING, Network((_line("C + D <-> E", 1e5, 0.1),)))
    sums = network.conserved
    assert np.all(sums @ network.stoichiometry == 0)
    assert len(sums) == len(network.species) - np.linalg.matrix_rank(network.stoichiometry) == 3
    assert np.all(sums == np.round(sums))
    assert len(Network((_line("A -> "),)).conserved) == 0


def test_merging_joins_by_name() -> None:
    joined = merge(BINDING, Network((_line("C + D -> A", 1e5), _line("A:B -> A + C", 3.0))))
    assert joined.species == ("A", "B", "A:B", "C", "D")
    assert len(joined.reactions) == 3
    with pytest.raises(InputError):
        merge(BINDING, Network((_line("A:B -> A + C", 4.0),)))
