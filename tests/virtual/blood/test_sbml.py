import re
from collections.abc import Mapping
from xml.etree.ElementTree import Element, fromstring

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.virtual.blood import contact, tissue_factor
from stanch.virtual.blood.network import Network, reaction
from stanch.virtual.blood.sbml import CORE, MATH, XHTML, identifiers, sbml

S, M = f"{{{CORE}}}", f"{{{MATH}}}"
ODD = Network(
    (
        reaction("A & B + A-B <-> <C>", 2e6, 0.5, source='said "so" & <elsewhere>'),
        reaction("-> A & B", 1e-9, source="invented"),
        reaction("A_B + A_B -> 2x", 1e3, source="invented"),
        reaction("2x ->", 0.1, source="invented"),
        reaction("plasma -> A:B", 0.1, source="invented"),
    )
)


def _value(node: Element, names: Mapping[str, float]) -> float:
    """A reader of MathML that knows no more than the text."""
    if node.tag == f"{M}ci":
        return names[str(node.text).strip()]
    assert node.tag == f"{M}apply"
    operation, *parts = node
    values = [_value(part, names) for part in parts]
    if operation.tag == f"{M}times":
        return float(np.prod(values))
    assert operation.tag == f"{M}minus"
    return values[0] - values[1]


def _read(text: str) -> tuple[dict[str, float], dict[str, float], list[Element]]:
    model = fromstring(text.encode()).find(f"{S}model")
    assert model is not None
    species = {s.attrib["id"]: float(s.attrib["initialConcentration"]) for s in model.iter(f"{S}species")}
    constants = {p.attrib["id"]: float(p.attrib["value"]) for p in model.iter(f"{S}parameter")}
    size = {c.attrib["id"]: float(c.attrib["size"]) for c in model.iter(f"{S}compartment")}
    return species, {**constants, **size}, list(model.iter(f"{S}reaction"))


def _rates(text: str, state: Mapping[str, float]) -> dict[str, float]:
    species, constants, reactions = _read(text)
    change = dict.fromkeys(species, 0.0)
    for r in reactions:
        math = r.find(f"{S}kineticLaw/{M}math")
        assert math is not None
        rate = _value(math[0], {**constants, **state})
        for tag, sign in (("listOfReactants", -1), ("listOfProducts", 1)):
            for reference in r.iterfind(f"{S}{tag}/{S}speciesReference"):
                change[reference.attrib["species"]] += sign * float(reference.attrib["stoichiometry"]) * rate
    return change


@pytest.mark.parametrize("network", [tissue_factor.network(), contact.network(), ODD], ids=["tissue", "contact", "odd"])
def test_the_text_alone_gives_the_rates(network: Network) -> None:
    rng = np.random.default_rng(3)
    ids = identifiers(network)
    scale = {network.reactions[0].name: 3.0, f"{network.reactions[0].name} (reverse)": 0.5}
    text = sbml(network, {network.species[0]: 2e-6}, scale)
    for _ in range(3):
        y = rng.lognormal(-12, 1, len(network.species))
        found = _rates(text, {ids[name]: float(v) for name, v in zip(network.species, y, strict=True)})
        expected = network.rates(y, network.constants(scale))
        np.testing.assert_allclose([found[ids[name]] for name in network.species], expected, rtol=1e-9, atol=1e-22)


def test_the_initial_state_is_in_the_text() -> None:
    species, _, reactions = _read(sbml(ODD, {"A & B": 0.1, "2x": 1e-300}))
    assert species[identifiers(ODD)["A & B"]] == 0.1
    assert species[identifiers(ODD)["2x"]] == 1e-300
    assert sum(v > 0 for v in species.values()) == 2
    with pytest.raises(InputError):
        sbml(ODD, {"nothing": 1.0})
    assert len(reactions) == len(ODD.reactions)


def test_identifiers_are_allowed_and_differ() -> None:
    ids = identifiers(ODD)
    assert len(set(ids.values())) == len(ODD.species)
    assert all(re.fullmatch(r"[A-Za-z_]\w*", v, flags=re.ASCII) and v != "plasma" for v in ids.values())
    assert identifiers(tissue_factor.network())["TF:VIIa:Xa:TFPI"] == "TF_VIIa_Xa_TFPI"


def test_names_sources_and_ways_are_told() -> None:
    reactions = _read(sbml(ODD, {}))[2]
    assert [r.attrib["name"] for r in reactions] == [r.name for r in ODD.reactions]
    assert [r.attrib["reversible"] for r in reactions] == ["true", "false", "false", "false", "false"]
    assert reactions[0].findtext(f"{S}notes/{{{XHTML}}}p") == 'said "so" & <elsewhere>'
