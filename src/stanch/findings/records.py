"""The records of the findings stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Evidence", "Finding", "Outcome", "QualitySign"]

Outcome = Literal["supports", "does_not_support", "undecided", "suppressed"]


@dataclass(frozen=True)
class Evidence:
    """One reading or contrast a finding rests on, with the limit and the probability of lying beyond it."""

    of: str
    well: str
    limit: str
    probability: float | None
    source: str


@dataclass(frozen=True)
class Finding:
    """A sentence with what it rests on.

    Parameters
    ----------
    key : str
        Of the rule.
    text : str
        The sentence.
    probability : float or None
        That the readings lie beyond the limits, given measurement error [-].
    evidence : tuple of Evidence
    caution : str
    suppressed : bool
        Whether it may not be stated.
    why : str
        Why it is suppressed.
    depends_on : tuple of str
        Keys of earlier findings.
    group : str
        quality, heparin, factors, fibrin, platelets or lysis.
    outcome : str
        supports, does_not_support, undecided or suppressed.
    approved : bool
        Whether the rule names who approved it and its evidence.
    """

    key: str
    text: str
    probability: float | None
    evidence: tuple[Evidence, ...]
    caution: str
    suppressed: bool
    why: str
    depends_on: tuple[str, ...] = ()
    group: str = "quality"
    outcome: Outcome = "undecided"
    approved: bool = True


@dataclass(frozen=True)
class QualitySign:
    """A quality fault that was seen.

    Parameters
    ----------
    key : str
        bubble, under_fill, strain, already_set, poor_mixing, sedimentation, coupling_loss, knock, temperature,
        viscosity_disagreement, expired_lot, stale_sample, clock_disagreement, ...
    well : str
        Empty when it concerns the whole run.
    consequence : str
        flag, weight, refuse_push or refuse_well.
    text : str
        What was seen, with the number and the limit.
    pushes : tuple of int
        Indices concerned.
    """

    key: str
    well: str
    consequence: Literal["flag", "weight", "refuse_push", "refuse_well"]
    text: str
    pushes: tuple[int, ...] = ()
