"""Words of accounts that several protocols need."""

from __future__ import annotations

__all__ = ["counted"]


def counted(n: int, noun: str) -> str:
    """A number with its noun, in the plural where there is not exactly one.

    Parameters
    ----------
    n : int
        How many.
    noun : str
        In the singular, of those that take an s.

    Returns
    -------
    str

    Examples
    --------
    >>> counted(1, "run"), counted(3, "run")
    ('1 run', '3 runs')
    """
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
