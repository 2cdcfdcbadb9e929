"""Verification of a claim: from a table to an account."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from stanch.verify.groups import ordered
from stanch.verify.precision import _choose, _show, _words
from stanch.verify.precision.claim import ClaimCheck, ClaimedLevel, verify_claim
from stanch.verify.records import Account, Cell, Column, Definition, Grid, Level, Picture, Rows, Verdict
from stanch.verify.table import Table

LIMIT = Definition(
    "upper verification limit",
    "claimed · sqrt(χ²(1 − share; df)/df): the largest standard deviation that does not contradict the claim. For "
    "repeatability df is that of the replicates, for intermediate precision Satterthwaite's at the claimed components. "
    "Share is the probability of error, shared among the levels.",
    "chi-square quantile; checking a claim with five days of five replicates is common practice, no source",
)


def claim(table: Table, question: str, settings: Mapping[str, Any]) -> Account:
    """Claims against what few results show."""
    _choose.need(settings, "claimed_repeatability", "factors")
    result, unit, factors = settings["result"], settings["unit"], tuple(settings["factors"])
    used = _choose.taken(table, (result,), (*factors, settings["level"]), settings)
    as_cv = settings["claimed_as"] == "cv"
    scale = 0.01 if as_cv else 1.0
    marks, names = None, None
    if settings["level"]:
        names, marks = ordered(used.labels[settings["level"]])
    second = settings["claimed_intermediate"]
    found = verify_claim(
        used.numbers[result],
        {f: used.labels[f] for f in factors},
        claimed_repeatability=scale * np.asarray(settings["claimed_repeatability"], dtype=np.float64),
        claimed_intermediate=scale * np.asarray(second, dtype=np.float64) if second else None,
        level=marks,
        as_cv=as_cv,
        error=settings["alpha"],
        family=settings["adjust"],
    )
    titles = [""] if names is None else [str(n) for n in names]
    checks = [
        (title, what, check) for title, level in zip(titles, found, strict=True) for what, check in _checks(level)
    ]
    rule = (
        f"Met when the standard deviation found is not above the upper verification limit; a true claim fails at any "
        f"level with probability {settings['alpha']:g} at most."
    )
    verdicts = tuple(
        Verdict(
            f"The results are compatible with the claimed {what}{f' at {title}' if title else ''}",
            check.total.sd,
            f"claimed SD {check.claimed:.6g}, limit {check.limit:.6g} {unit}".strip(),
            "met" if check.met else "not met",
            rule,
        )
        for title, what, check in checks
    )
    first = found[0].analysis
    return Account(
        protocol="precision",
        title="Verification of a claimed precision",
        question=question,
        design=(
            f"{len(found)} level{'s' if len(found) > 1 else ''}; at the first, {first.groups[0]} {factors[0]} with "
            f"{first.n} results; {'balanced' if first.balanced else 'not balanced'}.",
            "Standard deviations by analysis of variance against upper verification limits.",
        ),
        data=used.data,
        verdicts=verdicts,
        grids=(
            _grid(checks, unit),
            _show.components_grid(dict(zip(titles, (f.analysis for f in found))), settings, unit),
        ),
        pictures=(_picture(checks, unit),),
        definitions=(LIMIT, _words.SOURCES[_words.REPEATABILITY], _words.SOURCES[_words.INTERMEDIATE]),
        settings=dict(settings),
        numbers={
            "checks": [
                {
                    "level": title,
                    "quantity": what,
                    "claimed": check.claimed,
                    "found": check.total.sd,
                    "df": check.df,
                    "limit": check.limit,
                    "met": check.met,
                }
                for title, what, check in checks
            ]
        },
        warnings=(
            "Not contradicting a claim is weak evidence for it: with few results a true standard deviation well above "
            "the claim often passes. The interval beside each standard deviation shows what remains possible.",
        ),
    )


def _checks(level: ClaimedLevel) -> list[tuple[str, ClaimCheck]]:
    found = [(_words.REPEATABILITY, level.repeatability)]
    if level.intermediate is not None:
        found.append((_words.INTERMEDIATE, level.intermediate))
    return found


def _grid(checks: list[tuple[str, str, ClaimCheck]], unit: str) -> Grid:
    rows: list[tuple[Cell, ...]] = [
        (title, what, c.claimed, c.total.sd, c.df, c.limit, "met" if c.met else "not met") for title, what, c in checks
    ]
    return Grid(
        "Claims",
        (
            Column("level"),
            Column("quantity"),
            Column("claimed SD", unit),
            Column("SD found", unit),
            Column("degrees of freedom of the limit"),
            Column("upper verification limit", unit),
            Column("outcome"),
        ),
        tuple(rows),
    )


def _picture(checks: list[tuple[str, str, ClaimCheck]], unit: str) -> Picture:
    names = tuple(f"{title}: {what}" if title else what for title, what, _ in checks)[:60]
    drawn = [c for _, _, c in checks][:60]
    bounds = [(c.total.sd, c.limit) for c in drawn]

    def over(x: float | None, limit: float) -> float | None:
        return None if x is None else x / limit

    return Picture(
        "Standard deviation found over its limit",
        "SD found / upper verification limit [-]",
        "",
        (
            Rows(
                names,
                tuple(over(b.value, limit) for b, limit in bounds),
                tuple(over(b.low, limit) for b, limit in bounds),
                tuple(over(b.high, limit) for b, limit in bounds),
            ),
            Level(1.0, "limit", axis="x"),
        ),
        caption="A mark to the left of 1 does not contradict the claim; whiskers show the interval of the SD found.",
        alt="; ".join(
            f"{n} {c.total.sd.value or 0:.3g} of {c.limit:.3g} {unit}" for n, c in list(zip(names, drawn))[:8]
        ),
    )
