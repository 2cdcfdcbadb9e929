"""Which study each protocol needs, as data: what is counted, its power, what it assumes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from stanch.errors import InputError, UsageError
from stanch.verify.design._plans_control import control, rounds, rules
from stanch.verify.design._plans_means import effect, groups, linearity, paired, ratio, readings, wells
from stanch.verify.design._plans_methods import deming, limits, passing_bablok, prediction
from stanch.verify.design._plans_shares import area, ranks, share, tolerance
from stanch.verify.design._plans_spreads import excess, replicates, runs
from stanch.verify.design.plan import Kind, Plan

__all__ = ["KINDS", "PLANNED", "Kind", "Plan", "make_plan"]

EQUIVALENCE = Kind(("sd", "allowed"), {"difference": 0.0, "alpha": 0.05}, paired)
RATIO = Kind(("sd", "allowed"), {"ratio": 1.0, "alpha": 0.05}, ratio)
EFFECT = Kind(("sd", "difference"), {"alpha": 0.05}, effect)


def _shares(what: str) -> Kind:
    return Kind(("true_share", "claimed_share"), {"alpha": 0.05}, lambda o: share(o, what))


SIMULATED = {"draws": 2000, "seed": 0}
SLOPE = {"slope": 1.0, "alpha": 0.05}

KINDS: Mapping[str, Mapping[str, Kind]] = {
    "precision": {
        "replicates": Kind(("sd", "allowed"), {"alpha": 0.05}, lambda o: replicates(o, 1, "results")),
        "duplicates": Kind(("sd", "allowed"), {"alpha": 0.05}, lambda o: replicates(o, 0, "samples in duplicate")),
        "claim": Kind(("sd", "allowed"), {"replicates": 5, "alpha": 0.05}, excess),
        "runs": Kind(("sd", "between_sd", "allowed"), {"replicates": 2, "alpha": 0.05, **SIMULATED}, runs),
    },
    "linearity": {
        "levels": Kind(("sd", "allowed"), {"levels": 5, "difference": 0.0, "alpha": 0.05, **SIMULATED}, linearity)
    },
    "detection": {"share": _shares("results of samples at the claimed limit")},
    "agreement": {
        "limits": Kind(("sd", "allowed"), {"difference": 0.0, "alpha": 0.05}, limits),
        "deming": Kind(("sd", "range_sd", "allowed"), {"other_sd": None, **SLOPE}, deming),
        "passing-bablok": Kind(("sd", "range_sd", "allowed"), {**SLOPE, **SIMULATED}, passing_bablok),
    },
    "reference-limits": {
        "ranks": Kind((), {"share": 0.95}, ranks),
        "one-sided": Kind((), {"share": 0.95}, lambda o: tolerance(o, 1)),
        "two-sided": Kind((), {"share": 0.95}, lambda o: tolerance(o, 2)),
        "groups": Kind(("sd", "difference"), {"alpha": 0.05}, groups),
    },
    "control": {
        "shift": Kind(("difference",), {"limit": 3.0, "replicates": 1}, control),
        "rules": Kind(("difference", "rules"), {"replicates": 1}, rules),
    },
    "lots": {"difference": EQUIVALENCE, "ratio": RATIO},
    "discrimination": {
        "area": Kind(("area", "claimed_area"), {"healthy_per_diseased": 1.0, "alpha": 0.05}, area),
        "share": _shares("diseased (for sensitivity) or healthy (for specificity)"),
    },
    "hold": {
        "prediction": Kind(("sd", "range_sd", "allowed"), {"alpha": 0.05, **SIMULATED}, prediction),
        "share": _shares("curves whose decision is compared with that of the plateau"),
    },
    "interference": {"difference": EQUIVALENCE, "ratio": RATIO, "effect": EFFECT},
    "budget": {"readings": Kind(("sd", "allowed"), {"alpha": 0.05}, readings)},
    "wells": {
        "all": Kind(("sd", "allowed"), {"wells": 6, "difference": 0.0, "alpha": 0.05, **SIMULATED}, wells),
        "difference": EQUIVALENCE,
    },
    "reagents": {"ratio": RATIO, "difference": EQUIVALENCE, "share": _shares("samples")},
    "probe": {"ratio": RATIO, "difference": EQUIVALENCE, "effect": EFFECT},
    "external": {"rounds": Kind(("sd", "difference"), {"limit": 3.0}, rounds)},
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
        ("draws", 100),
    ):
        if key in options and options[key] < least:
            raise InputError(f"option --{key}", got=options[key], allowed=f"{least} or more")
    for key in ("true_share", "claimed_share", "share"):
        if options.get(key) is not None and not 0 < options[key] < 1:
            raise InputError(f"option --{key.replace('_', '-')}", got=options[key], allowed="above 0 and below 1")
    if "alpha" in options and not 0 < options["alpha"] < 0.5:
        raise InputError("option --alpha", got=options["alpha"], allowed="above 0 and below 0.5")
    return name, chosen.make(options), options
