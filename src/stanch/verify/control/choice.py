"""Choice of control rules for a stated quality requirement."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stanch.errors import InputError
from stanch.verify.control.chain import rates
from stanch.verify.control.rules import Rule

__all__ = ["CANDIDATES", "Candidate", "Requirement", "candidates", "choose", "requirement"]

_3SD, _2SD = Rule(beyond=3.0), Rule("beyond", 2, 2, 2.0)
_APART = Rule("opposite", 2, 2, 2.0, False, "run")
_4AT1, _10SIDE = Rule("beyond", 4, 4, 1.0), Rule("beyond", 10, 10, 0.0)

#: Sets of rules that laboratories commonly consider (common practice, no source).
CANDIDATES: Mapping[str, tuple[Rule, ...]] = {
    "one beyond 2 SD": (Rule(beyond=2.0),),
    "one beyond 2.5 SD": (Rule(beyond=2.5),),
    "one beyond 3 SD": (_3SD,),
    "one beyond 3.5 SD": (Rule(beyond=3.5),),
    "3 SD and pairs": (_3SD, _2SD),
    "3 SD, pairs and opposites": (_3SD, _2SD, _APART),
    "3 SD, pairs, opposites and fours": (_3SD, _2SD, _APART, _4AT1),
    "3 SD, pairs, opposites, fours and tens": (_3SD, _2SD, _APART, _4AT1, _10SIDE),
    "3 SD, two of three, opposites and threes": (
        _3SD,
        Rule("beyond", 2, 3, 2.0),
        _APART,
        Rule("beyond", 3, 3, 1.0),
    ),
}


@dataclass(frozen=True)
class Requirement:
    """A quality requirement in standard deviations of the assay.

    Parameters
    ----------
    sigma_metric : float
        (allowed total error less the bias) over the standard deviation [-].
    critical_shift : float
        Systematic error, beyond the bias there is, at which the stated share of results exceeds the allowed error;
        zero or below when the assay does so already [-].
    critical_spread : float
        Factor of the standard deviation with the same effect, two-sided [-].
    exceed : float
        That share [-].
    """

    sigma_metric: float
    critical_shift: float
    critical_spread: float
    exceed: float


@dataclass(frozen=True)
class Candidate:
    """A set of rules with so many results per run.

    Parameters
    ----------
    name : str
    rules : tuple of Rule
    per_run : int
    false_rejection, detection, spread_detection : float
        Per run: in control, at the critical shift, at the critical spread [-]. Detection is that of the first run with
        the error, after a long time in control; NaN where there is no critical spread above 1.
    mean_run_length : float
        In control [-].
    acceptable : bool
        Whether both stated demands are met.
    """

    name: str
    rules: tuple[Rule, ...]
    per_run: int
    false_rejection: float
    detection: float
    spread_detection: float
    mean_run_length: float
    acceptable: bool


def requirement(allowed: float, bias: float, sd: float, *, exceed: float = 0.05) -> Requirement:
    """Critical errors for an allowed total error.

    Parameters
    ----------
    allowed : float
        Allowed total error of one result, same unit or percent as the others [unit].
    bias : float
        [unit].
    sd : float
        Standard deviation, or coefficient of variation where the others are percent [unit].
    exceed : float
        Share of results beyond the allowed error that makes an error critical [-].

    Returns
    -------
    Requirement

    Notes
    -----
    The usual 1.65 is the rounded normal quantile of a share of 0.05; the exact one is used. Common practice in
    laboratories (power-function planning of control rules), source from memory.
    """
    from scipy import special

    if not (allowed > 0 and sd > 0 and math.isfinite(allowed) and math.isfinite(sd) and math.isfinite(bias)):
        raise InputError("quality requirement", got=(allowed, bias, sd), allowed="an allowed error and SD above 0")
    if not 0 < exceed < 0.5:
        raise InputError("share beyond the allowed error", got=exceed, allowed="above 0, below 0.5")
    sigma = (allowed - abs(bias)) / sd
    shift = sigma - float(special.ndtri(1 - exceed))
    return Requirement(sigma, shift, sigma / float(special.ndtri(1 - exceed / 2)), exceed)


def candidates(
    need: Requirement,
    *,
    sets: Mapping[str, Sequence[Rule]] = CANDIDATES,
    per_run: Sequence[int] = (1, 2, 3, 4),
    detection: float = 0.90,
    false_rejection: float = 0.05,
) -> tuple[Candidate, ...]:
    """Every set with every number of results, with its exact rates.

    Parameters
    ----------
    need : Requirement
    sets : mapping of str to sequence of Rule
    per_run : sequence of int
        Results per run.
    detection : float
        Least probability of detection at the critical shift [-].
    false_rejection : float
        Largest probability of false rejection per run [-].

    Returns
    -------
    tuple of Candidate
    """
    if not (0 < detection < 1 and 0 < false_rejection < 1):
        raise InputError("demands", got=(detection, false_rejection), allowed="above 0 and below 1")
    made = []
    for n in per_run:
        for name, rules in sets.items():
            if n == 1 and any(r.kind == "opposite" for r in rules):
                # A rule on two results of a run says nothing with one result.
                rules = tuple(r for r in rules if r.kind != "opposite")
            calm = rates(rules, per_run=n)
            # An assay beyond its requirement already is judged without any shift.
            found = rates(rules, per_run=n, shift=max(0.0, need.critical_shift)).rejection
            wide = (
                rates(rules, per_run=n, spread=need.critical_spread).rejection if need.critical_spread > 1 else math.nan
            )
            good = need.critical_shift > 0 and found >= detection and calm.rejection <= false_rejection
            made.append(Candidate(name, tuple(rules), n, calm.rejection, found, wide, calm.mean_run_length, good))
    return tuple(made)


def choose(found: Sequence[Candidate]) -> Candidate | None:
    """The acceptable candidate with the fewest results per run, then the lowest false rejection, then the fewest rules.

    Parameters
    ----------
    found : sequence of Candidate

    Returns
    -------
    Candidate or None
        None when none is acceptable.
    """
    good = [c for c in found if c.acceptable]
    return min(good, key=lambda c: (c.per_run, c.false_rejection, len(c.rules))) if good else None
