"""The whole job on a virtual gel of known modulus, and planted damage that must be noticed."""

from __future__ import annotations

import math
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from stanch.errors import StanchError
from stanch.selfcheck.records import Check

if TYPE_CHECKING:
    from stanch.result import Result

__all__ = ["Operation", "operation"]

SOURCE = "this run"


@dataclass(frozen=True)
class Operation:
    """What the run of operation gave.

    Parameters
    ----------
    checks : tuple of Check
    times : tuple of (str, float)
        What was timed and how long it took [s].
    """

    checks: tuple[Check, ...]
    times: tuple[tuple[str, float], ...]


def operation() -> Operation:
    """Simulate, analyse, repeat, damage, recover; in a temporary folder.

    Returns
    -------
    Operation
    """
    from stanch.pipeline import analyse
    from stanch.virtual.simulate import simulate

    scenario = (files("stanch.selfcheck") / "gel.toml").read_text(encoding="utf-8")
    clock = _Clock()
    with tempfile.TemporaryDirectory(prefix="stanch-selfcheck-") as folder:
        path = Path(folder) / "gel.h5"
        simulate(scenario, path)
        clock.lap("simulating the gel")
        result = analyse(path, seed=1)
        clock.lap("analysing it, first time in this process")
        again = analyse(path, seed=1)
        clock.lap("analysing it again")
        checks = [*_moduli(result), *_repeated(result, again, scenario, Path(folder))]
        clock.lap("simulating it again")
        checks += list(_damage(path))
        clock.lap("planting and finding damage")
    return Operation(tuple(checks), tuple(clock.laps))


class _Clock:
    """Times of the steps [s]."""

    def __init__(self) -> None:
        self.laps: list[tuple[str, float]] = []
        self._last = time.perf_counter()

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps.append((name, now - self._last))
        self._last = now


def _moduli(result: Result) -> Iterator[Check]:
    """Each well's modulus against what was put in, in per cent and in its own standard errors."""
    from stanch.mechanics.records import LOG_OFFSET

    for well, true in zip(result.wells, (120.0, 400.0), strict=True):
        found = well.moduli
        if found is None:
            yield Check("whole job", f"gel of {true:g} Pa was read (1 is yes)", SOURCE, 1.0, 0.0, 0.0)
            continue
        use = found.usable
        n = int(use.sum())
        yield Check("whole job", f"usable pushes, gel of {true:g} Pa", SOURCE, use.size, n, 1.0)
        name = f"mean modulus of a gel of {true:g} Pa [Pa]"
        yield Check("whole job", name, SOURCE, true, float(found.modulus[use].mean()), 0.02 * true)
        # The speckle of a set gel is shared by its pushes, so their whole covariance is needed.
        weight = np.where(use, 1.0 / max(n, 1), 0.0)
        error = float(np.sqrt(weight @ np.where(np.outer(use, use), found.covariance, 0.0) @ weight))
        shift = float(found.log_modulus[use].mean()) - math.log(true + LOG_OFFSET)
        name = f"error of the mean of the gel of {true:g} Pa over its stated standard error"
        yield Check("whole job", name, SOURCE, 0.0, shift / error, 4.0)


def _repeated(result: Result, again: Result, scenario: str, folder: Path) -> Iterator[Check]:
    """The same bytes in give the same numbers out; the same seed gives the same recording."""
    from stanch.recording.container import open_recording
    from stanch.virtual.simulate import simulate

    pairs = [(a.moduli, b.moduli) for a, b in zip(result.wells, again.wells, strict=True)]
    gaps = [math.nan if a is None or b is None else float(np.abs(a.modulus - b.modulus).max()) for a, b in pairs]
    worst = float(np.max(gaps))
    yield Check("whole job", "largest difference between two analyses of one recording [Pa]", SOURCE, 0.0, worst, 0.0)
    with open_recording(simulate(scenario, folder / "twin.h5")) as twin:
        same = twin.identity() == result.identity
    yield Check(
        "recording", "the same seed gives a recording of the same identity (1 is yes)", SOURCE, 1.0, float(same), 0.0
    )


def _damage(path: Path) -> Iterator[Check]:
    """Bytes changed at twelve places of the echoes: each must be noticed, none may pass as data."""
    from stanch.recording.container import open_recording

    whole = path.read_bytes()
    with open_recording(path) as opened:
        names = [well.name for well in opened.wells]
        before = {name: opened.read(name, 0, opened.push_count(name)) for name in names}
    noticed, altered = 0, 0
    places = np.linspace(0.35, 0.95, 12)
    for share in places:
        broken = bytearray(whole)
        place = int(share * len(whole))
        broken[place] ^= 0x10
        path.write_bytes(broken)
        try:
            with open_recording(path) as opened:
                for name in names:
                    altered += not np.array_equal(opened.read(name, 0, opened.push_count(name)), before[name])
        except StanchError:
            noticed += 1
    path.write_bytes(whole)
    # A byte that no echo uses may change without being noticed.
    yield Check("recording", f"changed bytes noticed of {places.size}", SOURCE, places.size, noticed, 3.0)
    yield Check("recording", "changed echoes read as if they were sound", SOURCE, 0.0, altered, 0.0)
