"""Virtual donors and patients: compositions drawn from stated distributions, with what was disturbed in each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.virtual.blood.distributions import (
    DISTURBANCES,
    HEALTHY,
    PATIENT,
    UNUSABLE,
    Distribution,
    Disturbance,
    spread,
)
from stanch.virtual.blood.records import Composition

__all__ = ["PATIENT_KINDS", "VirtualPatient", "draw", "serial"]

Floats = NDArray[np.float64]

PATIENT_KINDS = (
    "healthy",
    "low fibrinogen",
    "low platelets",
    "heparin",
    "dilution",
    "lysis",
    "mixture",
    "unusable",
)
"""Kinds of virtual patients: six with at most one disturbance, mixtures of two or three, and samples not to be read."""


@dataclass(frozen=True)
class VirtualPatient:
    """One invented sample.

    Parameters
    ----------
    subject : str
        Begins with "demo-"; samples of one donor share it.
    kind : str
        Of :data:`PATIENT_KINDS`.
    composition : Composition
        Of the blood as it enters the wells.
    sex : str
        "F" or "M".
    disturbed : mapping of str to float
        What was disturbed and its value or factor [SI unit or -].
    facts : mapping of str to str
        Entries of ``[sample]`` of a scenario that tell of a flaw.
    fault : mapping of str to str
        One ``[[fault]]`` table of a scenario; empty without one.
    number : int
        Of the sample within the subject, from 0 [-].
    """

    subject: str
    kind: str
    composition: Composition
    sex: str
    disturbed: Mapping[str, float] = field(default_factory=dict)
    facts: Mapping[str, str] = field(default_factory=dict)
    fault: Mapping[str, str] = field(default_factory=dict)
    number: int = 0


def draw(kind: str, count: int, seed: int) -> tuple[VirtualPatient, ...]:
    """Draw single samples of different people.

    Parameters
    ----------
    kind : str
        Of :data:`PATIENT_KINDS`.
    count : int
        How many [-].
    seed : int
        The same seed gives the same patients; a longer draw begins with the shorter one.

    Returns
    -------
    tuple of VirtualPatient

    Raises
    ------
    InputError
        If the kind is unknown or the count negative.

    Examples
    --------
    >>> draw("low platelets", 1, seed=1)[0].composition.platelets < 80e12
    True
    """
    return tuple(sample for person in _people(kind, count, 1, seed) for sample in person)


def serial(kind: str, donors: int, samples: int, seed: int) -> tuple[tuple[VirtualPatient, ...], ...]:
    """Draw several samples of each of several people: what is drawn once per person stays, the rest varies.

    Parameters
    ----------
    kind : str
        Of :data:`PATIENT_KINDS`.
    donors, samples : int
        How many people, and samples of each [-].
    seed : int

    Returns
    -------
    tuple of tuple of VirtualPatient
        One tuple per person.

    Raises
    ------
    InputError
        If the kind is unknown or a count negative.
    """
    return _people(kind, donors, samples, seed)


def _people(kind: str, donors: int, samples: int, seed: int) -> tuple[tuple[VirtualPatient, ...], ...]:
    if kind not in PATIENT_KINDS:
        raise InputError("kind", got=kind, allowed=", ".join(PATIENT_KINDS))
    for name, value in (("count", donors), ("samples", samples)):
        if value < 0:
            raise InputError(name, got=value, allowed="0 or more")
    return tuple(_person(kind, number, samples, seed) for number in range(donors))


def _person(kind: str, number: int, samples: int, seed: int) -> tuple[VirtualPatient, ...]:
    rng = np.random.default_rng([seed, PATIENT_KINDS.index(kind), number])
    sex = "F" if rng.random() < 0.5 else "M"
    rows = tuple(row for row in (HEALTHY if kind == "healthy" else PATIENT) if row.sex in ("", sex))
    root = np.linalg.cholesky(spread(tuple(row.key for row in rows)))
    own = root @ rng.standard_normal(len(rows))
    extra = _disturbances(kind, rng)
    scores = rng.random(len(extra))
    flaw = UNUSABLE[number % len(UNUSABLE)] if kind == "unusable" else None
    subject = f"demo-{kind.replace(' ', '-')}-{number + 1:04d}"
    people = []
    for index in range(samples):
        values = _sample(rows, own, root @ rng.standard_normal(len(rows)))
        disturbed = _disturb(values, extra, scores)
        patient = VirtualPatient(subject, kind, _composition(values), sex, disturbed, number=index)
        if flaw is not None:
            lost = _disturb(values, flaw.changes, rng.random(len(flaw.changes)))
            patient = replace(
                patient,
                composition=_composition(values),
                disturbed={flaw.name: 1.0, **lost},
                facts=dict(flaw.facts),
                fault=dict(flaw.faults),
            )
        people.append(patient)
    return tuple(people)


def _sample(rows: tuple[Distribution, ...], own: Floats, moved: Floats) -> dict[str, float]:
    """Values of one sample from the normal scores of the person and of the day."""
    from scipy.special import ndtr

    values = {}
    for row, person, day in zip(rows, own, moved):
        share = row.within_share()
        score = np.sqrt(1.0 - share) * person + np.sqrt(share) * day
        values[row.key] = float(row.quantile(ndtr(score)))
    return values


def _disturbances(kind: str, rng: np.random.Generator) -> tuple[Disturbance, ...]:
    """What this kind has beside its ordinary variation; a mixture has two or three of the single kinds."""
    if kind == "unusable":
        return ()
    if kind != "mixture":
        return DISTURBANCES[kind]
    single = [name for name in DISTURBANCES if DISTURBANCES[name]]
    chosen = rng.permutation(len(single))[: 2 + int(rng.random() < 0.4)]
    return tuple(change for index in sorted(chosen) for change in DISTURBANCES[single[index]])


def _disturb(values: dict[str, float], changes: tuple[Disturbance, ...], scores: Floats) -> dict[str, float]:
    """Apply disturbances to `values` in place; what each was."""
    said = {}
    for change, score in zip(changes, scores):
        amount = float(change.distribution.quantile(score))
        values[change.key] = amount if change.how == "set" else values[change.key] * amount
        said[change.words] = amount
    return said


def _composition(values: dict[str, float]) -> Composition:
    factors = {key.removeprefix("factor "): value for key, value in values.items() if key.startswith("factor ")}
    plain: dict[str, Any] = {key: value for key, value in values.items() if not key.startswith("factor ")}
    return Composition(factors=factors, **plain)
