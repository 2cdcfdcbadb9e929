"""A reaction network as SBML text, so that any simulator of that standard can solve the same reactions."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from stanch.virtual.blood.network import Network, Reaction

__all__ = ["identifiers", "sbml"]

CORE = "http://www.sbml.org/sbml/level3/version1/core"
MATH = "http://www.w3.org/1998/Math/MathML"
XHTML = "http://www.w3.org/1999/xhtml"
_PER_SIDE = ("rate", "per_second", "volume_per_amount_and_second")


def identifiers(network: Network) -> dict[str, str]:
    """Identifiers that SBML allows, by species; ``TF:VIIa`` becomes ``TF_VIIa``."""
    made: dict[str, str] = {}
    for name in network.species:
        plain = re.sub(r"\W", "_", name, flags=re.ASCII)
        plain = plain if plain[:1].isalpha() else f"_{plain}"
        taken = {*made.values(), "plasma"}
        number = 2
        found = plain
        while found in taken:
            found, number = f"{plain}_{number}", number + 1
        made[name] = found
    return made


def sbml(network: Network, initial: Mapping[str, float], scale: Mapping[str, float] | None = None) -> str:
    """A network and its initial state in the Systems Biology Markup Language, level 3 version 1 core.

    Parameters
    ----------
    network : Network
        Any; each reaction becomes one with a mass-action law, reversible where it has a way back.
    initial : mapping of str to float
        Concentrations by species; 0 where left out [mol/m^3].
    scale : mapping of str to float, optional
        Factors on named reactions, as in :meth:`Network.constants` [-].

    Returns
    -------
    str
        XML. Units are mol, m^3 and s; the source of each reaction stands in its notes.

    Raises
    ------
    InputError
        As :meth:`Network.initial` and :meth:`Network.constants`.

    Notes
    -----
    Hucka et al. 2010, The Systems Biology Markup Language (SBML): language specification for level 3 version 1 core.
    """
    concentrations = network.initial(initial)
    ids = identifiers(network)
    root = Element("sbml", {"xmlns": CORE, "level": "3", "version": "1"})
    units = {"substanceUnits": "mole", "extentUnits": "mole", "timeUnits": "second", "volumeUnits": "cubic_metre"}
    model = SubElement(root, "model", {"id": "network", **units})
    _units(SubElement(model, "listOfUnitDefinitions"))
    compartments = SubElement(model, "listOfCompartments")
    SubElement(compartments, "compartment", _text(id="plasma", spatialDimensions=3, size=1, constant="true"))
    species = SubElement(model, "listOfSpecies")
    for name, amount in zip(network.species, concentrations, strict=True):
        own = _text(id=ids[name], name=name, compartment="plasma", initialConcentration=repr(float(amount)))
        flags = dict.fromkeys(("hasOnlySubstanceUnits", "boundaryCondition", "constant"), "false")
        SubElement(species, "species", {**own, **flags})
    parameters = SubElement(model, "listOfParameters")
    reactions = SubElement(model, "listOfReactions")
    constants = iter(network.constants(scale).tolist())
    for number, r in enumerate(network.reactions, start=1):
        for key, side in _ways(r, number):
            own = _text(id=key, value=repr(next(constants)), units=_PER_SIDE[len(side)], constant="true")
            SubElement(parameters, "parameter", own)
        _reaction(reactions, r, number, ids)
    indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + tostring(root, encoding="unicode") + "\n"


def _text(**values: object) -> dict[str, str]:
    return {key: str(value) for key, value in values.items()}


def _ways(r: Reaction, number: int) -> list[tuple[str, tuple[str, ...]]]:
    """Name of the constant and reactants of each way."""
    forward = [(f"forward_{number}", r.reactants)]
    return forward if r.reverse is None else [*forward, (f"reverse_{number}", r.products)]


def _units(parent: Element) -> None:
    definitions = {
        "cubic_metre": [("metre", 3)],
        "per_second": [("second", -1)],
        "volume_per_amount_and_second": [("metre", 3), ("mole", -1), ("second", -1)],
        "rate": [("mole", 1), ("metre", -3), ("second", -1)],
    }
    for key, parts in definitions.items():
        units = SubElement(SubElement(parent, "unitDefinition", {"id": key}), "listOfUnits")
        for kind, exponent in parts:
            SubElement(units, "unit", _text(kind=kind, exponent=exponent, scale=0, multiplier=1))


def _reaction(parent: Element, r: Reaction, number: int, ids: Mapping[str, str]) -> None:
    reversible = "false" if r.reverse is None else "true"
    own = SubElement(
        parent, "reaction", _text(id=f"reaction_{number}", reversible=reversible, fast="false", name=r.name)
    )
    notes = SubElement(SubElement(own, "notes"), "p", {"xmlns": XHTML})
    notes.text = r.source
    for tag, side in (("listOfReactants", r.reactants), ("listOfProducts", r.products)):
        if side:
            group = SubElement(own, tag)
            for name, count in Counter(side).items():
                SubElement(group, "speciesReference", _text(species=ids[name], stoichiometry=count, constant="true"))
    # The network's rates are per volume, those of the standard are amounts.
    math = SubElement(SubElement(own, "kineticLaw"), "math", {"xmlns": MATH})
    whole = _apply(math, "times")
    SubElement(whole, "ci").text = "plasma"
    ways = _ways(r, number)
    inner = _apply(whole, "minus") if len(ways) == 2 else whole
    for key, side in ways:
        product = _apply(inner, "times")
        for name in (key, *(ids[s] for s in side)):
            SubElement(product, "ci").text = name


def _apply(parent: Element, operation: str) -> Element:
    made = SubElement(parent, "apply")
    SubElement(made, operation)
    return made
