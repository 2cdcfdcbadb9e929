"""Pictures of a budget, as data."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from stanch.verify.bins import bin_edges
from stanch.verify.budget.first_order import FirstOrder
from stanch.verify.budget.monte_carlo import Distribution
from stanch.verify.budget.runs import RunCheck
from stanch.verify.records import Bars, Level, Line, Picture, Points, Rows


def interval_of(mc: Distribution, which: str) -> tuple[float, float]:
    """The interval of the random trials that was asked for."""
    return mc.shortest if which == "shortest" else (mc.low, mc.high)


def ranked_picture(one: FirstOrder, unit: str) -> Picture:
    """Contributions as rows, largest first."""
    shown = one.contributions[:12]
    parts = tuple(abs(c.part) for c in shown)
    of = "" if one.output == "y" else f" to {one.output}"
    return Picture(
        f"Contributions{of}",
        f"contribution to the standard uncertainty [{unit or '-'}]",
        "",
        (
            Rows(
                tuple(f"{c.input.name} ({c.input.kind})" for c in shown),
                parts,
                (None,) * len(parts),
                (None,) * len(parts),
            ),
            Level(0.0, "", axis="x", kind="zero"),
            Level(one.u, "combined", axis="x", kind="mean"),
        ),
        caption="Sensitivity times standard uncertainty of each input, largest first; the upright line is their "
        "combination." + ("" if len(shown) == len(one.contributions) else f" The largest {len(shown)} are shown."),
        alt=f"The largest contribution is {shown[0].input.name} with {100 * shown[0].share:.0f} % of the variance.",
    )


def histogram(one: FirstOrder, mc: Distribution, unit: str, which: str) -> Picture:
    """The random trials with the normal distribution of first order."""
    count = mc.trials.size
    of = "" if one.output == "y" else f" of {one.output}"
    bins = int(np.clip(count // 50, 8, 80))
    edges = bin_edges(
        float(mc.trials[int(0.0005 * count)]), float(mc.trials[min(count - 1, int(0.9995 * count))]), bins
    )
    heights, _ = np.histogram(mc.trials, bins=edges)
    density = heights / (count * np.diff(edges))
    layers: list[Any] = [Bars(tuple(edges.tolist()), tuple(density.tolist()), "random trials")]
    if one.u > 0:
        x = np.linspace(edges[0], edges[-1], 201)
        y = np.exp(-0.5 * ((x - one.value) / one.u) ** 2) / (one.u * math.sqrt(2 * math.pi))
        layers.append(Line(tuple(x.tolist()), tuple(y.tolist()), "first order, normal", 1))
    low, high = interval_of(mc, which)
    layers += [Level(low, f"{which} interval", axis="x"), Level(high, "", axis="x")]
    return Picture(
        f"Distribution{of}",
        f"result [{unit or '-'}]",
        f"density [{_inverse(unit)}]",
        tuple(layers),
        caption="Bars: results of joint random draws of all inputs. Line: the normal distribution that first order "
        "implies. Where they part, first order does not hold.",
        alt=f"{count} trials: mean {mc.value:.5g}, standard deviation {mc.u:.3g}; first order gives {one.u:.3g}.",
    )


def runs_picture(check: RunCheck, unit: str) -> Picture:
    """Every run against what first order foretold."""
    ends = (min(*check.foretold, *check.found), max(*check.foretold, *check.found))
    remainder = (
        "" if check.remainder is None else f"; the remainder is {100 * check.remainder:.1f} % of the uncertainty"
    )
    return Picture(
        "Runs against first order",
        f"predicted by first order [{unit or '-'}]",
        f"found by the run [{unit or '-'}]",
        (Line(ends, ends, "equal", 1), Points(check.foretold, check.found, "runs")),
        caption="Each mark is one run with all inputs drawn at once. On the line, first order predicts it exactly.",
        alt=f"{len(check.found)} runs{remainder}.",
        equal=True,
    )


def _inverse(unit: str) -> str:
    if not unit or unit == "1":
        return "-"
    return f"1/{unit}" if unit.isalpha() else f"1/({unit})"
