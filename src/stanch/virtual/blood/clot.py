"""The clot of one well: thrombin in, the course of its material and structure out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.virtual.blood import fibrin, lysis, platelets, stiffness
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.plasma import Mix, mix, speed
from stanch.virtual.blood.records import Composition, Contents, ThrombinCourse
from stanch.virtual.material import Material

if TYPE_CHECKING:
    from stanch.virtual.blood.march import Drive

__all__ = ["ClotCourse", "clot_course"]

Floats = NDArray[np.float64]

_SMALL_STEP = 0.5
"""Longest step of the march [s]."""
_LEAST_KEPT = 1e-9
"""Where lysis has left less, the share of structure stays here, so that ratios of it exist [-]."""


@dataclass(frozen=True)
class ClotCourse:
    """The clot of one well against time since activation; see :class:`stanch.virtual.course.Course`.

    Parameters
    ----------
    time : ndarray, shape (time,)
        Even grid from 0; all curves below are linear between its points [s].
    start : float
        Gel point: time at which the gel share of the fibrinogen is cut; infinite if that does not come [s].
    thrombin, meizothrombin : ndarray, shape (time,)
        [mol/m^3].
    fibrinogen, fibrin : ndarray, shape (time,)
        Uncut, and polymerised and not lysed, per volume of plasma [mol/m^3].
    plasminogen, plasmin, antiplasmin, macroglobulin : ndarray, shape (time,)
        Per volume of plasma [mol/m^3].
    network : ndarray, shape (time,)
        Share of the fibrin(ogen) that has taken its place in the network, lysed or not [-].
    cross_links : ndarray, shape (time,)
        Share of the network that is cross-linked [-].
    platelet_activation, contraction : ndarray, shape (time,)
        Shares of the platelets that are active, and that pull [-].
    grown : ndarray, shape (time,)
        Modulus without any decline [Pa].
    lysis, retraction, detachment : ndarray, shape (time,)
        What each cause of decline leaves of it; their product with `grown` is the modulus of the network [-].
    sunk : ndarray, shape (time,)
        Movement of the focus towards the base by retraction [m].
    detachment_time : float
        When the clot lets go of the side wall; infinite if it does not [s].
    liquid_viscosity : float
        [Pa·s].
    choices : Choices

    Raises
    ------
    InputError
        From the methods, for a time after the end of the grid.
    """

    time: Floats
    start: float
    thrombin: Floats
    meizothrombin: Floats
    fibrinogen: Floats
    fibrin: Floats
    plasminogen: Floats
    plasmin: Floats
    antiplasmin: Floats
    macroglobulin: Floats
    network: Floats
    cross_links: Floats
    platelet_activation: Floats
    contraction: Floats
    grown: Floats
    lysis: Floats
    retraction: Floats
    detachment: Floats
    sunk: Floats
    detachment_time: float
    liquid_viscosity: float
    choices: Choices = field(default_factory=Choices)

    @property
    def gel_time(self) -> float:
        """Gel point since activation, the same as `start` [s]."""
        return self.start

    @property
    def duration(self) -> float:
        """End of the grid [s]."""
        return float(self.time[-1])

    @property
    def network_modulus(self) -> Floats:
        """Modulus of the network on the grid [Pa]."""
        return self.grown * self.lysis * self.retraction * self.detachment

    def _at(self, time: ArrayLike, table: Floats) -> Floats:
        t = np.asarray(time, dtype=float)
        if not np.all(t <= self.duration * (1 + 1e-12)):
            raise InputError("time", got=float(np.max(t)), allowed=f"up to the end of the course, {self.duration:g} s")
        out: Floats = np.asarray(np.interp(t, self.time, table))
        return out

    def _network(self, time: ArrayLike) -> Floats:
        # Factor by factor, so that the causes multiply between the points of the grid too.
        out = self._at(time, self.grown)
        for table in (self.lysis, self.retraction, self.detachment):
            out = out * self._at(time, table)
        return out

    def material(self, time: float) -> Material:
        """The linear material at a time [s]."""
        return stiffness.material(
            float(self._network(time)),
            float(self.viscosity(time)),
            float(self.progress(time)),
            float(self.kept(time)),
            float(self.bridged(time)),
            self.choices,
        )

    def modulus(self, time: ArrayLike) -> Floats:
        """Storage modulus at the stated frequency [Pa]."""
        if self.choices.rheology == "kelvin_voigt":
            return self._network(time)
        return stiffness.storage(
            self._network(time),
            self.viscosity(time),
            self.progress(time),
            self.kept(time),
            self.bridged(time),
            self.choices,
        )

    def viscosity(self, time: ArrayLike) -> Floats:
        """Loss modulus over angular frequency, at the same frequency [Pa·s]."""
        return self.liquid_viscosity + stiffness.set_viscosity(self._network(time))

    def progress(self, time: ArrayLike) -> Floats:
        """How far the network has formed, 0 to 1 [-]."""
        return self._at(time, self.network)

    def kept(self, time: ArrayLike) -> Floats:
        """Share of the structure that lysis has left [-]."""
        return self._at(time, self.lysis)

    def bridged(self, time: ArrayLike) -> Floats:
        """How near the gel point is, 0 to 1, and 1 from there on [-]."""
        whole = self.fibrinogen[0]
        # From the cut share, which has no kink at the gel point that a table would round off.
        cut = 1.0 - self._at(time, self.fibrinogen) / whole if whole > 0 else 0.0 * self._at(time, self.fibrinogen)
        out: Floats = np.minimum(cut / self.choices.gel_share, 1.0) ** 2
        return out

    def shift(self, time: ArrayLike) -> Floats:
        """How far the sample at the focus has sunk towards the base by retraction [m]."""
        return self._at(time, self.sunk)

    def detached(self, time: float) -> float | None:
        """Step of the sample where it has let go of the side wall [m]; None while it holds."""
        return self.choices.detachment_step if time >= self.detachment_time else None


def clot_course(
    composition: Composition, contents: Contents, thrombin: ThrombinCourse, choices: Choices | None = None
) -> ClotCourse:
    """The clot that a course of thrombin makes.

    Parameters
    ----------
    composition : Composition
        Of the sample.
    contents : Contents
        What the well adds.
    thrombin : ThrombinCourse
        Of that well.
    choices : Choices, optional

    Returns
    -------
    ClotCourse

    Notes
    -----
    One way: thrombin drives the clot, and the clot does not act on thrombin (fibrin takes up no thrombin, platelets
    give no surface to its making).
    """
    choice = choices or Choices()
    from stanch.virtual.blood.march import ROWS, march

    _check(thrombin)
    well = mix(composition, contents)
    both = np.ascontiguousarray(thrombin.thrombin + thrombin.meizothrombin)
    alone = np.ascontiguousarray(thrombin.thrombin)
    enzyme = both if choice.meizothrombin_clots else alone
    activator = both if choice.meizothrombin_activates else alone
    drive = drive_of(composition, contents, choice)
    pull = platelets.pull(well.platelets, composition.platelet_function, contents.block_fraction)
    step = float(thrombin.time[1])
    parts = max(1, math.ceil(step / _SMALL_STEP - 1e-9))
    table = march(enzyme, activator, pull, step, parts, drive)
    return _course(dict(zip(ROWS, table, strict=True)), composition, contents, well, thrombin, enzyme, choice)


def _check(thrombin: ThrombinCourse) -> None:
    t = thrombin.time
    if t.size < 2 or t[0] != 0.0 or not np.allclose(np.diff(t), t[1], rtol=1e-9):
        raise InputError("thrombin.time", got=f"{t.size} points from {t[:1]}", allowed="an even grid from 0")
    for name in ("thrombin", "meizothrombin"):
        values = getattr(thrombin, name)
        if values.shape != t.shape or not np.all(np.isfinite(values)):
            raise InputError(f"thrombin.{name}", got=f"shape {values.shape}", allowed="a finite value for each time")


def drive_of(composition: Composition, contents: Contents, choice: Choices) -> Drive:
    """Amounts and rates of a well, as the march takes them.

    Parameters
    ----------
    composition : Composition
    contents : Contents
    choice : Choices

    Returns
    -------
    Drive
    """
    from stanch.virtual.blood.march import Drive

    well = mix(composition, contents)
    f, p, y = fibrin, platelets, lysis
    q = speed(contents, choice)
    # tPA on fibrin and in the liquid; what the antifibrinolytic stops is plasmin formation.
    tpa = composition.tpa * well.plasma_share * (1.0 - contents.antifibrinolytic)
    return Drive(
        fibrinogen=fibrin.fibrinogen_amount(composition.fibrinogen) * well.plasma_share,
        gel_share=choice.gel_share,
        a_catalytic=f.A_CATALYTIC.value * q,
        a_michaelis=f.A_MICHAELIS.value,
        b_catalytic=f.B_CATALYTIC.value * q,
        b_michaelis=f.B_MICHAELIS.value,
        polymerisation=f.POLYMERISATION.value * q,
        network_rate=f.NETWORK_RATE.value * q,
        first_fibrin_rate=f.FIRST_FIBRIN_RATE.value,
        xiii_activation=f.ACTIVATION_XIII.value * q,
        xiii_on_fibrin=f.ACTIVATION_ON_FIBRIN.value * q,
        xiii_dissociation=f.XIII_DISSOCIATION.value,
        cross_linking=q * f.CROSS_LINKING.value * composition.factor("XIII") * well.plasma_share,
        half_thrombin=p.HALF_THROMBIN.value,
        hill=p.HILL.value,
        activation=p.ACTIVATION.value * q,
        lag_rate=p.LAG_RATE.value * q,
        contraction_rate=p.PULL_RATE.value * q,
        retraction_rate=p.RETRACTION_RATE.value * q,
        plasminogen=y.PLASMINOGEN.value * composition.plasminogen * well.plasma_share,
        antiplasmin=y.ANTIPLASMIN.value * composition.antiplasmin * well.plasma_share,
        on_fibrin=q * y.FIBRIN_CATALYTIC.value * tpa,
        on_fibrin_michaelis=y.FIBRIN_MICHAELIS.value,
        in_liquid=q * y.FREE_CATALYTIC.value * tpa,
        in_liquid_michaelis=y.FREE_MICHAELIS.value,
        tpa_dissociation=y.TPA_DISSOCIATION.value,
        plasmin_dissociation=y.PLASMIN_DISSOCIATION.value,
        inhibition=y.INHIBITION.value * q,
        macroglobulin=y.MACROGLOBULIN.value * well.plasma_share,
        macroglobulin_inhibition=y.MACROGLOBULIN_INHIBITION.value * choice.macroglobulin_reach * q,
        protected=y.PROTECTED.value,
        cutting=q * y.CUTTING.value / y.CUTS.value,
        cross_linked_lysis=choice.cross_linked_lysis,
    )


def _course(
    rows: dict[str, Floats],
    composition: Composition,
    contents: Contents,
    well: Mix,
    thrombin: ThrombinCourse,
    enzyme: Floats,
    choice: Choices,
) -> ClotCourse:
    time = thrombin.time
    whole = rows["fibrinogen"][0]
    net = rows["network"]
    links = np.divide(rows["cross_links"], net, out=np.zeros_like(net), where=net > 0)
    pull = platelets.pull(well.platelets, composition.platelet_function, contents.block_fraction)
    added = platelets.CEILING.value * pull * rows["contraction"]
    per_well = composition.fibrinogen * well.plasma_share * (1.0 - well.haematocrit)
    n = choice.concentration_exponent
    shape = net**n
    bare = stiffness.fibrin_ceiling(per_well, n) * shape * (1.0 + (stiffness.CROSS_LINK_FACTOR.value - 1.0) * links)
    own = bare if choice.platelet_law == "multiply" else stiffness.OWN_MODULUS.value * shape
    grown = bare + own * added
    kept = np.maximum(rows["kept_fibrin"] - choice.gel_share, 0.0) / (1.0 - choice.gel_share)
    left = np.maximum(kept**n, _LEAST_KEPT)
    stress = _stress(composition, contents, well) * rows["contraction"] * net * left
    let_go = _crossing(time, stress, choice.adhesion)
    relief = choice.detachment_relief * -np.expm1(-np.maximum(time - let_go, 0.0) / platelets.RELIEF_TIME.value)
    part = np.divide(own * added, grown, out=np.zeros_like(grown), where=grown > 0)
    return ClotCourse(
        time=time,
        start=_gel_point(time, speed(contents, choice) * enzyme, whole, choice.gel_share),
        thrombin=thrombin.thrombin,
        meizothrombin=thrombin.meizothrombin,
        fibrinogen=rows["fibrinogen"],
        fibrin=rows["polymer"] * rows["kept_fibrin"],
        plasminogen=rows["plasminogen"],
        plasmin=rows["plasmin"],
        antiplasmin=rows["antiplasmin"],
        macroglobulin=rows["macroglobulin"],
        network=net,
        cross_links=links,
        platelet_activation=rows["activated"],
        contraction=rows["contraction"],
        grown=grown,
        lysis=left,
        retraction=np.exp(-platelets.RETRACTION_LOSS.value * rows["retraction"]),
        detachment=1.0 - relief * part,
        sunk=platelets.RETRACTION_SHIFT.value * rows["retraction"],
        detachment_time=let_go,
        liquid_viscosity=stiffness.liquid_viscosity(well.haematocrit, well.plasma_share),
        choices=choice,
    )


def _stress(composition: Composition, contents: Contents, well: Mix) -> float:
    """Contraction stress when every platelet pulls [Pa]."""
    each = platelets.PLATELET_FORCE.value * platelets.PLATELET_REACH.value
    return well.platelets * each * composition.platelet_function * (1.0 - contents.block_fraction)


def _crossing(time: Floats, values: Floats, level: float) -> float:
    """First time at which the values, linear between points, pass a level; infinite if never."""
    above = np.flatnonzero(values > level)
    if above.size == 0:
        return math.inf
    k = int(above[0])
    if k == 0:
        return float(time[0])
    share = (level - values[k - 1]) / (values[k] - values[k - 1])
    return float(time[k - 1] + share * (time[k] - time[k - 1]))


def _gel_point(time: Floats, enzyme: Floats, fibrinogen: float, share: float) -> float:
    """Time at which thrombin, linear between points and weighted by temperature, has cut a share of the fibrinogen."""
    if fibrinogen <= 0.0:
        return math.inf
    needed = fibrin.cleavage_time(share, 1.0, fibrinogen)  # exposure, because the enzyme is 1 mol/m^3
    step = time[1]
    exposure = np.concatenate(([0.0], np.cumsum(0.5 * step * (enzyme[1:] + enzyme[:-1]))))
    k = int(np.searchsorted(exposure, needed))
    if k >= time.size:
        return math.inf
    # exposure after a part x of the step: e x + (e' - e) x^2/(2 step)
    left, e, slope = needed - exposure[k - 1], enzyme[k - 1], (enzyme[k] - enzyme[k - 1]) / step
    root = math.sqrt(max(e * e + 2.0 * slope * left, 0.0))
    return float(time[k - 1] + 2.0 * left / (e + root))
