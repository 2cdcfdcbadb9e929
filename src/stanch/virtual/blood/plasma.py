"""The plasma of a well: what mixing, heparin and temperature make of a sample, as input of the reaction networks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from stanch.virtual.blood import contact, tissue_factor, xa_inhibitor
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.network import Network, merge
from stanch.virtual.blood.records import Composition, Constant, Contents

__all__ = ["CONSTANTS", "Mix", "Plasma", "bound_share", "mix", "plasma", "speed"]

_OLSON = "range 1e6 to 1e7 M^-1 s^-1 with full-length heparin: Olson et al. 2004, Thromb Haemost, abstract"

CONSTANTS: tuple[Constant, ...] = (
    Constant("heparin_thrombin", 1e4, "m^3/(mol s)", "published", "upper end of the " + _OLSON),
    Constant(
        "heparin_xa",
        8.5e3,
        "m^3/(mol s)",
        "published",
        "Rezaie 2001, Blood 97:2308, table 2, unfractionated heparin without membrane; Xa in prothrombinase is "
        "protected more than 1000 times there and wholly here",
    ),
    Constant("heparin_ixa", 3e3, "m^3/(mol s)", "choice", "about the middle, on a log scale, of the " + _OLSON),
    Constant(
        "heparin_per_unit",
        1.23e-10,
        "mol/IU",
        "choice",
        "from memory: 180 IU/mg, 15 kg/mol, a third of the chains bind antithrombin; only its product with the "
        "calibrated scale matters",
    ),
    Constant(
        "heparin_dissociation",
        4.3e-3,
        "mol/m^3",
        "calibrated",
        "so that half the antithrombin costs about a third of the heparin effect; what 20 nmol/L (from memory) becomes "
        "when 1.5 umol/L (from memory) of histidine-rich glycoprotein competes at 7 nmol/L (Lijnen et al. 1983, "
        "J Biol Chem 258:3803, abstract)",
    ),
    Constant(
        "platelet_half_count", 20e12, "1/m^3", "calibrated", "thrombin formation falls below some 50e12 platelets"
    ),
    Constant("platelet_free_surface", 0.1, "-", "calibrated", "plasma without platelets still clots"),
    Constant("platelet_normal_count", 250e12, "1/m^3", "choice", "where the constants of the networks hold unchanged"),
    Constant("body_temperature", 310.15, "K", "choice", "where the constants of the networks hold unchanged"),
    # Defaults of choices, listed with the constants that they stand beside.
    Constant(
        "heparin_scale",
        Choices().heparin_scale,
        "-",
        "calibrated",
        "0.3 IU/mL about doubles the time of 20 % fibrinopeptide A at 5 pmol/L tissue factor, 2 IU/mL ends clotting",
    ),
    Constant(
        "contact_trace",
        Choices().contact_trace,
        "-",
        "calibrated",
        "blood in plastic without activator clots in 19 to 60 min: physiology texts",
    ),
    Constant("resting_membrane", Choices().resting_membrane, "-", "published", contact.SOURCE + ", resting platelets"),
    Constant("q10", Choices().q10, "-", "choice", "7 % per kelvin; clotting times change by 3 to 10 % (from memory)"),
)
_VALUES = {c.key: c.value for c in CONSTANTS}

_FACTOR_SPECIES = {
    "II": ("II",),
    "V": ("V",),
    "VII": ("VII", "VIIa"),
    "VIII": ("VIII",),
    "IX": ("IX",),
    "X": ("X",),
    "XI": ("XI",),
    "XII": ("XII",),
    "prekallikrein": ("PK",),
    "TFPI": ("TFPI",),
    "C1 inhibitor": ("C1inh",),
}
_ASSEMBLY = ("Xa + Va <-> Xa:Va", "VIIIa + IXa <-> IXa:VIIIa")


@dataclass(frozen=True)
class Mix:
    """Volumes of a well.

    Parameters
    ----------
    plasma_share : float
        Plasma of the sample over all plasma of the well, the rest being crystalloid and reagent; plasma proteins of
        the well are those of the sample times this [-].
    haematocrit : float
        Of the well [-].
    platelets : float
        Per final volume [1/m^3].
    """

    plasma_share: float
    haematocrit: float
    platelets: float


def mix(composition: Composition, contents: Contents) -> Mix:
    """Mix blood, crystalloid and reagents.

    Parameters
    ----------
    composition : Composition
        The sample.
    contents : Contents
        The well.

    Returns
    -------
    Mix
        Volumes are taken to add; cells neither shrink nor swell.
    """
    blood = contents.blood_share * (1 - composition.dilution)
    cells = blood * composition.haematocrit
    return Mix((blood - cells) / (1 - cells), cells, blood * composition.platelets)


def speed(contents: Contents, choices: Choices) -> float:
    """Factor of a well's temperature on every rate constant.

    Parameters
    ----------
    contents : Contents
        The well.
    choices : Choices
        What sources leave open.

    Returns
    -------
    float
        1 at body temperature [-].
    """
    factor: float = choices.q10 ** ((contents.temperature - _VALUES["body_temperature"]) / 10)
    return factor


@dataclass(frozen=True)
class Plasma:
    """What a well's cascade starts from.

    Parameters
    ----------
    network : Network
        With contact activation, or the tissue-factor pathway alone where there is no charged surface at all; and what
        a direct inhibitor binds to, where there is one.
    concentrations : mapping of str to float
        By species of the network, in the plasma of the well [mol/m^3].
    factors : mapping of str to float
        On rate constants, as :meth:`Network.constants` takes them [-].
    speed : float
        Factor of temperature on every rate constant [-].
    heparin : float
        Left free by the neutraliser [IU/m^3].
    excess : float
        Capacity of the neutraliser that found no heparin [IU/m^3].
    """

    network: Network
    concentrations: Mapping[str, float]
    factors: Mapping[str, float]
    speed: float
    heparin: float
    excess: float


def plasma(composition: Composition, contents: Contents, choices: Choices) -> Plasma:
    """The plasma of a well.

    Parameters
    ----------
    composition : Composition
        The sample.
    contents : Contents
        The well.
    choices : Choices
        What sources leave open.

    Returns
    -------
    Plasma
        The platelet blocker and the antifibrinolytic do not touch it: the cascade is taken not to feel them.
    """
    volumes = mix(composition, contents)
    strength = contents.contact_strength if contents.activator == "contact" else choices.contact_trace
    surface = strength > 0
    amounts = _concentrations(composition, volumes.plasma_share, surface)
    if contents.activator == "tissue factor":
        space = 1 - volumes.haematocrit if choices.tissue_factor_in_plasma else 1.0
        amounts["TF"] = contents.tissue_factor / space
    dose = composition.heparin * volumes.plasma_share
    heparin, excess = max(0.0, dose - contents.neutraliser), max(0.0, contents.neutraliser - dose)
    factors = _heparin_factors(heparin, amounts["AT"], choices)
    if choices.neutraliser_excess > 0:
        factors["IIa + V -> IIa + Va"] = 1 / (1 + choices.neutraliser_excess * excess / 1e6)
    membrane = _platelet_surface(volumes.platelets) if choices.platelet_surface else 1.0
    factors.update((text + " (forward)", membrane) for text in _ASSEMBLY)
    if surface:
        factors.update((text + " (forward)", strength) for text in contact.SURFACE)
        factors.update((text + " (forward)", membrane) for text in contact.MEMBRANE)
        factors.update((text + " (reverse)", 1 / choices.resting_membrane) for text in contact.MEMBRANE)
    if composition.xa_inhibitor > 0:
        amounts[xa_inhibitor.SPECIES] = composition.xa_inhibitor * volumes.plasma_share
    network = _network(surface, composition.xa_inhibitor > 0)
    return Plasma(network, amounts, factors, speed(contents, choices), heparin, excess)


@cache
def _network(surface: bool, inhibitor: bool) -> Network:
    pathway = contact.network() if surface else tissue_factor.network()
    return merge(pathway, xa_inhibitor.network()) if inhibitor else pathway


def bound_share(heparin: float, antithrombin: float) -> float:
    """Share of antithrombin that carries heparin, by the law of mass action.

    Parameters
    ----------
    heparin : float
        [IU/m^3].
    antithrombin : float
        [mol/m^3].

    Returns
    -------
    float
        0 to below 1; rises with heparin, falls with antithrombin [-].
    """
    chains = heparin * _VALUES["heparin_per_unit"]
    total = chains + antithrombin + _VALUES["heparin_dissociation"]
    # The smaller root of x^2 - total x + chains antithrombin, over antithrombin, without a difference of like numbers.
    return 2 * chains / (total + math.sqrt(total * total - 4 * chains * antithrombin))


def _heparin_factors(heparin: float, antithrombin: float, choices: Choices) -> dict[str, float]:
    """Factors on the inhibition by antithrombin: one calibrated scale on published constants of bound antithrombin."""
    if heparin == 0:
        return {}
    share = choices.heparin_scale * bound_share(heparin, antithrombin)
    targets = {"IIa": "heparin_thrombin", "Xa": "heparin_xa", "IXa": "heparin_ixa"}
    if choices.heparin_on_meizothrombin:
        targets["mIIa"] = "heparin_thrombin"
    own = {r.name: r.forward * 1e-3 for r in tissue_factor.network().reactions}
    names = {enzyme: f"{enzyme} + AT -> {enzyme}:AT" for enzyme in targets}
    return {names[enzyme]: 1 + share * _VALUES[key] / own[names[enzyme]] for enzyme, key in targets.items()}


def _concentrations(composition: Composition, share: float, surface: bool) -> dict[str, float]:
    normal = tissue_factor.NORMAL | (contact.NORMAL if surface else {})
    activity = {species: composition.factor(name) for name, all_of in _FACTOR_SPECIES.items() for species in all_of}
    activity |= {"AT": composition.antithrombin, "a2AP": composition.antiplasmin}
    return {species: value * share * activity.get(species, 1.0) for species, value in normal.items()}


def _platelet_surface(count: float) -> float:
    """Membrane for the complexes over that of a normal count, saturating."""
    half, least, normal = (_VALUES["platelet_" + k] for k in ("half_count", "free_surface", "normal_count"))
    return (least + (1 - least) * count / (count + half)) / (least + (1 - least) * normal / (normal + half))
