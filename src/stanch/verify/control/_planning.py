"""The account of choosing rules for a stated quality requirement."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from stanch.errors import InputError, UsageError
from stanch.verify.control._common import DEFINITIONS, rule_grid
from stanch.verify.control.chain import rates
from stanch.verify.control.choice import CANDIDATES, Candidate, Requirement, candidates, choose, requirement
from stanch.verify.control.rules import parse
from stanch.verify.records import (
    Account,
    Bounded,
    Column,
    DataUsed,
    Definition,
    Grid,
    Level,
    Line,
    Picture,
    Points,
    Verdict,
)

WORDS = (
    Definition(
        "critical shift",
        "Systematic error, on top of the bias there is, at which the stated share of results exceeds the allowed "
        "error: (allowed error − |bias|)/SD less the normal quantile of that share.",
        "common practice, no source; formula from memory",
    ),
    Definition(
        "sigma metric",
        "(allowed error − |bias|)/SD: how many standard deviations fit between the bias and the allowed error.",
        "common practice, no source; formula from memory",
    ),
    Definition(
        "error detection",
        "Probability that the first run with the error is rejected, after a long time in control without rejection.",
        "Champ CW, Woodall WH. Technometrics 29:393-399 (1987), from memory, for the chain",
    ),
)


def planned(question: str, settings: dict[str, Any]) -> Account:
    """Candidate rule sets, their exact rates, and the choice."""
    s = settings
    for name in ("allowed_error", "cv"):
        if s[name] is None:
            raise UsageError(f"option --{name.replace('_', '-')}", got="nothing", allowed="a number", do="Give it.")
    need = requirement(s["allowed_error"], s["bias"], s["cv"], exceed=s["exceed"])
    sets = dict(CANDIDATES)
    if s["rules"] and tuple(s["rules"]) != s["standard_rules"]:
        sets["rules given"] = tuple(parse(text) for text in s["rules"])
    per_run = tuple(int(n) for n in s["per_run"])
    if any(n != float(m) for n, m in zip(per_run, s["per_run"], strict=True)):
        raise InputError("results per run", got=s["per_run"], allowed="whole numbers")
    found = candidates(
        need, sets=sets, per_run=per_run, detection=s["least_detection"], false_rejection=s["allowed_false_rejection"]
    )
    chosen = choose(found)
    verdict = Verdict(
        "There are rules that meet the quality requirement",
        Bounded(chosen.detection, unit="1", why=f"{chosen.name}, {chosen.per_run} results per run.")
        if chosen
        else Bounded.missing(
            "No candidate meets both demands; a control with more results per run, or a better assay."
        ),
        f"detection at least {s['least_detection']:g}, false rejection at most {s['allowed_false_rejection']:g}",
        "met" if chosen else "not met",
        "Among the candidates that meet both demands: fewest results per run, then lowest false rejection, then fewest "
        "rules.",
    )
    shown = {k: v for k, v in s.items() if k != "standard_rules"}
    return Account(
        protocol="control",
        title="Choice of control rules",
        question=question,
        design=(
            f"Allowed error {s['allowed_error']:g}, bias {s['bias']:g}, coefficient of variation {s['cv']:g} (all in "
            f"the same unit or in %): sigma metric {need.sigma_metric:.3g}.",
            f"{len(found)} candidates: {len(sets)} sets of rules with {', '.join(map(str, per_run))} results per run; "
            "exact rates for independent normal results with known mean and standard deviation.",
        ),
        data=DataUsed("options", "", 0, 0),
        verdicts=(verdict,),
        grids=(_need_grid(need), _candidate_grid(found, chosen), *((rule_grid(chosen.rules),) if chosen else ())),
        pictures=_pictures(found, chosen, need, s),
        definitions=(*WORDS, *(DEFINITIONS[k] for k in ("rule", "false rejection"))),
        settings=shown,
        numbers={
            **vars(need),
            "chosen": None if chosen is None else _plain(chosen),
            "candidates": [_plain(c) for c in found],
        },
        warnings=("The assay exceeds its allowed error without any further error: no control rule can help.",)
        if need.critical_shift <= 0
        else (),
    )


def _plain(c: Candidate) -> dict[str, Any]:
    return {
        "set": c.name,
        "rules": [r.name for r in c.rules],
        "per_run": c.per_run,
        "false_rejection": c.false_rejection,
        "detection": c.detection,
        "spread_detection": c.spread_detection if np.isfinite(c.spread_detection) else None,
        "mean_run_length": c.mean_run_length,
        "acceptable": c.acceptable,
    }


def _need_grid(need: Requirement) -> Grid:
    rows = (
        ("sigma metric", need.sigma_metric),
        ("critical shift", need.critical_shift),
        ("critical factor of the standard deviation", need.critical_spread),
    )
    return Grid("Quality requirement", (Column("quantity"), Column("value", "SD")), rows, "The factor has no unit.")


def _candidate_grid(found: tuple[Candidate, ...], chosen: Candidate | None) -> Grid:
    columns = (
        Column("results per run"),
        Column("set of rules"),
        Column("false rejection"),
        Column("detection of the shift"),
        Column("detection of the spread"),
        Column("runs to a false rejection"),
        Column("meets the demands"),
    )
    rows = tuple(
        (
            c.per_run,
            c.name,
            c.false_rejection,
            c.detection,
            c.spread_detection if np.isfinite(c.spread_detection) else None,
            c.mean_run_length,
            "chosen" if c is chosen else "yes" if c.acceptable else "no",
        )
        for c in sorted(found, key=lambda c: (c is not chosen, not c.acceptable))
    )
    return Grid(
        "Candidates",
        columns,
        rows,
        "Per run, at the critical shift and at the critical spread. Opposite sides need two results per run.",
    )


def _at(c: Candidate, kind: Literal["shift", "spread"], x: float) -> float:
    found = rates(
        c.rules, per_run=c.per_run, shift=x if kind == "shift" else 0.0, spread=x if kind == "spread" else 1.0
    )
    return found.rejection


def _pictures(
    found: tuple[Candidate, ...], chosen: Candidate | None, need: Requirement, s: dict[str, Any]
) -> tuple[Picture, ...]:
    best = chosen or max(found, key=lambda c: (c.false_rejection <= s["allowed_false_rejection"], c.detection))
    counts = tuple(dict.fromkeys(c.per_run for c in found))
    same = {c.per_run: c for c in found if c.name == best.name}
    shifts, spreads = np.linspace(0, 4, 33), np.linspace(1, 4, 25)

    def power(kind: Literal["shift", "spread"], xs: Any, title: str, label: str, at: float) -> Picture:
        layers: list[Any] = []
        for i, n in enumerate(n for n in counts if n in same):
            y = [_at(same[n], kind, float(x)) for x in xs]
            layers.append(Line(tuple(xs.tolist()), tuple(y), f"{n} per run", series=i))
        if xs[0] < at < xs[-1]:
            layers.append(Level(at, "critical", axis="x", kind="warning"))
        layers += [Level(s["least_detection"], "detection demanded")]
        return Picture(
            title,
            label,
            "probability of rejection [-]",
            tuple(layers),
            f"{best.name}: probability that the first run with the error is rejected, for each number of results.",
            f"{best.name} with {best.per_run} per run finds the critical shift with probability {best.detection:.3f}.",
        )

    false = tuple(c.false_rejection for c in found)
    seen = tuple(c.detection for c in found)
    return (
        power("shift", shifts, "Power against a shift", "shift [SD]", need.critical_shift),
        power(
            "spread",
            spreads,
            "Power against more scatter",
            "factor of the standard deviation [-]",
            need.critical_spread,
        ),
        Picture(
            "Candidates",
            "false rejection per run [-]",
            "detection of the critical shift [-]",
            (
                Points(false, seen, "candidates"),
                *((Points((chosen.false_rejection,), (chosen.detection,), "chosen", series=1),) if chosen else ()),
                Level(s["least_detection"], "detection demanded"),
                Level(s["allowed_false_rejection"], "false rejection allowed", axis="x"),
            ),
            "Upper left is wanted: high detection with few false rejections.",
            f"{sum(c.acceptable for c in found)} of {len(found)} candidates meet both demands.",
        ),
    )
