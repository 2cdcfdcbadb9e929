"""The account of carry-over."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.interference._common import REFUSED, account_of, limit_warning
from stanch.verify.interference.carryover import CarryOver, carry_over_regression, carry_over_sequences
from stanch.verify.interference.pictures import share_picture
from stanch.verify.records import Account, Cell, Column, Definition, Grid, Verdict
from stanch.verify.table import Table, take


def carry_over(table: Table, s: dict[str, Any]) -> Account:
    """What is left of the sample before."""
    if s["sample"] is None:
        raise InputError("option --sample", got="nothing", allowed="the column that names the samples")
    numbers = (s["result"], *((s["order_of"],) if s["order_of"] else ()))
    labels = (s["sample"], *((s["series"],) if s["series"] else ()))
    taken = take(table, numbers=numbers, labels=labels, treatment=REFUSED)
    y, sample = taken.numbers[s["result"]], taken.labels[s["sample"]]
    series = taken.labels[s["series"]] if s["series"] else np.full(y.size, "1")
    order = np.arange(y.size)
    if s["order_of"]:
        runs = np.unique(series, return_inverse=True)[1].reshape(-1)
        order = np.lexsort((taken.numbers[s["order_of"]], runs))
    y, sample, series = y[order], sample[order], series[order]
    if s["scheme"] == "sequences":
        high, low = _sequences(y, sample, series, s)
        found = carry_over_sequences(high, low, allowed=s["allowed"], alpha=s["alpha"], unit=s["unit"])
        how = f"{found.n} sequences of {high.shape[1]} high results followed by {low.shape[1]} low ones."
    else:
        found = carry_over_regression(y, sample, series=series, allowed=s["allowed"], alpha=s["alpha"], unit=s["unit"])
        how = f"{found.n} results in mixed order; regression on the sample before."
    limit = "" if s["allowed"] is None else f"share within ±{s['allowed']:g}"
    return account_of(
        s,
        "Carry-over",
        taken,
        design=(how, "Rows stand in the order of measurement." if not s["order_of"] else "Sorted by the order column."),
        verdicts=(
            Verdict(
                "Carry-over is small enough",
                found.share,
                limit,
                found.outcome,
                f"Met when the whole {100 * found.share.level:g} % interval of the share lies inside the limits.",
            ),
        ),
        grids=(_grid(found, s),),
        pictures=(share_picture(y, sample, found, s),),
        definitions=(
            Definition(
                "carry-over",
                "Share of the sample before found in the next result: (L1 − Ln)/(Hn − Ln) in a sequence of high and "
                "low results, or the coefficient of the sample before in random order.",
                "Broughton PMG et al. Ann Clin Biochem 11:207-218 (1974), from memory",
            ),
        ),
        numbers={
            "share": found.share,
            "rise": found.rise,
            "high_share": found.high_share,
            "each": list(found.each[:1000]),
            "n": found.n,
        },
        warnings=limit_warning(s),
    )


def _grid(found: CarryOver, s: dict[str, Any]) -> Grid:
    rows: tuple[tuple[Cell, ...], ...] = (
        ("share of the sample before", found.share),
        ("the same in high samples after low ones", found.high_share),
        ("effect on a result", found.rise),
    )
    return Grid("Carry-over", (Column("quantity"), Column("value")), rows)


def _sequences(
    y: NDArray[np.float64], sample: NDArray[np.str_], series: NDArray[np.str_], s: dict[str, Any]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    for key in ("high", "low"):
        if s[key] is None:
            raise InputError(f"option --{key}", got="nothing", allowed="the name of that sample in the sample column")
    named = np.isin(sample, (s["high"], s["low"]))
    if not named.all():
        got = str(sample[~named][0])
        raise InputError("sample names", got=got, allowed=f"{s['high']} and {s['low']}")
    is_high = sample == s["high"]
    turn = is_high[1:] & (~is_high[:-1] | (series[1:] != series[:-1]))
    part = np.r_[0, np.cumsum(turn | (series[1:] != series[:-1]))]
    width = (np.bincount(part, is_high), np.bincount(part, ~is_high))
    if any((w != w[0]).any() or w[0] < 2 for w in width) or not is_high[0]:
        raise InputError(
            "sequences",
            got="high and low results in unequal numbers, or fewer than two in a row",
            allowed="the same number (two or more) of high results followed by low ones in every sequence",
            do="Choose the scheme random for results in any other order.",
        )
    h, n = int(width[0][0]), int(width[1][0])
    table = y.reshape(-1, h + n)
    return table[:, :h], table[:, h:]
