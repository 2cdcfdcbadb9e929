"""Every choice that the literature leaves open, as a named argument with a stated default."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

from stanch.errors import InputError

__all__ = ["BLOOD_RHEOLOGIES", "PLATELET_LAWS", "BloodRheology", "Choices", "PlateletLaw"]

BloodRheology = Literal["kelvin_voigt", "critical_gel"]
BLOOD_RHEOLOGIES: tuple[BloodRheology, ...] = get_args(BloodRheology)
PlateletLaw = Literal["multiply", "add"]
PLATELET_LAWS: tuple[PlateletLaw, ...] = get_args(PlateletLaw)


@dataclass(frozen=True)
class Choices:
    """How virtual blood behaves where sources differ or are silent.

    Parameters
    ----------
    meizothrombin_clots : bool
        Whether meizothrombin cleaves fibrinogen as thrombin does. It moves the onset by minutes at low tissue factor.
    meizothrombin_activates : bool
        Whether meizothrombin activates platelets and factor XIII as thrombin does. In whole blood with a little tissue
        factor both are activated just before fibrinopeptide A is cut (Brummel et al. 2002, Blood 100:148, legend of
        figure 4), at a time when the tissue-factor pathway has meizothrombin and hardly any thrombin.
    gel_share : float
        Share of fibrinopeptide A cleaved at which the fibrin network spans the well [-]; models use 15 to 25 %, and up
        to 45 % was seen without a visible clot. Where lysis has left less than this share, it no longer spans it.
    concentration_exponent : float
        Exponent of the modulus in fibrin per volume of the well [-]; 2 in compression (Kim et al. 2016), theories and
        experiments 1.4 to 2.5.
    platelet_law : str
        multiply: platelets act through the fibrin they pull on, G = G_fibrin (1 + P); add: they add a modulus of their
        own, that of normal fibrin times P.
    cross_linked_lysis : float
        Rate of lysis of fully cross-linked fibrin over that of fibrin without cross-links [-].
    macroglobulin_reach : float
        Share of alpha-2-macroglobulin's rate in solution with which it catches plasmin that has let go of fibrin inside
        a clot [-]; calibrated. With 1 no clot would be lysed wholly, since it outnumbers plasminogen, and with 0 lysis
        runs away as soon as antiplasmin is used up.
    adhesion : float
        Contraction stress at which the clot lets go of the side wall [Pa]; above that of normal blood.
    detachment_step : float
        Movement of the sample when it lets go [m].
    detachment_relief : float
        Share of what platelets add that is lost when the clot has no wall left to pull against [-].
    rheology : str
        kelvin_voigt, or critical_gel: a spring-pot at the gel point that a spring joins.
    frequency : float
        At which modulus and viscosity are stated [Hz].
    tissue_factor_in_plasma : bool
        Whether the activator, given per final volume, is confined to the plasma of the well, as its amount demands.
    contact_trace : float
        Charged surface of a well without contact activator over that of the standard reagent [-]; the default makes
        blood without any activator clot within the 19 to 60 min of plastic tubes. 0 blocks contact activation.
    resting_membrane : float
        How far platelet membranes are activated for the reactions of XIa, IXa and Xa on them, before the burst [-];
        0.01 is the resting value of Chatterjee et al. 2010. Its rise with thrombin is not followed.
    platelet_surface : bool
        Whether the complexes on membranes form more slowly with few platelets, by a calibrated saturating law.
    heparin_scale : float
        Share of what heparin-bound antithrombin does in a test tube that it does in blood [-]; calibrated so that
        0.3 IU/mL about doubles the time of a fifth of the fibrinopeptide A at 5 pmol/L tissue factor. With 1 even
        small doses would shut the cascade off.
    heparin_on_meizothrombin : bool
        Whether heparin speeds the inhibition of meizothrombin as that of thrombin.
    neutraliser_excess : float
        Slowing of the activation of factor V per IU/mL of neutraliser that finds no heparin [-]; 0: none. An excess of
        protamine is said to be anticoagulant (from memory).
    q10 : float
        Factor of every rate constant of the cascade for 10 K [-]; 2 is 7 % per kelvin, where clotting times are said to
        change by 3 to 10 % (from memory).

    Raises
    ------
    InputError
        If a value is outside its range or a word is not known.
    """

    meizothrombin_clots: bool = True
    meizothrombin_activates: bool = True
    gel_share: float = 0.20
    concentration_exponent: float = 2.0
    platelet_law: PlateletLaw = "multiply"
    cross_linked_lysis: float = 0.5
    macroglobulin_reach: float = 0.2
    adhesion: float = 250.0
    detachment_step: float = 1e-4
    detachment_relief: float = 0.5
    rheology: BloodRheology = "kelvin_voigt"
    frequency: float = 100.0
    tissue_factor_in_plasma: bool = True
    contact_trace: float = 0.01
    resting_membrane: float = 0.01
    platelet_surface: bool = True
    heparin_scale: float = 0.15
    heparin_on_meizothrombin: bool = True
    neutraliser_excess: float = 0.0
    q10: float = 2.0

    def __post_init__(self) -> None:
        ranges = {
            "gel_share": (0.01, 0.9),
            "concentration_exponent": (1.0, 4.0),
            "cross_linked_lysis": (0.0, 1.0),
            "macroglobulin_reach": (0.0, 1.0),
            "adhesion": (0.0, math.inf),
            "detachment_step": (0.0, 1e-2),
            "detachment_relief": (0.0, 1.0),
            "frequency": (1e-3, 1e5),
            "contact_trace": (0.0, 100.0),
            "resting_membrane": (1e-4, 1.0),
            "heparin_scale": (0.0, 100.0),
            "neutraliser_excess": (0.0, 1e3),
            "q10": (1.0, 10.0),
        }
        for name, (low, high) in ranges.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(name, got=value, allowed=f"{low:g} to {high:g} (SI unit)")
        words: dict[str, tuple[str, ...]] = {"rheology": BLOOD_RHEOLOGIES, "platelet_law": PLATELET_LAWS}
        for name, allowed in words.items():
            if getattr(self, name) not in allowed:
                raise InputError(name, got=getattr(self, name), allowed=", ".join(allowed))
