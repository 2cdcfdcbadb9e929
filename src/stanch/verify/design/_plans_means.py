"""Plans of studies that judge a mean: equivalence, effects, groups, linearity, readings, wells."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from stanch.errors import InputError
from stanch.verify.design.curves import readings_power
from stanch.verify.design.means import equivalence_power, t_test_power
from stanch.verify.design.plan import FORMULA, LOGS, NORMAL, PAIRED, Plan
from stanch.verify.design.simulated import linearity_passes, wells_passes


def paired(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "pairs",
        f"the mean difference is shown to lie within ±{o['allowed']:g}",
        lambda n, f: equivalence_power(
            n, margin=o["allowed"], sd=f * o["sd"], difference=o["difference"], alpha=o["alpha"]
        ),
        (PAIRED, f"The true mean difference is {o['difference']:g}.", f"They scatter by {o['sd']:g} (SD)."),
        "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory; power exact, " + FORMULA,
    )


def ratio(o: Mapping[str, Any]) -> Plan:
    if not o["allowed"] > 1:
        raise InputError("option --allowed", got=o["allowed"], allowed="a ratio above 1, such as 1.1")
    if not o["ratio"] > 0:
        raise InputError("option --ratio", got=o["ratio"], allowed="above 0")
    return Plan(
        "pairs",
        f"the ratio is shown to lie within 1/{o['allowed']:g} to {o['allowed']:g}",
        lambda n, f: equivalence_power(
            n, margin=math.log(o["allowed"]), sd=f * o["sd"], difference=math.log(o["ratio"]), alpha=o["alpha"]
        ),
        (LOGS, f"The true ratio is {o['ratio']:g}.", f"ln of the ratios scatters by {o['sd']:g} (SD)."),
        "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory; power exact, " + FORMULA,
    )


def effect(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "pairs",
        f"an effect of {o['difference']:g} is found by the two-sided paired t test",
        lambda n, f: t_test_power(n, difference=o["difference"], sd=f * o["sd"], alpha=o["alpha"], groups="paired"),
        (PAIRED, f"They scatter by {o['sd']:g} (SD)."),
        "non-central t distribution, general statistics",
    )


def groups(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "samples in each group",
        f"a difference of {o['difference']:g} is found by the two-sided t test",
        lambda n, f: t_test_power(n, difference=o["difference"], sd=f * o["sd"], alpha=o["alpha"]),
        (NORMAL, f"Both groups scatter by {o['sd']:g} (SD)."),
        "non-central t distribution, general statistics",
    )


def linearity(o: Mapping[str, Any]) -> Plan:
    def power(n: int, f: float) -> float:
        passed = linearity_passes(
            n,
            levels=o["levels"],
            sd=f * o["sd"],
            allowed=o["allowed"],
            difference=o["difference"],
            alpha=o["alpha"],
            repeats=o["draws"],
            seed=o["seed"],
        )
        return passed / int(o["draws"])

    return Plan(
        f"results at each of {o['levels']} levels",
        f"the deviation of every level mean from the line is shown to lie within ±{o['allowed']:g}",
        power,
        (
            NORMAL,
            "Levels are equally spaced and scatter alike.",
            f"A result scatters by {o['sd']:g} (SD).",
            "Levels truly lie on the line."
            if o["difference"] == 0
            else f"Levels truly bend away from the line, by up to {o['difference']:g}.",
        ),
        "simulation",
        repeats=o["draws"],
        most=5000,
    )


def readings(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "repeated readings",
        f"the expanded uncertainty of their mean is at most {o['allowed']:g}",
        lambda n, f: readings_power(n, sd=f * o["sd"], allowed=o["allowed"], level=1 - o["alpha"]),
        (
            NORMAL,
            f"A reading scatters by {o['sd']:g} (SD).",
            "Systematic parts are not in it: they do not average out.",
        ),
        "chi-square distribution of a sample variance, general statistics",
    )


def wells(o: Mapping[str, Any]) -> Plan:
    def power(n: int, f: float) -> float:
        passed = wells_passes(
            n,
            wells=o["wells"],
            sd=f * o["sd"],
            margin=o["allowed"],
            difference=o["difference"],
            alpha=o["alpha"],
            repeats=o["draws"],
            seed=o["seed"],
        )
        return passed / int(o["draws"])

    return Plan(
        f"samples, each in all {o['wells']} wells",
        f"every well is shown to lie within ±{o['allowed']:g} of the mean of all",
        power,
        (
            NORMAL,
            f"A result scatters by {o['sd']:g} (SD) about its sample.",
            "All wells are truly alike; positions are rotated."
            if o["difference"] == 0
            else f"One well is off by {o['difference']:g}, the others are alike; positions are rotated.",
        ),
        "simulation",
        repeats=o["draws"],
        costly=True,
        most=5000,
    )
