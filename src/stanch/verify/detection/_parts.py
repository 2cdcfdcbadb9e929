"""What the designs of the detection protocol share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, UsageError
from stanch.verify.equivalence import outcome
from stanch.verify.records import Account, Bars, Bounded, DataUsed, Definition, Grid, Picture, Verdict
from stanch.verify.table import Taken, left_out

Floats = NDArray[np.float64]
Given = Mapping[str, Any]
MOST_ROWS = 200


@dataclass(frozen=True)
class Part:
    """What a design adds to the account."""

    title: str
    design: tuple[str, ...]
    data: DataUsed
    verdicts: tuple[Verdict, ...]
    grids: tuple[Grid, ...]
    pictures: tuple[Picture, ...]
    definitions: tuple[Definition, ...]
    numbers: Mapping[str, Any]
    warnings: tuple[str, ...] = field(default_factory=tuple)

    def account(self, question: str, given: Given) -> Account:
        return Account(
            protocol="detection",
            title=self.title,
            question=question,
            design=self.design,
            data=self.data,
            verdicts=self.verdicts,
            grids=self.grids,
            pictures=self.pictures,
            definitions=self.definitions,
            settings=dict(given),
            numbers=self.numbers,
            warnings=self.warnings,
        )


def needed(given: Given, *names: str) -> tuple[str, ...]:
    """Options this design cannot do without."""
    for name in names:
        if given[name.replace("-", "_")] is None:
            raise UsageError(
                f"option --{name}", got="nothing", allowed=f"given with the design {given['design']}", do="Give it."
            )
    return tuple(given[name.replace("-", "_")] for name in names)


def at_most(claim: str, value: Bounded, allowed: float | None, unit: str) -> Verdict:
    """A limit of the assay against the largest one the laboratory allows."""
    words = "" if allowed is None else f"at most {allowed:g} {unit}".strip()
    share = f"{100 * value.level:g} % " if value.value is not None else ""
    rule = f"Met when the whole {share}interval lies below what is allowed, not met when it lies above."
    return Verdict(claim, value, words, outcome(value, None, allowed, point=True), rule)


def split(taken: Taken, given: Given) -> tuple[NDArray[np.bool_], NDArray[np.bool_], Taken]:
    """Which rows are blanks and which low samples; rows of any other kind are left out and counted."""
    kind = np.char.lower(np.char.strip(taken.labels[given["kind"]]))
    blank, low = kind == given["blank"].strip().lower(), kind == given["low"].strip().lower()
    if not blank.any():
        seen = ", ".join(sorted(set(kind.tolist()))[:6])
        raise InputError(
            f"column {given['kind']}",
            got=f"no row says {given['blank']}, but {seen}",
            allowed="rows of blanks",
            do="Say with --blank and --low which words the table uses.",
        )
    other = ~(blank | low)
    data = left_out(taken.data, taken.row[other], "neither a blank nor a low sample")
    return blank, low, replace(taken, data=data)


def refuse_bounds(taken: Taken, column: str, where: NDArray[np.bool_], what: str) -> None:
    """Bounds among results whose scatter is wanted."""
    bad = (taken.below[column] | taken.above[column]) & where
    if bad.any():
        raise InputError(
            f"column {column}, row {int(taken.row[np.flatnonzero(bad)[0]])}",
            got="a value known only as a bound",
            allowed=f"numbers for {what}: their scatter is wanted",
            do="Use the design probit, which asks only whether a sample was detected.",
        )


def bars(values: Floats, edges: Floats, label: str, series: int) -> Bars:
    """A histogram on given edges."""
    heights, _ = np.histogram(values, bins=edges)
    return Bars(tuple(edges.tolist()), tuple(float(h) for h in heights), label, series)


def shared_edges(*groups: Floats) -> Floats:
    """Edges that suit all groups together."""
    everything = np.concatenate(groups)
    low, high = float(everything.min()), float(everything.max())
    if not low < high:
        width = abs(low) * 1e-3 or 1.0
        return np.linspace(low - width, low + width, 4)
    count = int(np.clip(2 * np.cbrt(everything.size), 8, 60))
    return np.linspace(low, high, count + 1)


def by_group(names: NDArray[np.str_] | None, size: int, use: Callable[[str, NDArray[np.bool_]], None]) -> None:
    """Once per group with its rows."""
    if names is None:
        use("", np.ones(size, dtype=bool))
        return
    found = np.unique(names)
    if found.size > MOST_ROWS:
        raise InputError(
            "lots", got=f"{found.size} different", allowed=f"at most {MOST_ROWS}", do="Is this the column?"
        )
    for name in found:
        use(str(name), names == name)


def skewness(values: Floats) -> float | None:
    """Skewness where it is told from none at 1 %, by its normal standard error; null otherwise or below 20 values."""
    if values.size < 20 or float(np.ptp(values)) == 0:
        return None
    t = (values - values.mean()) / values.std()
    found = float(np.mean(t**3))
    return found if abs(found) > 2.576 * float(np.sqrt(6 / values.size)) else None


def line(values: Floats) -> tuple[float, ...]:
    return tuple(float(v) for v in values)


def words(number: float | None) -> str:
    return "none" if number is None else f"{number:.4g}"


def lot_named(name: str, *, first: bool = False) -> str:
    """A lot in a sentence, or first in it; its name may say that it is one."""
    said = name if name.lower().startswith("lot") else f"lot {name}"
    return said[0].upper() + said[1:] if first else said
