"""The assay document as plain records: limits, pair constraints, rules, and the document itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from stanch.errors import DocumentError
from stanch.media import ModelName
from stanch.readings.definitions import ContrastDefinition, Definitions

__all__ = [
    "ACCEPT_FACTS",
    "FREQUENCY",
    "GROUPS",
    "AssayDocument",
    "AssaySettings",
    "AssayWell",
    "Condition",
    "Limit",
    "PairConstraint",
    "Rule",
]

Group = Literal["quality", "heparin", "factors", "fibrin", "platelets", "lysis"]
GROUPS: tuple[Group, ...] = ("quality", "heparin", "factors", "fibrin", "platelets", "lysis")

FREQUENCY = 100.0
"""At which modulus and loss tangent are stated where an assay document names no frequency [Hz]."""

ACCEPT_FACTS: dict[str, str] = {
    "sample_age": "time",
    "temperature": "temperature",
    "haematocrit": "ratio",
    "platelets": "number concentration",
    "fibrinogen": "mass concentration",
    "strain": "ratio",
    "fill": "ratio",
    "viscosity_spread": "ratio",
    "clock_difference": "time",
}
"""What an accept limit may be set on, and the kind of its unit."""


@dataclass(frozen=True)
class AssayWell:
    """A well as the assay plans it."""

    name: str
    activator: str | None
    additives: tuple[str, ...]


@dataclass(frozen=True)
class AssaySettings:
    """Settings of the analysis; None leaves the default of the stage.

    Parameters
    ----------
    gate : float or None
        Length of the tracking gate [m].
    estimator : str or None
        Displacement estimator.
    paths : int or None
        Number of joint sample paths [-].
    frequency : float or None
        At which storage modulus and loss tangent are stated [Hz]; None is :data:`FREQUENCY`. The modulus of a
        Kelvin-Voigt medium is that of every frequency.
    rheology : str
        The medium that pushes are fitted with, one of ``stanch.media.MODELS``.
    """

    gate: float | None = None
    estimator: Literal["autocorrelation", "correlation"] | None = None
    paths: int | None = None
    frequency: float | None = None
    rheology: ModelName = "kelvin_voigt"

    @property
    def stated_frequency(self) -> float | None:
        """At which modulus and loss tangent are stated [Hz]; None with Kelvin-Voigt, whose modulus is that of all."""
        if self.rheology == "kelvin_voigt":
            return None
        return FREQUENCY if self.frequency is None else self.frequency


@dataclass(frozen=True)
class Limit:
    """A limit that the laboratory entered.

    Parameters
    ----------
    of : str
        Key of a reading, name of a contrast, or (kind accept) key of :data:`ACCEPT_FACTS`.
    kind : str
        reference, decision, critical or accept.
    well : str
        Of a reading; empty otherwise.
    low, high : float or None
        [SI unit].
    unit : str
        Surface unit the laboratory wrote.
    text : str
        The limit as written.
    source : str
        Where it comes from.
    consequence : str
        Of an accept limit that is not kept: flag or refuse_well.
    """

    of: str
    kind: Literal["reference", "decision", "critical", "accept"]
    well: str
    low: float | None
    high: float | None
    unit: str
    text: str
    source: str
    consequence: Literal["flag", "refuse_well"] = "flag"


@dataclass(frozen=True)
class PairConstraint:
    """What must hold between two wells, or for a contrast, unless wells were exchanged or a reagent is at fault.

    Parameters
    ----------
    name : str
    reading : str
        Key of the reading compared; empty where `contrast` is given.
    not_above : tuple of two str
        The first well's reading is not above the second's; empty where `contrast` is given.
    contrast : str
        Name of a contrast; empty where wells are given.
    at_most : float or None
        For a contrast [SI unit].
    tolerance : float
        By which it may be passed: well-to-well repeatability [SI unit]; where `relative`, a fraction [-].
    relative : bool
        Whether `tolerance` is a fraction of the second well's reading.
    at_most_text : str
        `at_most` as written.
    """

    name: str
    reading: str
    not_above: tuple[str, ...]
    contrast: str
    at_most: float | None
    tolerance: float
    relative: bool
    at_most_text: str = ""


@dataclass(frozen=True)
class Condition:
    """One reading or contrast on one side of one limit.

    Parameters
    ----------
    of, well : str
        As in :class:`Limit`.
    side : str
        above, below, not above or not below.
    limit : str
        Kind of the limit.
    """

    of: str
    well: str
    side: Literal["above", "below", "not above", "not below"]
    limit: str


@dataclass(frozen=True)
class Rule:
    """When a sentence is supported.

    Parameters
    ----------
    key, group : str
    about : str
        What the sentence is about, a noun phrase.
    text : str
        The sentence when the readings support it.
    otherwise : str
        The sentence when they do not; empty makes one from `about`.
    when : tuple of Condition
        All must hold.
    when_any : tuple of Condition
        At least one must hold, unless empty.
    minimum_probability : float
        From which the sentence counts as supported [-].
    depends_on, contradicts : tuple of str
        Keys of earlier rules it needs; keys of rules it cannot stand beside.
    caution, approved_by, evidence : str
    """

    key: str
    group: Group
    about: str
    text: str
    otherwise: str
    when: tuple[Condition, ...]
    when_any: tuple[Condition, ...]
    minimum_probability: float
    depends_on: tuple[str, ...]
    contradicts: tuple[str, ...]
    caution: str
    approved_by: str
    evidence: str

    @property
    def conditions(self) -> tuple[Condition, ...]:
        """Every condition it names."""
        return self.when + self.when_any

    @property
    def approved(self) -> bool:
        """Whether somebody approved it and it states its evidence."""
        return bool(self.approved_by.strip() and self.evidence.strip())


@dataclass(frozen=True)
class AssayDocument:
    """Everything that turns curves into words.

    Parameters
    ----------
    name, version : str
    demo : bool
        Whether its limits are invented.
    reading_definitions : Definitions
    wells : tuple of AssayWell
        Empty: any wells.
    contrasts : tuple of ContrastDefinition
    limits : tuple of Limit
    pairs : tuple of PairConstraint
    rules : tuple of Rule
        In the order of the groups.
    settings : AssaySettings
    not_assessed, cannot_see : tuple of str
    approved_by : str
    text : str
        As loaded.
    sha256 : str
        Of the canonical text: UTF-8, NFC, line feeds.
    where : str
        Name of the document, for messages.
    """

    name: str
    version: str
    demo: bool
    reading_definitions: Definitions
    wells: tuple[AssayWell, ...]
    contrasts: tuple[ContrastDefinition, ...]
    limits: tuple[Limit, ...]
    pairs: tuple[PairConstraint, ...]
    rules: tuple[Rule, ...]
    settings: AssaySettings
    not_assessed: tuple[str, ...]
    cannot_see: tuple[str, ...]
    approved_by: str
    text: str
    sha256: str
    where: str

    def definitions(self) -> Definitions:
        """How the curve of a well is read."""
        return self.reading_definitions

    def limits_of(self, of: str, well: str = "") -> tuple[Limit, ...]:
        """Limits of a reading of a well, of a contrast, or of an accepted fact."""
        return tuple(one for one in self.limits if one.of == of and one.well == well)

    def limit(self, of: str, well: str, kind: str) -> Limit | None:
        """The limit of this kind, if the document has one."""
        return next((one for one in self.limits_of(of, well) if one.kind == kind), None)

    def named_wells(self) -> tuple[str, ...]:
        """Names of all wells that contrasts, limits, pairs and rules speak of, in that order."""
        names = [w.name for w in self.wells]
        for contrast in self.contrasts:
            names += [contrast.base, contrast.other]
        names += [limit.well for limit in self.limits if limit.well]
        for pair in self.pairs:
            names += list(pair.not_above)
        return tuple(dict.fromkeys(names))

    def check_wells(self, recorded: Sequence[str]) -> tuple[str, ...]:
        """Compare with the wells of a recording.

        Parameters
        ----------
        recorded : sequence of str
            Names of the wells in the recording.

        Returns
        -------
        tuple of str
            Planned wells that the recording lacks.

        Raises
        ------
        DocumentError
            If the document lists no wells and speaks of one that the recording lacks, or if none of the planned
            wells is in the recording.
        """
        missing = tuple(name for name in self.named_wells() if name not in recorded)
        allowed = ", ".join(recorded)
        if missing and (not self.wells or len(missing) == len(self.named_wells())):
            problems = [f"well '{name}': not in the recording; allowed: {allowed}" for name in missing]
            raise DocumentError(self.where, problems=problems, do="Name wells of the recording.")
        return missing
