"""Which rows, levels and components the designs of precision work on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.groups import ordered
from stanch.verify.precision._words import INTERMEDIATE, LEFT_OUT, REFUSED, REPEATABILITY, REPRODUCIBILITY
from stanch.verify.precision.components import Analysis, Total
from stanch.verify.table import Table, Taken, take

MOST_LEVELS = 500


def taken(table: Table, numbers: Sequence[str], labels: Sequence[str | None], settings: Mapping[str, Any]) -> Taken:
    """The rows in use, by the censoring asked for; the design's missing options are refused here."""
    confidence = settings["confidence"]
    if not 0.5 <= confidence < 1:
        raise UsageError("option --confidence", got=confidence, allowed="0.5 to below 1")
    leave = settings["censored"] == "leave-out"
    return take(
        table,
        numbers=tuple(numbers),
        labels=tuple(name for name in labels if name),
        censored="drop" if leave else "refuse",
        treatment=LEFT_OUT if leave else REFUSED,
    )


def need(settings: Mapping[str, Any], *keys: str) -> None:
    """Refuse a design whose options are incomplete."""
    for key in keys:
        if not settings[key]:
            raise UsageError(
                f"option --{key.replace('_', '-')}",
                got="nothing",
                allowed=f"a value for the design {settings['design']}",
                do="Give it.",
            )


def parts_by_level(labels: NDArray[np.str_] | None, rows: int) -> Iterator[tuple[str, NDArray[np.intp]]]:
    """Rows of each level; all of them without a level column."""
    if labels is None:
        yield "", np.arange(rows)
        return
    names, place = ordered(labels)
    if names.size > MOST_LEVELS:
        raise InputError(
            "levels", got=names.size, allowed=f"at most {MOST_LEVELS}", do="Use --design levels, or name materials."
        )
    order = np.argsort(place, kind="stable")
    for name, rows_here in zip(names, np.split(order, np.cumsum(np.bincount(place))[:-1]), strict=True):
        yield str(name), np.asarray(rows_here, dtype=np.intp)


def unused_limits(names: Sequence[str], settings: Mapping[str, Any]) -> None:
    """Refuse a limit for something the design does not give."""
    for name in (REPEATABILITY, INTERMEDIATE, REPRODUCIBILITY):
        for kind in ("sd", "cv"):
            if name not in names and settings.get(f"allowed_{name}_{kind}") is not None:
                raise UsageError(
                    f"option --allowed-{name}-{kind}",
                    got="a limit",
                    allowed=f"limits for {', '.join(names)}",
                    do="Name the factors that make it up, or leave it out.",
                )


def add(analysis: Analysis, settings: Mapping[str, Any], unit: str) -> Callable[[Sequence[str]], Total]:
    """A function that sums components by the settings in force."""

    def total(parts: Sequence[str]) -> Total:
        return analysis.total(parts, level=settings["confidence"], interval=settings["interval"], unit=unit)

    return total
