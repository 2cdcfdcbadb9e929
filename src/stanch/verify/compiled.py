"""Loops compiled when they are first called, so that importing a protocol does not import the compiler."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, TypeVar, cast

__all__ = ["compiled"]

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """The same function, compiled at its first call and kept on disk.

    Parameters
    ----------
    function : callable
        Of arrays and numbers, calling nothing but NumPy; its results must not depend on being compiled.

    Returns
    -------
    callable
    """
    made: Callable[..., Any] | None = None

    @functools.wraps(function)
    def call(*given: Any) -> Any:
        nonlocal made
        if made is None:
            from numba import njit

            made = cast(Callable[..., Any], njit(cache=True, nogil=True)(function))
        return made(*given)

    return cast(Function, call)
