"""Phases of a run within which forecasts are held to be alike, told by what was seen up to now."""

from __future__ import annotations

import math

import numpy as np

from stanch.curve.records import Curve

__all__ = ["PHASES", "SPANS_AFTER", "SPANS_BEFORE", "phase_of"]

_BEFORE = (60.0, 120.0, 180.0, 300.0, 600.0, 1200.0)
_AFTER = (60.0, 120.0, 180.0, 300.0, 480.0, 720.0, 1200.0, 2100.0)


def _words(edges: tuple[float, ...], when: str) -> tuple[str, ...]:
    ends = [f"{edge / 60:g}" for edge in edges]
    spans = [f"{a} to {b} min" for a, b in zip(["0", *ends], ends)]
    return tuple(f"{span} {when}" for span in (*spans, f"more than {ends[-1]} min"))


_BEFORE_WORDS = _words(_BEFORE, "since activation, not set")
_AFTER_WORDS = _words(_AFTER, "after onset")

PHASES = (*_BEFORE_WORDS, *_AFTER_WORDS)
"""Every phase."""

SPANS_BEFORE = (*zip((0.0, *_BEFORE), _BEFORE), (_BEFORE[-1], math.inf))
"""Times since activation at which phases without a clot begin and end [s]."""
SPANS_AFTER = (*zip((0.0, *_AFTER), _AFTER), (_AFTER[-1], math.inf))
"""Clot ages at which the other phases begin and end [s]."""


def phase_of(curve: Curve | None, now: float, onset_modulus: float, offset: float = 0.0) -> str:
    """The phase a well is in.

    Parameters
    ----------
    curve : Curve or None
        Made from pushes up to now.
    now : float
        Since activation [s].
    onset_modulus : float
        [Pa].
    offset : float
        True minus recorded activation [s].

    Returns
    -------
    str
        Of :data:`PHASES`.
    """
    if curve is not None:
        centre = curve.modulus if curve.centre is None else curve.centre
        under = np.flatnonzero(centre < onset_modulus)
        since = int(under[-1]) + 1 if under.size else 0
        # Since it last rose over the onset modulus; a clot that has since been lost does not count as not set.
        if since >= centre.size and (centre >= onset_modulus).any():
            since = int(np.argmax(centre >= onset_modulus))
        if since < centre.size:
            age = now - (float(curve.time[since]) - offset)
            return _AFTER_WORDS[int(np.searchsorted(_AFTER, age))]
    return _BEFORE_WORDS[int(np.searchsorted(_BEFORE, now))]
