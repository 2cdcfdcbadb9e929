"""The reagents protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.errors import InputError
from stanch.verify.protocol import Option, Protocol
from stanch.verify.reagents.additive import null_effect, residual_loss
from stanch.verify.reagents.block import BlockFraction, block_fraction
from stanch.verify.reagents.capacity import CapacityDose, neutraliser_capacity
from stanch.verify.reagents.contact import contact_activation
from stanch.verify.reagents.pictures import (
    block_picture,
    capacity_picture,
    contact_picture,
    effect_picture,
    residual_picture,
)
from stanch.verify.records import Account, Bounded, Cell, Column, Definition, Grid, Outcome, Verdict
from stanch.verify.scales import grouped
from stanch.verify.table import Table, Taken, take

__all__ = ["PROTOCOL"]

QUESTION = "Does each additive of the wells do what the contrasts take for granted?"

EQUIVALENCE = Definition(
    "equivalence",
    "Both one-sided t tests at alpha reject; the same as the 1 − 2 alpha interval inside the limits.",
    "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory",
)


def _run(table: Table, **s: Any) -> Account:
    designs = {
        "neutraliser": _neutraliser,
        "block": _block,
        "antifibrinolytic": _antifibrinolytic,
        "null-effect": _null,
        "contact": _contact,
    }
    return designs[s["design"]](table, s)


def _account(s: dict[str, Any], title: str, taken: Taken, **rest: Any) -> Account:
    return Account(protocol="reagents", title=title, question=QUESTION, data=taken.data, settings=dict(s), **rest)


def _neutraliser(table: Table, s: dict[str, Any]) -> Account:
    treatment = "A dose with any result known only as a bound is not shown to be taken away."
    taken = take(table, numbers=(s["dose"], s["result"]), labels=(s["sample"],), censored="keep", treatment=treatment)
    dose = taken.numbers[s["dose"]]
    if (taken.below[s["dose"]] | taken.above[s["dose"]]).any():
        raise InputError(f"column {s['dose']}", got="a dose known only as a bound", allowed="numbers")
    found = neutraliser_capacity(
        dose,
        taken.numbers[s["result"]],
        taken.labels[s["sample"]],
        margin=s["margin"],
        reference=s["reference"],
        below=taken.below[s["result"]],
        above=taken.above[s["result"]],
        alpha=s["alpha"],
    )
    unit = s["dose_unit"]
    wanted = s["wanted"]
    outcome: Outcome = "no limit stated"
    if wanted is not None and s["margin"] is not None:
        outcome = "met" if found.capacity is not None and found.capacity >= wanted else _short(found.doses, wanted)
    if found.capacity is None:
        why = "Not shown even at the lowest dose." if s["margin"] is not None else "No margin was stated."
        value = Bounded.missing(why, unit)
    else:
        value = Bounded(found.capacity, found.capacity, None, unit, 1 - s["alpha"], "One-sided: at least this much.")
    rows: list[tuple[Cell, ...]] = [
        (
            one.dose,
            one.donors,
            one.bounded,
            None if one.ratio is None else one.ratio.difference,
            None if one.ratio is None else one.ratio.p,
            "yes" if one.equivalent else "no",
        )
        for one in found.doses
    ]
    columns = ("dose", "pairs", "bounds among them", "ratio", "p", "taken away")
    allowed = "" if wanted is None else f"at least {wanted:g} {unit}".strip()
    return _account(
        s,
        "Capacity of the neutraliser",
        taken,
        design=(
            f"Spiked series of {np.unique(taken.labels[s['sample']]).size} donors at {len(found.doses)} doses, all "
            "read in the well with neutraliser, against the same donors unspiked.",
            f"Paired ratios, two one-sided tests at alpha = {s['alpha']:g} each, from the lowest dose up until one "
            "fails (fixed sequence): the chance of claiming a dose wrongly stays at most alpha.",
        ),
        verdicts=(
            Verdict(
                "The neutraliser takes away every dose up to",
                value,
                allowed,
                outcome,
                "The highest dose such that it and all lower ones have a ratio equivalent to 1 within the margin.",
            ),
        ),
        grids=(Grid("Ratio to the unspiked sample", tuple(Column(c) for c in columns), tuple(rows)),),
        pictures=(capacity_picture(found, unit),),
        definitions=(
            EQUIVALENCE,
            Definition(
                "capacity",
                "Highest dose that is taken away together with all lower ones; doses between were not tested.",
                "Fixed-sequence testing: Maurer W, Hothorn LA, Lehmacher W (1995), from memory",
            ),
        ),
        numbers={
            "capacity": value,
            "stopped_at": found.stopped_at,
            "doses": [one.dose for one in found.doses],
            "ratios": [None if one.ratio is None else one.ratio.difference for one in found.doses],
            "equivalent": [one.equivalent for one in found.doses],
        },
        warnings=() if s["margin"] is not None else ("No margin was stated, so no capacity is claimed.",),
    )


def _short(doses: tuple[CapacityDose, ...], wanted: float) -> Outcome:
    """Not met where a dose up to the wanted one is plainly not taken away, else undecided."""
    plain = [d for d in doses if d.dose <= wanted and d.ratio is not None and d.ratio.outcome == "not met"]
    return "not met" if plain else "undecided"


def _block(table: Table, s: dict[str, Any]) -> Account:
    names = (s["lot"],) if s["lot"] else ()
    columns = (s["base"], s["blocked"], s["reference_well"])
    taken = take(table, numbers=columns, labels=names, treatment="Differences need numbers: bounds are refused.")
    g, k, f = (taken.numbers[c] for c in columns)
    lots, place = grouped(taken.labels[s["lot"]]) if s["lot"] else (np.array(["all"]), np.zeros(g.size, dtype=np.intp))
    if lots.size > 200:
        raise InputError(f"column {s['lot']}", got=f"{lots.size} lots", allowed="at most 200")
    found = [
        (str(name), block_fraction(g[place == i], k[place == i], f[place == i], weakest=s["weakest"]))
        for i, name in enumerate(lots)
    ]
    verdicts = []
    for name, one in found:
        of = f" of lot {name}" if s["lot"] else ""
        verdicts.append(
            Verdict(
                f"Block fraction{of}",
                one.total,
                "" if s["least"] is None else f"at least {s['least']:g}",
                _at_least(one.total, s["least"]),
                "Met when the whole interval lies above the limit.",
            )
        )
        verdicts.append(
            Verdict(
                f"Spread of the block fraction between donors{of}",
                one.sd,
                "" if s["largest_sd"] is None else f"at most {s['largest_sd']:g}",
                _at_most(one.sd, s["largest_sd"]),
                "Met when the whole interval of the standard deviation lies below the limit.",
            )
        )
    rows: list[tuple[Cell, ...]] = [(n, one.n, one.total, one.mean, one.sd, one.left_out) for n, one in found]
    heads = ("lot", "donors", "fraction, ratio of totals", "fraction, mean of donors", "SD between donors", "left out")
    warnings = ["The block fraction is only as good as the reference that is taken to hold no platelet part."]
    if any(one.left_out for _, one in found):
        warnings.append("Donors without a platelet part cannot tell the fraction and were left out, as counted.")
    if any(one.total.value is not None and one.total.value > 1 for _, one in found):
        warnings.append("A fraction above 1 means that the reference still holds a platelet part, or wells differ.")
    return _account(
        s,
        "Block fraction of the platelet blocker",
        taken,
        design=(
            f"{g.size} donors, {lots.size} lot(s): base well, blocked well and an independent reference without "
            "platelet part.",
            "b = (base − blocked)/(base − reference).",
        ),
        verdicts=tuple(verdicts),
        grids=(Grid("Block fraction", tuple(Column(c) for c in heads), tuple(rows)),),
        pictures=(block_picture(found, s["unit"]),),
        definitions=(
            Definition(
                "block fraction",
                "Share b of the platelet part that the blocker takes away; then fibrin = (blocked − (1 − b) base)/b "
                "and platelet = (base − blocked)/b. The SD between donors, not the standard error, is what one new "
                "sample needs.",
                "This project's definition",
            ),
        ),
        numbers={
            "lots": [n for n, _ in found],
            "fraction": [one.total for _, one in found],
            "fraction_mean": [one.mean for _, one in found],
            "sd": [one.sd for _, one in found],
            "sd_between_lots": _spread([one for _, one in found]),
        },
        warnings=tuple(warnings),
    )


def _spread(found: list[BlockFraction]) -> float | None:
    means = [one.mean.value for one in found if one.mean.value is not None]
    return float(np.std(means, ddof=1)) if len(means) > 1 else None


def _at_least(value: Bounded, limit: float | None) -> Outcome:
    if limit is None:
        return "no limit stated"
    if value.low is None or value.high is None:
        return "undecided"
    return "met" if value.low >= limit else "not met" if value.high < limit else "undecided"


def _at_most(value: Bounded, limit: float | None) -> Outcome:
    if limit is None:
        return "no limit stated"
    if value.low is None or value.high is None:
        return "undecided"
    return "met" if value.high <= limit else "not met" if value.low > limit else "undecided"


def _antifibrinolytic(table: Table, s: dict[str, Any]) -> Account:
    columns = [c for c in (s["protected"], s["control"], s["unprotected"]) if c]
    taken = take(table, numbers=columns, treatment="Mean loss rates need numbers: bounds are refused.")

    def column(key: str) -> Any:
        return taken.numbers[s[key]] if s[key] else None

    found = residual_loss(
        column("protected"),
        control=column("control"),
        unprotected=column("unprotected"),
        allowed=s["allowed"],
        alpha=s["alpha"],
        unit=s["unit"] or "%/min",
    )
    warnings = []
    if found.challenged is None:
        warnings.append(
            "The well without antifibrinolytic was not measured: that there was lysis to stop is not shown."
        )
    elif not found.challenged:
        warnings.append("The samples were not shown to lyse, so completeness was not put to the test.")
    if s["control"] is None:
        warnings.append("Without a control, decline that is not lysis (retraction) counts as residual lysis.")
    rows: tuple[tuple[Cell, ...], ...] = (
        ("residual loss rate", found.residual),
        ("loss rate stopped, without minus with", found.challenge),
        ("share of the added loss stopped", found.stopped),
    )
    return _account(
        s,
        "Completeness of the antifibrinolytic",
        taken,
        design=(
            f"{found.n} samples with added lysis, read in the well with antifibrinolytic"
            + (", each against itself without added lysis." if s["control"] else "."),
            "One-sided t test of the mean residual loss rate against the allowed one.",
        ),
        verdicts=(
            Verdict(
                "The antifibrinolytic stops added lysis",
                found.residual,
                "" if s["allowed"] is None else f"at most {s['allowed']:g} {found.residual.unit}",
                found.outcome,
                f"Met when the {found.residual.level:.0%} interval of the mean lies below the limit and lysis was not "
                "shown to be absent.",
            ),
        ),
        grids=(Grid("Loss rates", (Column("quantity"), Column("value")), rows),),
        pictures=(
            residual_picture(column("protected"), column("control"), column("unprotected"), found, s["allowed"]),
        ),
        definitions=(
            Definition(
                "residual loss rate",
                "Mean loss rate with antifibrinolytic and added lysis, minus that of the same samples without added "
                "lysis.",
                "This project's definition",
            ),
        ),
        numbers={
            "residual": found.residual,
            "challenge": found.challenge,
            "stopped": found.stopped,
            "challenged": found.challenged,
            "n": found.n,
        },
        warnings=tuple(warnings),
    )


def _null(table: Table, s: dict[str, Any]) -> Account:
    names = (s["additive"],) if s["additive"] else ()
    columns = (s["without"], s["with_additive"])
    taken = take(
        table, numbers=columns, labels=names, treatment="Mean ratios need numbers: bounds are refused, not guessed."
    )
    x, y = (taken.numbers[c] for c in columns)
    whole = np.zeros(x.size, dtype=np.intp)
    parts, place = grouped(taken.labels[s["additive"]]) if s["additive"] else (np.array(["the additive"]), whole)
    if parts.size > 200:
        raise InputError(f"column {s['additive']}", got=f"{parts.size} additives", allowed="at most 200")
    difference = s["scale"] == "difference"
    found = [
        null_effect(
            x[place == i],
            y[place == i],
            allowed=s["allowed"],
            difference=difference,
            alpha=s["alpha"],
            unit=s["unit"],
        )
        for i in range(parts.size)
    ]
    what = "difference with minus without" if difference else "ratio with over without"
    limit = ""
    if s["allowed"] is not None:
        a = s["allowed"]
        limit = f"within ±{a:g} {s['unit']}".strip() if difference else f"within 1/{a:g} to {a:g}"
    verdicts = tuple(
        Verdict(
            f"No effect of {name} where it is not needed",
            one.ratio,
            limit,
            one.equivalence.outcome,
            f"Met when the whole {one.ratio.level:.0%} interval lies inside the limits.",
        )
        for name, one in zip(parts, found)
    )
    rows: list[tuple[Cell, ...]] = [
        (str(name), one.equivalence.n, one.ratio, one.equivalence.p) for name, one in zip(parts, found)
    ]
    return _account(
        s,
        "Effect of additives in samples that do not need them",
        taken,
        design=(
            f"{x.size} samples read with and without, {parts.size} additive(s), each judged on its own.",
            "Paired equivalence by two one-sided t tests.",
        ),
        verdicts=verdicts,
        grids=(
            Grid(what.capitalize(), (Column("additive"), Column("samples"), Column(what), Column("p")), tuple(rows)),
        ),
        pictures=(effect_picture([str(n) for n in parts], [one.ratio for one in found], s["allowed"], difference),),
        definitions=(EQUIVALENCE,),
        numbers={
            "additives": [str(n) for n in parts],
            "effect": [one.ratio for one in found],
            "p_equivalence": [one.equivalence.p for one in found],
        },
        warnings=() if s["allowed"] is not None else ("No allowed effect was stated, so nothing is claimed.",),
    )


def _contact(table: Table, s: dict[str, Any]) -> Account:
    treatment = "Wells that never set (>x) stay in: as not yet set until x in the curves, as at least x in the leads."
    columns = (s["with_factor"], s["blank"])
    taken = take(table, numbers=columns, censored="keep", treatment=treatment)
    for name in columns:
        if taken.below[name].any():
            raise InputError(f"column {name}", got="an onset <x", allowed="numbers or >x", do="Leave the row out.")
    found = contact_activation(
        taken.numbers[columns[0]],
        taken.numbers[columns[1]],
        with_open=taken.above[columns[0]],
        blank_open=taken.above[columns[1]],
        least=s["least"],
        alpha=s["alpha"],
        unit=s["unit"],
    )
    rows: tuple[tuple[Cell, ...], ...] = (
        ("median lead of tissue factor over the blank", found.lead),
        ("median onset with tissue factor", found.median_with),
        ("median onset of the blank", found.median_blank),
        ("wells with tissue factor that never set", found.open_with),
        ("blanks that never set", found.open_blank),
        ("log-rank p, wells taken as independent", found.p),
    )
    return _account(
        s,
        "Contact activation of tissue-factor wells",
        taken,
        design=(
            f"{found.n} samples, each with and without tissue factor.",
            "Median lead with the lower limit of the sign test; Kaplan-Meier curves; log-rank test beside.",
        ),
        verdicts=(
            Verdict(
                "Tissue factor sets the clot before contact does",
                found.lead,
                "" if s["least"] is None else f"median lead at least {s['least']:g} {s['unit']}".strip(),
                found.outcome,
                "Met when the one-sided lower limit of the median lead reaches the limit.",
            ),
        ),
        grids=(Grid("Onsets", (Column("quantity"), Column("value", s["unit"])), rows),),
        pictures=(contact_picture(found, s["unit"]),),
        definitions=(
            Definition("lead", "Onset of the blank minus onset with tissue factor in the same sample.", "This project"),
            Definition(
                "Kaplan-Meier curve",
                "Share of wells not yet set, with wells that never set counted until their run ended.",
                "Kaplan EL, Meier P. J Am Stat Assoc 53:457-481 (1958), from memory",
            ),
            Definition(
                "log-rank test",
                "Compares two such curves; it ignores that wells are paired and is shown beside, not used for the "
                "verdict.",
                "Mantel N. Cancer Chemother Rep 50:163-170 (1966), from memory",
            ),
        ),
        numbers={
            "lead": found.lead,
            "median_with": found.median_with,
            "median_blank": found.median_blank,
            "log_rank": found.log_rank,
            "p_log_rank": found.p,
            "never_set_with": found.open_with,
            "never_set_blank": found.open_blank,
            "n": found.n,
        },
        warnings=("The blank's wall is what is compared: another cup or another recalcification is another study.",),
    )


_N, _B, _A, _E, _C = (("neutraliser",), ("block",), ("antifibrinolytic",), ("null-effect",), ("contact",))

PROTOCOL = Protocol(
    "reagents",
    QUESTION,
    "Spiked series, paired wells, loss rates or onsets, by design.",
    (
        Option(
            "design",
            "choice",
            "Which additive is put to the test.",
            choices=("neutraliser", "block", "antifibrinolytic", "null-effect", "contact"),
            required=True,
        ),
        Option("dose", "column", "Dose of the spike.", required=True, designs=_N),
        Option("result", "column", "Onset in the well with neutraliser.", required=True, designs=_N),
        Option("sample", "column", "Donors.", required=True, designs=_N),
        Option("reference", "number", "Dose of the unspiked samples.", default=0.0, designs=_N),
        Option("margin", "number", "Largest ratio that counts as 1, above 1.", designs=_N),
        Option("wanted", "number", "Dose the neutraliser must take away.", designs=_N),
        Option("dose-unit", "text", "Unit of the dose.", default="", designs=_N),
        Option("base", "column", "Modulus of the base well.", required=True, designs=_B),
        Option("blocked", "column", "Modulus with the blocker.", required=True, designs=_B),
        Option(
            "reference-well",
            "column",
            "Modulus without platelet part, by an independent way.",
            required=True,
            designs=_B,
        ),
        Option("lot", "column", "Lots of the blocker, each on its own.", designs=_B),
        Option("weakest", "number", "Platelet part a donor must exceed to be used.", default=0.0, designs=_B),
        Option("largest-sd", "number", "Largest SD of the block fraction between donors.", designs=_B),
        Option("protected", "column", "Loss rate with antifibrinolytic, lysis added.", required=True, designs=_A),
        Option("control", "column", "Loss rate with antifibrinolytic, none added.", designs=_A),
        Option("unprotected", "column", "Loss rate without antifibrinolytic, lysis added.", designs=_A),
        Option("without", "column", "Reading without the additive.", required=True, designs=_E),
        Option("with-additive", "column", "Reading with the additive.", required=True, designs=_E),
        Option("additive", "column", "Names of the additives, each on its own.", designs=_E),
        Option(
            "scale",
            "choice",
            "Ratios or differences.",
            default="ratio",
            choices=("ratio", "difference"),
            designs=_E,
        ),
        Option("with-factor", "column", "Onset with tissue factor; >x never set.", required=True, designs=_C),
        Option("blank", "column", "Onset without tissue factor; >x never set.", required=True, designs=_C),
        Option("least", "number", "Smallest block fraction, or smallest median lead.", designs=(*_B, *_C)),
        Option(
            "allowed",
            "number",
            "Largest residual loss rate, or largest effect: a ratio above 1 or a difference.",
            designs=(*_A, *_E),
        ),
        Option("alpha", "number", "Error of each one-sided test.", default=0.05, designs=(*_N, *_A, *_E, *_C)),
        Option("unit", "text", "Unit of the readings.", default="", designs=(*_B, *_A, *_E, *_C)),
    ),
    _run,
)
