"""Plans of studies that compare methods or predict one reading from another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stanch.verify.design.curves import slope_power
from stanch.verify.design.plan import FORMULA, NORMAL, PAIRED, Plan
from stanch.verify.design.simulated import passing_bablok_passes, prediction_passes
from stanch.verify.design.spreads import agreement_power


def limits(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "samples measured by both methods",
        f"the {100 * (1 - o['alpha']):g} % intervals of both limits of agreement lie within ±{o['allowed']:g}",
        lambda n, f: agreement_power(
            n, bias=o["difference"], sd=f * o["sd"], allowed=o["allowed"], level=1 - o["alpha"]
        ),
        (PAIRED, f"The true bias is {o['difference']:g}.", f"The differences scatter by {o['sd']:g} (SD)."),
        "Lu MJ et al. Int J Biostat 12(2):20150039 (2016), from memory; power exact, " + FORMULA,
        start=3,
    )


def deming(o: Mapping[str, Any]) -> Plan:
    other = o["sd"] if o["other_sd"] is None else o["other_sd"]
    return Plan(
        "samples measured by both methods",
        f"the {100 * (1 - 2 * o['alpha']):g} % interval of the slope lies within 1 ± {o['allowed']:g}",
        lambda n, f: slope_power(
            n,
            allowed=o["allowed"],
            range_sd=o["range_sd"],
            sd_x=f * o["sd"],
            sd_y=f * other,
            slope=o["slope"],
            alpha=o["alpha"],
        ),
        (
            NORMAL,
            f"Samples spread by {o['range_sd']:g} (SD); the methods scatter by {o['sd']:g} and {other:g}.",
            f"The true slope is {o['slope']:g}, the error ratio known.",
            "Large-sample standard error of the slope: trust it from some 40 samples on.",
        ),
        "Fuller WA. Measurement Error Models (1987), from memory",
        start=10,
    )


def passing_bablok(o: Mapping[str, Any]) -> Plan:
    repeats = int(min(o["draws"], 400))

    def power(n: int, f: float) -> float:
        passed = passing_bablok_passes(
            n,
            sd=f * o["sd"],
            range_sd=o["range_sd"],
            allowed=o["allowed"],
            slope=o["slope"],
            level=1 - 2 * o["alpha"],
            repeats=repeats,
            seed=o["seed"],
        )
        return passed / repeats

    return Plan(
        "samples measured by both methods",
        f"the {100 * (1 - 2 * o['alpha']):g} % interval of the slope lies within 1 ± {o['allowed']:g}",
        power,
        (
            NORMAL,
            f"Samples spread by {o['range_sd']:g} (SD); either method scatters by {o['sd']:g}.",
            f"The true slope is {o['slope']:g}.",
        ),
        "simulation",
        start=10,
        repeats=repeats,
        costly=True,
        most=2000,
    )


def prediction(o: Mapping[str, Any]) -> Plan:
    def power(n: int, f: float) -> float:
        passed = prediction_passes(
            n,
            sd=f * o["sd"],
            range_sd=o["range_sd"],
            allowed=o["allowed"],
            confidence=1 - o["alpha"],
            repeats=o["draws"],
            seed=o["seed"],
        )
        return passed / int(o["draws"])

    return Plan(
        "curves",
        f"the upper {100 * (1 - o['alpha']):g} % limit of the out-of-sample prediction error of ln(plateau) is at most "
        f"{o['allowed']:g}",
        power,
        (
            "Logarithms are normally distributed.",
            f"ln(plateau) scatters by {o['sd']:g} (SD) about its line on ln(early modulus).",
            f"ln(early modulus) spreads by {o['range_sd']:g} (SD) among samples; no plateau is censored.",
        ),
        "simulation",
        start=4,
        repeats=o["draws"],
        costly=True,
        most=5000,
    )
