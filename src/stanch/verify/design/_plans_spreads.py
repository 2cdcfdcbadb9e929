"""Plans of studies that judge a standard deviation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stanch.verify.design.plan import JUDGED, NORMAL, Plan
from stanch.verify.design.simulated import nested_passes
from stanch.verify.design.spreads import sd_power, sd_within
from stanch.verify.precision import verification_limit


def replicates(o: Mapping[str, Any], loss: int, counted: str) -> Plan:
    return Plan(
        counted,
        f"the upper {100 * (1 - o['alpha']):g} % limit of the standard deviation is at most {o['allowed']:g}",
        lambda n, f: sd_power(n - loss, sd=f * o["sd"], allowed=o["allowed"], confidence=1 - o["alpha"]),
        (NORMAL, f"The true standard deviation is {o['sd']:g}.", JUDGED.format(alpha=o["alpha"], protocol="precision")),
        "chi-square distribution of a sample variance, general statistics",
        start=1 + loss,
    )


def runs(o: Mapping[str, Any]) -> Plan:
    def power(n: int, f: float) -> float:
        passed = nested_passes(
            n,
            replicates=o["replicates"],
            sd=f * o["sd"],
            between=f * o["between_sd"],
            allowed=o["allowed"],
            confidence=1 - o["alpha"],
            repeats=o["draws"],
            seed=o["seed"],
        )
        return passed / int(o["draws"])

    return Plan(
        f"runs of {o['replicates']} results",
        f"the upper {100 * (1 - o['alpha']):g} % limit of the total standard deviation is at most {o['allowed']:g}",
        power,
        (
            NORMAL,
            f"True standard deviations: {o['sd']:g} within runs, {o['between_sd']:g} between runs.",
            "The limit has Satterthwaite's degrees of freedom; a negative between-run variance counts as zero.",
            JUDGED.format(alpha=o["alpha"], protocol="precision"),
        ),
        "simulation",
        scatter="both assumed standard deviations",
        repeats=o["draws"],
        costly=True,
        most=5000,
    )


def excess(o: Mapping[str, Any]) -> Plan:
    each, claimed, error = o["replicates"], o["allowed"], o["alpha"]

    def power(n: int, f: float) -> float:
        df = n * (each - 1)
        limit = verification_limit(claimed, df, error=error)
        return 1.0 - sd_within(df, sd=f * o["sd"], limit=limit)

    return Plan(
        f"runs of {each} results",
        f"a repeatability of {o['sd']:g} is seen to contradict the claimed {claimed:g}",
        power,
        (NORMAL, f"The true standard deviation is {o['sd']:g}, more than the claimed {claimed:g}."),
        "chi-square distribution of a sample variance, general statistics",
        scatter="the true standard deviation",
    )
