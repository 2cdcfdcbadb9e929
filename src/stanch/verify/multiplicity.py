"""P values of several tests that are looked at together."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["bonferroni", "holm"]


def bonferroni(p: Sequence[float]) -> tuple[float, ...]:
    """P values of several tests times their number, at most 1.

    Parameters
    ----------
    p : sequence of float
        [-].

    Returns
    -------
    tuple of float
        In the same order [-].

    Examples
    --------
    >>> bonferroni([0.01, 0.04, 0.5])
    (0.03, 0.12, 1.0)
    """
    return tuple(min(1.0, value * len(p)) for value in p)


def holm(p: Sequence[float]) -> tuple[float, ...]:
    """P values of several tests, adjusted so that the chance of any false claim among them stays at alpha.

    Parameters
    ----------
    p : sequence of float
        [-].

    Returns
    -------
    tuple of float
        In the same order [-].

    Notes
    -----
    Holm S. Scand J Statist 6:65-70 (1979), from memory.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    (0.03, 0.06, 0.06)
    """
    order = sorted(range(len(p)), key=lambda i: p[i])
    adjusted, largest = [0.0] * len(p), 0.0
    for step, i in enumerate(order):
        largest = max(largest, min(1.0, (len(p) - step) * p[i]))
        adjusted[i] = largest
    return tuple(adjusted)
