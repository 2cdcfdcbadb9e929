"""Plans of studies that judge shares, areas and limits by ranks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stanch.verify.design.curves import area_power
from stanch.verify.design.plan import JUDGED, Plan
from stanch.verify.design.ranks import tolerance_confidence
from stanch.verify.design.shares import share_power


def share(o: Mapping[str, Any], what: str) -> Plan:
    def power(n: int, f: float) -> float:
        true = float(1 - f * (1 - o["true_share"]))
        return share_power(n, true=true, claimed=o["claimed_share"], alpha=o["alpha"]) if 0 < true < 1 else 0.0

    return Plan(
        what,
        f"a share above {o['claimed_share']:g} is shown by the exact one-sided test",
        power,
        ("Results are independent of each other.", f"The true share is {o['true_share']:g}."),
        "exact binomial distribution, general statistics",
        scatter="the assumed share of failures",
        start=1,
        uneven=True,
        most=100_000,
    )


def ranks(o: Mapping[str, Any]) -> Plan:
    outside = (1 - o["share"]) / 2
    return Plan(
        "reference samples",
        "ranks give an interval of each reference limit with the confidence asked for",
        lambda n, _f: max(0.0, 1 - 2 * (1 - outside) ** n),
        ("Any distribution.", "Samples are independent, of one population, and none is left out later."),
        "ranks of a random sample, general statistics",
        scatter="",
        start=1,
    )


def tolerance(o: Mapping[str, Any], sides: int) -> Plan:
    return Plan(
        "reference samples",
        f"the extreme values enclose {100 * o['share']:g} % of the population"
        if sides == 2
        else f"{100 * o['share']:g} % of the population lies below the highest value",
        lambda n, _f: tolerance_confidence(n, share=o["share"], sides=sides),
        ("Any distribution.", "Samples are independent and of one population."),
        "Wilks SS. Ann Math Stat 12:91-96 (1941), from memory",
        scatter="",
        start=sides,
    )


def area(o: Mapping[str, Any]) -> Plan:
    return Plan(
        f"diseased, with {o['healthy_per_diseased']:g} healthy each",
        f"the area is shown to exceed {o['claimed_area']:g} by the one-sided test",
        lambda n, f: area_power(
            n,
            area=o["area"],
            claimed=o["claimed_area"],
            ratio=o["healthy_per_diseased"],
            alpha=o["alpha"],
            scale=f,
        ),
        (
            f"The true area is {o['area']:g}.",
            "Scores are exponential for the variance; normal scores differ little.",
            JUDGED.format(alpha=o["alpha"], protocol="discrimination"),
        ),
        "Hanley JA, McNeil BJ. Radiology 143:29-36 (1982), from memory",
        start=5,
        scatter="the standard error of the area",
    )
