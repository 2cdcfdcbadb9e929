"""The self-check as an account that can be filed."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

from stanch.selfcheck.machine import facts, installed_files, versions
from stanch.selfcheck.operation import Operation, operation
from stanch.selfcheck.physics import physics
from stanch.selfcheck.records import Check
from stanch.selfcheck.statistics import statistics
from stanch.selfcheck.values import SOURCES, citation
from stanch.verify.records import Account, Bounded, Column, DataUsed, Definition, Grid, Verdict

__all__ = ["selfcheck"]

QUESTION = "Is this installation whole, and does it work on this machine as it did where it was made?"
RULE = "Met when every number is as near to its expected value as its tolerance asks."


def selfcheck() -> Account:
    """Run every check of the installation and write the account of it.

    Returns
    -------
    Account
        ``numbers["failed"]`` counts the checks that did not pass.
    """
    parts: tuple[tuple[str, Callable[[], Iterable[Check]]], ...] = (
        ("installed files", installed_files),
        ("published values of the physics", physics),
        ("published values of the statistics", statistics),
    )
    checks: list[Check] = []
    times: list[tuple[str, float]] = []
    for name, part in parts:
        start = time.perf_counter()
        checks += part()
        times.append((name, time.perf_counter() - start))
    run = operation()
    return _account(checks, run, times)


def _account(checks: list[Check], run: Operation, times: list[tuple[str, float]]) -> Account:
    every = [*checks, *run.checks]
    failed = [one for one in every if not one.passed]
    files_checked = any(one.area == "installation" for one in every)
    return Account(
        protocol="selfcheck",
        title="Installation and operation on this machine",
        question=QUESTION,
        design=(
            f"{len(checks)} numbers from the installation's files and from published sources, computed again.",
            f"{len(run.checks)} checks of a virtual recording that went through the whole job on this machine.",
            "The checks of performance with the laboratory's own samples are the other protocols.",
        ),
        data=DataUsed("published values and a virtual recording", "", len(every), len(every)),
        verdicts=tuple(_verdicts(every)),
        grids=(
            _checks("Published values, computed again", checks),
            _checks("Operation on this machine", list(run.checks)),
            _pairs("Versions", "software", "version", versions()),
            _pairs("Machine and installation", "fact", "value", facts()),
            Grid(
                "Times",
                (Column("step"), Column("time", "s")),
                tuple((name, Bounded(took, unit="s")) for name, took in (*times, *run.times)),
                "Wall-clock times of this run; the first run in a new installation also compiles.",
            ),
        ),
        pictures=(),
        definitions=tuple(Definition(slug, *citation(slug)) for slug in SOURCES),
        settings={},
        numbers={
            "checks": [_plain(one) for one in every],
            "failed": len(failed),
            "times_s": dict((*times, *run.times)),
            "versions": dict(versions()),
            "machine": dict(facts()),
        },
        warnings=()
        if files_checked
        else ("This installation works from a checkout, so its files have no record to be compared with.",),
    )


def _verdicts(every: list[Check]) -> Iterable[Verdict]:
    for area in dict.fromkeys(one.area for one in every):
        here = [one for one in every if one.area == area]
        good = sum(one.passed for one in here)
        yield Verdict(
            f"Area {area}: every check passed",
            Bounded(float(good), unit=f"of {len(here)}"),
            f"all {len(here)}",
            "met" if good == len(here) else "not met",
            RULE,
        )


def _checks(title: str, checks: list[Check]) -> Grid:
    columns = ("area", "what", "source", "expected", "found", "allowed distance", "passed")
    rows = tuple(
        (
            one.area,
            one.name,
            one.source,
            f"{one.expected:.10g}",
            f"{one.found:.10g}",
            f"{one.tolerance:.3g}",
            "yes" if one.passed else "NO",
        )
        for one in checks
    )
    return Grid(title, tuple(Column(name) for name in columns), rows)


def _pairs(title: str, first: str, second: str, rows: Iterable[tuple[str, str]]) -> Grid:
    return Grid(title, (Column(first), Column(second)), tuple(rows))


def _plain(one: Check) -> dict[str, object]:
    return {
        "area": one.area,
        "name": one.name,
        "source": one.source,
        "expected": one.expected,
        "found": one.found,
        "tolerance": one.tolerance,
        "passed": one.passed,
    }
