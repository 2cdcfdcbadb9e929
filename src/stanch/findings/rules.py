"""Conditions of a rule on joint samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import and_, or_

import numpy as np
from numpy.typing import NDArray

from stanch.estimate import Estimate
from stanch.findings.limits import Truth, beyond, probability, with_systematic
from stanch.findings.records import Evidence
from stanch.readings.assay_records import AssayDocument, Condition, Rule
from stanch.readings.records import Contrast, WellReadings

__all__ = ["Numbers", "Weighed", "weigh"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Numbers:
    """The readings and contrasts of one run, ready to be held against limits.

    Parameters
    ----------
    readings : mapping of str to WellReadings
        By well.
    contrasts : mapping of str to Contrast
        By name.
    common : ndarray, shape (path,)
        Standard normal numbers of the systematic part [-].
    """

    readings: Mapping[str, WellReadings]
    contrasts: Mapping[str, Contrast]
    common: Floats

    @classmethod
    def of_run(cls, wells: Sequence[WellReadings], contrasts: Sequence[Contrast], seed: int) -> Numbers:
        """Collect the numbers of a run."""
        sizes = [r.samples.size for w in wells for r in w.readings] + [c.samples.size for c in contrasts]
        common = np.random.default_rng(seed).standard_normal(max(sizes, default=0))
        return cls({w.well: w for w in wells}, {c.name: c for c in contrasts}, common)

    def find(self, of: str, well: str) -> tuple[Estimate, Floats] | str:
        """Look up a reading or a contrast.

        Parameters
        ----------
        of : str
            Key of the reading, or name of the contrast.
        well : str
            Of the reading; empty for a contrast.

        Returns
        -------
        tuple of Estimate and ndarray, shape (path,), or str
            The estimate and its samples, widened by the systematic part [SI unit]; or why there are none.
        """
        if well and well not in self.readings:
            return f"The well {well} is missing or gave no readings."
        if well:
            found = next((r for r in self.readings[well].readings if r.key == of), None)
            estimate, samples = (found.estimate, found.samples) if found is not None else (None, None)
        else:
            contrast = self.contrasts.get(of)
            estimate, samples = (contrast.estimate, contrast.samples) if contrast is not None else (None, None)
        name = f"{of} of {well}" if well else of
        if estimate is None or samples is None:
            return f"There is no {name} in this run."
        if samples.size == 0 or estimate.status == "unavailable":
            return f"{name[0].upper()}{name[1:]} is unavailable: {estimate.why or 'no samples.'}"
        return estimate, with_systematic(samples, estimate.systematic, self.common)

    def at_base(self, of: str, base: str, other: str) -> tuple[Floats, Floats] | None:
        """A reading of two wells, both at the onset of the base well.

        Parameters
        ----------
        of : str
            Key of the reading.
        base, other : str
            The wells.

        Returns
        -------
        tuple of two ndarray, shape (path,), or None
            Joint samples of base and other, widened by the systematic part [SI unit]; None where no contrast of these
            wells reads them so.
        """
        made = (c for c in self.contrasts.values() if (c.key, c.base, c.other) == (of, base, other))
        pair = next((c.at_base for c in made if c.at_base is not None), None)
        if pair is None:
            return None
        own = [self.readings[well][of].estimate.systematic if well in self.readings else None for well in (base, other)]
        # A well that never set has no reading of its own; the systematic part is that of the run.
        systematic = (own[0], own[0] if own[1] is None else own[1])
        mine, yours = (with_systematic(x, s, self.common) for x, s in zip(pair, systematic, strict=True))
        return mine, yours


@dataclass(frozen=True)
class Weighed:
    """A rule held against the numbers.

    Parameters
    ----------
    truth : Truth or None
        None where a number is missing.
    evidence : tuple of Evidence
    missing : tuple of str
        Why numbers are missing.
    provisional : bool
        Whether a number it rests on may still change.
    """

    truth: Truth | None
    evidence: tuple[Evidence, ...]
    missing: tuple[str, ...]
    provisional: bool


def weigh(rule: Rule, assay: AssayDocument, numbers: Numbers) -> Weighed:
    """Hold every condition of a rule against the joint samples.

    Parameters
    ----------
    rule : Rule
    assay : AssayDocument
    numbers : Numbers

    Returns
    -------
    Weighed
    """
    truths: dict[Condition, Truth] = {}
    evidence: list[Evidence] = []
    missing: list[str] = []
    provisional = False
    for condition in rule.conditions:
        limit = assay.limit(condition.of, condition.well, condition.limit)
        above = condition.side.endswith("above")
        bound = None if limit is None else (limit.high if above else limit.low)
        if limit is None or bound is None:
            missing.append(f"There is no {condition.limit} limit of {condition.of}.")
            continue
        found = numbers.find(condition.of, condition.well)
        stated = f"{condition.side} the {condition.limit} limit ({limit.text})"
        if isinstance(found, str):
            missing.append(found)
            evidence.append(Evidence(condition.of, condition.well, stated, None, limit.source))
            continue
        estimate, samples = found
        provisional |= estimate.status == "provisional"
        truth = beyond(samples, bound, "above" if above else "below", estimate)
        truth = ~truth if condition.side.startswith("not") else truth
        truths[condition] = truth
        evidence.append(Evidence(condition.of, condition.well, stated, settled(truth), limit.source))
    if missing:
        return Weighed(None, tuple(evidence), tuple(dict.fromkeys(missing)), provisional)
    parts = [truths[c] for c in rule.when]
    if rule.when_any:
        parts.append(reduce(or_, (truths[c] for c in rule.when_any)))
    return Weighed(reduce(and_, parts), tuple(evidence), (), provisional)


def settled(truth: Truth) -> float | None:
    """The probability that a statement holds; None where censored samples leave more than 0.01 of it open."""
    low, high = probability(truth.surely), probability(truth.possibly)
    return (low + high) / 2 if high - low <= 0.01 else None
