"""Which study each protocol needs, as data: what is counted, its power, what it assumes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from stanch.errors import InputError, UsageError
from stanch.verify.control import parse, rates
from stanch.verify.design.curves import (
    area_power,
    detection_within,
    linearity_power,
    readings_power,
    slope_power,
)
from stanch.verify.design.means import equivalence_power, t_test_power
from stanch.verify.design.ranks import tolerance_confidence
from stanch.verify.design.shares import share_power
from stanch.verify.design.simulated import nested_passes, passing_bablok_passes, prediction_passes, wells_passes
from stanch.verify.design.spreads import agreement_power, sd_power, sd_within
from stanch.verify.precision import verification_limit

__all__ = ["KINDS", "PLANNED", "Kind", "Plan", "make_plan"]

NORMAL = "Results are normally distributed and independent of each other."
PAIRED = "The differences of the pairs are normally distributed and independent of each other."
LOGS = "The logarithms of the ratios are normally distributed and independent of each other."
FORMULA = "own derivation from the definition of the analysis; checked by simulation"


@dataclass(frozen=True)
class Plan:
    """A study to be planned.

    Parameters
    ----------
    counted : str
        What its number counts.
    shows : str
        What its success is, in words.
    power : callable
        From the number and a factor on the assumed scatter to the probability of success [-].
    assumptions : tuple of str
    source : str
    start : int
        Smallest number it can have.
    scatter : str
        What is 20 % off when the scatter is; empty where there is none.
    repeats : int or None
        Simulated studies behind each power; null for a formula.
    uneven : bool
        Whether the power does not rise evenly, since counts are whole numbers.
    most : int
        Largest number looked at.
    costly : bool
        Whether a power takes long, so that pictures have fewer points.
    """

    counted: str
    shows: str
    power: Callable[[int, float], float]
    assumptions: tuple[str, ...]
    source: str
    start: int = 2
    scatter: str = "the assumed standard deviation"
    repeats: int | None = None
    uneven: bool = False
    most: int = 1_000_000
    costly: bool = False


@dataclass(frozen=True)
class Kind:
    """A kind of study: the options it needs, those it may have with their defaults, and how its plan is made.

    Parameters
    ----------
    needs : tuple of str
        Options by key.
    may : mapping of str to object
    make : callable
        From all options to a plan.
    """

    needs: tuple[str, ...]
    may: Mapping[str, Any]
    make: Callable[[Mapping[str, Any]], Plan]


def _paired(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "pairs",
        f"the mean difference is shown to lie within ±{o['allowed']:g}",
        lambda n, f: equivalence_power(
            n, margin=o["allowed"], sd=f * o["sd"], difference=o["difference"], alpha=o["alpha"]
        ),
        (PAIRED, f"The true mean difference is {o['difference']:g}.", f"They scatter by {o['sd']:g} (SD)."),
        "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory; power exact, " + FORMULA,
    )


def _ratio(o: Mapping[str, Any]) -> Plan:
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


def _effect(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "pairs",
        f"an effect of {o['difference']:g} is found by the two-sided paired t test",
        lambda n, f: t_test_power(n, difference=o["difference"], sd=f * o["sd"], alpha=o["alpha"], groups="paired"),
        (PAIRED, f"They scatter by {o['sd']:g} (SD)."),
        "non-central t distribution; standard",
    )


def _groups(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "samples in each group",
        f"a difference of {o['difference']:g} is found by the two-sided t test",
        lambda n, f: t_test_power(n, difference=o["difference"], sd=f * o["sd"], alpha=o["alpha"]),
        (NORMAL, f"Both groups scatter by {o['sd']:g} (SD)."),
        "non-central t distribution; standard",
    )


def _replicates(o: Mapping[str, Any], loss: int, counted: str) -> Plan:
    return Plan(
        counted,
        f"the upper {1 - o['alpha']:.0%} limit of the standard deviation is at most {o['allowed']:g}",
        lambda n, f: sd_power(n - loss, sd=f * o["sd"], allowed=o["allowed"], confidence=1 - o["alpha"]),
        (NORMAL, f"The true standard deviation is {o['sd']:g}."),
        "chi-square distribution of a sample variance; standard",
        start=1 + loss,
    )


def _runs(o: Mapping[str, Any]) -> Plan:
    def power(n: int, f: float) -> float:
        passed = nested_passes(
            n,
            replicates=o["replicates"],
            sd=f * o["sd"],
            between=f * o["between_sd"],
            allowed=o["allowed"],
            confidence=1 - o["alpha"],
            repeats=o["repeats"],
            seed=o["seed"],
        )
        return passed / int(o["repeats"])

    return Plan(
        f"runs of {o['replicates']} results",
        f"the upper {1 - o['alpha']:.0%} limit of the total standard deviation is at most {o['allowed']:g}",
        power,
        (
            NORMAL,
            f"True standard deviations: {o['sd']:g} within runs, {o['between_sd']:g} between runs.",
            "The limit has Satterthwaite's degrees of freedom; a negative between-run variance counts as zero.",
        ),
        "simulation",
        scatter="both assumed standard deviations",
        repeats=o["repeats"],
        costly=True,
        most=5000,
    )


def _excess(o: Mapping[str, Any]) -> Plan:
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
        "chi-square distribution of a sample variance; standard",
        scatter="the true standard deviation",
    )


def _rules(o: Mapping[str, Any]) -> Plan:
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


def _linearity(o: Mapping[str, Any]) -> Plan:
    return Plan(
        f"results at each of {o['levels']} levels",
        f"the deviation from the line is shown to lie within ±{o['allowed']:g} at the least favourable level",
        lambda n, f: linearity_power(
            n, levels=o["levels"], sd=f * o["sd"], allowed=o["allowed"], difference=o["difference"], alpha=o["alpha"]
        ),
        (NORMAL, "Levels are equally spaced and scatter alike.", f"A result scatters by {o['sd']:g} (SD)."),
        "two one-sided t tests of a residual of the level means; " + FORMULA,
    )


def _share(o: Mapping[str, Any], what: str) -> Plan:
    def power(n: int, f: float) -> float:
        true = float(1 - f * (1 - o["true_share"]))
        return share_power(n, true=true, claimed=o["claimed_share"], alpha=o["alpha"]) if 0 < true < 1 else 0.0

    return Plan(
        what,
        f"a share above {o['claimed_share']:g} is shown by the exact one-sided test",
        power,
        ("Results are independent of each other.", f"The true share is {o['true_share']:g}."),
        "exact binomial distribution; standard",
        scatter="the assumed share of failures",
        start=1,
        uneven=True,
        most=100_000,
    )


def _limits(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "samples measured by both methods",
        f"the 95 % intervals of both limits of agreement lie within ±{o['allowed']:g}",
        lambda n, f: agreement_power(
            n, bias=o["difference"], sd=f * o["sd"], allowed=o["allowed"], level=1 - o["alpha"]
        ),
        (PAIRED, f"The true bias is {o['difference']:g}.", f"The differences scatter by {o['sd']:g} (SD)."),
        "Lu MJ et al. Int J Biostat 12(2):20150039 (2016), from memory; power exact, " + FORMULA,
        start=3,
    )


def _deming(o: Mapping[str, Any]) -> Plan:
    other = o["sd"] if o["other_sd"] is None else o["other_sd"]
    return Plan(
        "samples measured by both methods",
        f"the interval of the slope lies within 1 ± {o['allowed']:g}",
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


def _passing_bablok(o: Mapping[str, Any]) -> Plan:
    repeats = int(min(o["repeats"], 400))

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
        f"the interval of the slope lies within 1 ± {o['allowed']:g}",
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


def _ranks(o: Mapping[str, Any]) -> Plan:
    outside = (1 - o["share"]) / 2
    return Plan(
        "reference samples",
        "ranks give an interval of each reference limit with the confidence asked for",
        lambda n, _f: max(0.0, 1 - 2 * (1 - outside) ** n),
        ("Any distribution.", "Samples are independent, of one population, and none is left out later."),
        "ranks of a random sample; standard",
        scatter="",
        start=1,
    )


def _tolerance(o: Mapping[str, Any], sides: int) -> Plan:
    return Plan(
        "reference samples",
        f"the extreme values enclose {o['share']:.0%} of the population"
        if sides == 2
        else f"{o['share']:.0%} of the population lies below the highest value",
        lambda n, _f: tolerance_confidence(n, share=o["share"], sides=sides),
        ("Any distribution.", "Samples are independent and of one population."),
        "Wilks SS. Ann Math Stat 12:91-96 (1941), from memory",
        scatter="",
        start=sides,
    )


def _control(o: Mapping[str, Any]) -> Plan:
    return Plan(
        f"runs with {o['replicates']} control results",
        f"a shift of {o['difference']:g} has passed the limits of ±{o['limit']:g} standard deviations",
        lambda n, f: detection_within(n, shift=o["difference"] / f, limit=o["limit"] / f, per_run=o["replicates"]),
        (NORMAL, "One rule without memory; for rule sets see the control protocol.", "The shift comes and stays."),
        "normal distribution; standard",
        start=1,
        scatter="the standard deviation of the control results",
    )


def _area(o: Mapping[str, Any]) -> Plan:
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
        (f"The true area is {o['area']:g}.", "Scores are exponential for the variance; normal scores differ little."),
        "Hanley JA, McNeil BJ. Radiology 143:29-36 (1982), from memory",
        start=5,
        scatter="the standard error of the area",
    )


def _prediction(o: Mapping[str, Any]) -> Plan:
    def power(n: int, f: float) -> float:
        passed = prediction_passes(
            n,
            sd=f * o["sd"],
            range_sd=o["range_sd"],
            allowed=o["allowed"],
            confidence=1 - o["alpha"],
            repeats=o["repeats"],
            seed=o["seed"],
        )
        return passed / int(o["repeats"])

    return Plan(
        "curves",
        f"the upper {1 - o['alpha']:.0%} limit of the out-of-sample prediction error of ln(plateau) is at most "
        f"{o['allowed']:g}",
        power,
        (
            "Logarithms are normally distributed.",
            f"ln(plateau) scatters by {o['sd']:g} (SD) about its line on ln(early modulus).",
            f"ln(early modulus) spreads by {o['range_sd']:g} (SD) among samples; no plateau is censored.",
        ),
        "simulation",
        start=4,
        repeats=o["repeats"],
        costly=True,
        most=5000,
    )


def _readings(o: Mapping[str, Any]) -> Plan:
    return Plan(
        "repeated readings",
        f"the expanded uncertainty of their mean is at most {o['allowed']:g}",
        lambda n, f: readings_power(n, sd=f * o["sd"], allowed=o["allowed"], level=1 - o["alpha"]),
        (
            NORMAL,
            f"A reading scatters by {o['sd']:g} (SD).",
            "Systematic parts are not in it: they do not average out.",
        ),
        "chi-square distribution of a sample variance; standard",
    )


def _wells(o: Mapping[str, Any]) -> Plan:
    def power(n: int, f: float) -> float:
        passed = wells_passes(
            n,
            wells=o["wells"],
            sd=f * o["sd"],
            margin=o["allowed"],
            difference=o["difference"],
            alpha=o["alpha"],
            repeats=o["repeats"],
            seed=o["seed"],
        )
        return passed / int(o["repeats"])

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
        repeats=o["repeats"],
        costly=True,
        most=5000,
    )


def _rounds(o: Mapping[str, Any]) -> Plan:
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
        "normal distribution; standard",
        start=1,
    )


EQUIVALENCE = Kind(("sd", "allowed"), {"difference": 0.0, "alpha": 0.05}, _paired)
RATIO = Kind(("sd", "allowed"), {"ratio": 1.0, "alpha": 0.05}, _ratio)
EFFECT = Kind(("sd", "difference"), {"alpha": 0.05}, _effect)


def _shares(what: str) -> Kind:
    return Kind(("true_share", "claimed_share"), {"alpha": 0.05}, lambda o: _share(o, what))


SIMULATED = {"repeats": 2000, "seed": 0}
SLOPE = {"slope": 1.0, "alpha": 0.05}

KINDS: Mapping[str, Mapping[str, Kind]] = {
    "precision": {
        "replicates": Kind(("sd", "allowed"), {"alpha": 0.05}, lambda o: _replicates(o, 1, "results")),
        "duplicates": Kind(("sd", "allowed"), {"alpha": 0.05}, lambda o: _replicates(o, 0, "samples in duplicate")),
        "claim": Kind(("sd", "allowed"), {"replicates": 5, "alpha": 0.05}, _excess),
        "runs": Kind(("sd", "between_sd", "allowed"), {"replicates": 2, "alpha": 0.05, **SIMULATED}, _runs),
    },
    "linearity": {"levels": Kind(("sd", "allowed"), {"levels": 5, "difference": 0.0, "alpha": 0.05}, _linearity)},
    "detection": {"share": _shares("results of samples at the claimed limit")},
    "agreement": {
        "limits": Kind(("sd", "allowed"), {"difference": 0.0, "alpha": 0.05}, _limits),
        "deming": Kind(("sd", "range_sd", "allowed"), {"other_sd": None, **SLOPE}, _deming),
        "passing-bablok": Kind(("sd", "range_sd", "allowed"), {**SLOPE, **SIMULATED}, _passing_bablok),
    },
    "reference-limits": {
        "ranks": Kind((), {"share": 0.95}, _ranks),
        "one-sided": Kind((), {"share": 0.95}, lambda o: _tolerance(o, 1)),
        "two-sided": Kind((), {"share": 0.95}, lambda o: _tolerance(o, 2)),
        "groups": Kind(("sd", "difference"), {"alpha": 0.05}, _groups),
    },
    "control": {
        "shift": Kind(("difference",), {"limit": 3.0, "replicates": 1}, _control),
        "rules": Kind(("difference", "rules"), {"replicates": 1}, _rules),
    },
    "lots": {"difference": EQUIVALENCE, "ratio": RATIO},
    "discrimination": {
        "area": Kind(("area", "claimed_area"), {"healthy_per_diseased": 1.0, "alpha": 0.05}, _area),
        "share": _shares("diseased (for sensitivity) or healthy (for specificity)"),
    },
    "hold": {
        "prediction": Kind(("sd", "range_sd", "allowed"), {"alpha": 0.05, **SIMULATED}, _prediction),
        "share": _shares("curves whose decision is compared with that of the plateau"),
    },
    "interference": {"difference": EQUIVALENCE, "ratio": RATIO, "effect": EFFECT},
    "budget": {"readings": Kind(("sd", "allowed"), {"alpha": 0.05}, _readings)},
    "wells": {
        "all": Kind(("sd", "allowed"), {"wells": 6, "difference": 0.0, "alpha": 0.05, **SIMULATED}, _wells),
        "difference": EQUIVALENCE,
    },
    "reagents": {"ratio": RATIO, "difference": EQUIVALENCE, "share": _shares("samples")},
    "probe": {"ratio": RATIO, "difference": EQUIVALENCE, "effect": EFFECT},
    "external": {"rounds": Kind(("sd", "difference"), {"limit": 3.0}, _rounds)},
}
"""Kinds of study by protocol; the first of each is the one meant when none is named."""
PLANNED = tuple(KINDS)
WHAT: tuple[str, ...] = tuple(
    sorted({key for kinds in KINDS.values() for kind in kinds.values() for key in (*kind.needs, *kind.may)})
)
"""Keys of all options some kind of study takes."""


def make_plan(protocol: str, kind: str | None, given: Mapping[str, Any]) -> tuple[str, Plan, dict[str, Any]]:
    """The plan of a study.

    Parameters
    ----------
    protocol : str
        One of `PLANNED`.
    kind : str or None
        Of its kinds of study; None for the first.
    given : mapping of str to object
        Options by key; None is not given.

    Returns
    -------
    kind : str
    plan : Plan
    options : dict
        Those in force.

    Raises
    ------
    UsageError
        For an unknown kind, or an option that is missing or does not belong to it.
    InputError
        If a value cannot be.
    """
    if protocol not in KINDS:
        raise UsageError("option --for", got=protocol, allowed=", ".join(PLANNED))
    kinds = KINDS[protocol]
    name = kind if kind is not None else next(iter(kinds))
    if name not in kinds:
        raise UsageError("option --study", got=name, allowed=", ".join(kinds))
    chosen = kinds[name]
    named = {key: value for key, value in given.items() if value is not None}
    allowed = {*chosen.needs, *chosen.may}
    for key in sorted(set(named) - allowed):
        raise UsageError(
            f"option --{key.replace('_', '-')}",
            got=f"given for the study {name} of {protocol}",
            allowed=", ".join("--" + k.replace("_", "-") for k in sorted(allowed)) or "no further option",
        )
    for key in chosen.needs:
        if key not in named:
            raise UsageError(f"option --{key.replace('_', '-')}", got="nothing", allowed="a number", do="Give it.")
    options = {**chosen.may, **named}
    for key in ("sd", "between_sd", "other_sd", "range_sd", "allowed", "limit"):
        if options.get(key) is not None and not options[key] > 0:
            raise InputError(f"option --{key.replace('_', '-')}", got=options[key], allowed="above 0")
    for key, least in (
        ("replicates", 2 if name in ("runs", "claim") else 1),
        ("levels", 3),
        ("wells", 2),
        ("repeats", 100),
    ):
        if key in options and options[key] < least:
            raise InputError(f"option --{key}", got=options[key], allowed=f"{least} or more")
    for key in ("true_share", "claimed_share", "share"):
        if options.get(key) is not None and not 0 < options[key] < 1:
            raise InputError(f"option --{key.replace('_', '-')}", got=options[key], allowed="above 0 and below 1")
    if "alpha" in options and not 0 < options["alpha"] < 0.5:
        raise InputError("option --alpha", got=options["alpha"], allowed="above 0 and below 0.5")
    return name, chosen.make(options), options
