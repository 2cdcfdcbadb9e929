"""How the functions of ``receive`` and ``kernel`` are compiled; importing it imports numba."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

__all__ = ["LANES", "entry", "helper", "padded"]

LANES = 32
"""Sums run over a multiple of this many samples, so that no loop is left with a slow remainder."""

# Sums may be reordered; NaN and infinity keep their meaning.
_REORDER = {"reassoc", "contract", "nsz"}
# Each wrapper left out saves a quarter of the compile time; the type stubs do not know these options.
_njit: Any = numba.njit
_Function = TypeVar("_Function", bound=Callable[..., Any])


def helper(function: _Function) -> _Function:
    """Compile for other compiled functions only."""
    compiled = _njit(nogil=True, fastmath=_REORDER, no_cpython_wrapper=True, no_cfunc_wrapper=True)(function)
    return cast(_Function, compiled)


def entry(function: _Function) -> _Function:
    """Compile for callers in Python, and keep on disk together with the helpers used."""
    compiled = _njit(cache=True, nogil=True, fastmath=_REORDER, no_cfunc_wrapper=True)(function)
    return cast(_Function, compiled)


def padded(count: int) -> int:
    """`count` rounded up to a multiple of :data:`LANES` [-]."""
    return -(-count // LANES) * LANES
