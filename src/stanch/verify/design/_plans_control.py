"""Plans of studies that wait for a signal: control rules and external rounds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stanch.verify.control import parse, rates
from stanch.verify.design.curves import detection_within
from stanch.verify.design.plan import NORMAL, Plan


def rules(o: Mapping[str, Any]) -> Plan:
    rules = tuple(parse(text) for text in o["rules"])
    names = ", ".join(rule.name for rule in rules)
    return Plan(
        f"runs with {o['replicates']} control results",
        f"a shift of {o['difference']:g} standard deviations has been signalled by the rules {names}",
        lambda n, f: rates(rules, per_run=o["replicates"], shift=o["difference"], spread=f, within=max(1, n)).within,
        (NORMAL, "The shift comes after a long time in control and stays.", "Exact, by a Markov chain."),
        "Champ CW, Woodall WH. Technometrics 29:393-399 (1987), from memory",
        start=1,
        scatter="the standard deviation of the control results",
        most=2000,
        costly=True,
    )


def control(o: Mapping[str, Any]) -> Plan:
    return Plan(
        f"runs with {o['replicates']} control results",
        f"a shift of {o['difference']:g} has passed the limits of ±{o['limit']:g} standard deviations",
        lambda n, f: detection_within(n, shift=o["difference"] / f, limit=o["limit"] / f, per_run=o["replicates"]),
        (NORMAL, "One rule without memory; for rule sets see the control protocol.", "The shift comes and stays."),
        "normal distribution, general statistics",
        start=1,
        scatter="the standard deviation of the control results",
    )


def rounds(o: Mapping[str, Any]) -> Plan:
    def power(n: int, f: float) -> float:
        # A round flags when the score of one result, with its own scatter, passes the limit.
        return detection_within(n, shift=o["difference"] / (f * o["sd"]), limit=o["limit"] / (f * o["sd"]))

    return Plan(
        "rounds",
        f"a bias has been flagged at least once by a score beyond ±{o['limit']:g}",
        power,
        (
            f"The bias is {o['difference']:g} and a result scatters by {o['sd']:g}, both in the round's standard "
            "deviation for assessment.",
            "The assigned value is right; rounds are independent of each other.",
        ),
        "normal distribution, general statistics",
        start=1,
    )
