"""Limits from elsewhere, checked on own reference individuals: the account."""

from __future__ import annotations

from typing import Any

import numpy as np

from stanch.errors import InputError
from stanch.verify.records import Account, Bounded, Column, Grid, Outcome, Verdict
from stanch.verify.reference_limits.pictures import operating_picture, sets_picture
from stanch.verify.reference_limits.transfer import Transference, chance_of_acceptance, transference
from stanch.verify.reference_limits.words import NOT_DECISION_LIMITS, OWN, TRANSFER
from stanch.verify.scales import grouped
from stanch.verify.table import Table, take

QUESTION = "May reference limits from elsewhere be used for the people this laboratory serves?"
TREATMENT = (
    "A value known only as a bound counts where the bound alone says on which side of the limits it lies; where it "
    "does not, the decision stands only if it is the same either way."
)
CUSTOM = (2, 20)
OUTCOMES: dict[str, Outcome] = {
    "accepted": "met",
    "rejected": "not met",
    "second set": "undecided",
    "undecided": "undecided",
}


def transfer(
    table: Table,
    result: str,
    sets: str | None,
    limits: tuple[float | None, float | None],
    rule: tuple[int, int],
    coverage: float,
    unit: str,
    settings: dict[str, Any],
) -> Account:
    """The account of a transference check."""
    lower, upper = limits
    taken = take(table, numbers=(result,), labels=() if sets is None else (sets,), censored="keep", treatment=TREATMENT)
    x, under, over = taken.numbers[result], taken.below[result], taken.above[result]
    place = np.zeros(x.size, dtype=np.intp)
    if sets is not None:
        names, place = grouped(taken.labels[sets])
        if names.size > 2:
            raise InputError(f"column {sets}", got=f"{names.size} sets", allowed="a first and a second set")
    second = place == 1 if (place == 1).any() else None
    found = transference(
        x[place == 0],
        None if second is None else x[second],
        lower=lower,
        upper=upper,
        most=rule[0],
        again=rule[1],
        below=(under[place == 0], None if second is None else under[second]),
        above=(over[place == 0], None if second is None else over[second]),
    )
    shown = ", ".join(f"{name} {value:g} {unit}".strip() for name, value in _named(lower, upper))
    none = "Some values may lie on either side."
    allowed = f"at most {found.most} outside in a set; with up to {found.again} a second set may be tried"
    rule_words = f"The count decides, not the interval of the share. Decision: {found.decision}."
    result_ = OUTCOMES[found.decision]
    people = found.n[0] if found.outside[0] <= found.most else found.n[-1]
    if found.decision == "accepted" and people < CUSTOM[1] and found.most * CUSTOM[1] > CUSTOM[0] * people:
        # Two of two people inside is no evidence: the check could not have failed.
        result_ = "undecided"
        rule_words += (
            f" But at most {found.most} of {people} is a weaker rule than at most {CUSTOM[0]} of {CUSTOM[1]}: ask more "
            "people, or allow fewer outside."
        )
    verdict = Verdict(
        f"The limits may be taken over ({shown})",
        Bounded.missing(none, "1") if found.share is None else found.share,
        allowed,
        result_,
        rule_words,
    )
    return Account(
        protocol="reference-limits",
        title="Reference limits taken over from elsewhere",
        question=QUESTION,
        design=(
            " and ".join(f"{n} reference individuals" for n in found.n) + ", one result each.",
            f"Limits to be taken over: {shown}; a value equal to a limit lies inside.",
            f"Rule: {allowed}.",
        ),
        data=taken.data,
        verdicts=(verdict,),
        grids=(_counts(found), _operating(found, coverage)),
        pictures=(
            operating_picture(found, coverage),
            sets_picture(
                tuple(x[place == k] for k in range(len(found.n))), lower, upper, unit, int((under | over).sum())
            ),
        ),
        definitions=(*OWN[:1], *TRANSFER),
        settings=settings,
        numbers={
            "n": list(found.n),
            "outside": list(found.outside),
            "unclear": list(found.unclear),
            "share": found.share,
            "decision": found.decision,
            "chance_of_acceptance": _chances(found, coverage),
        },
        warnings=_warnings(found),
    )


def _named(lower: float | None, upper: float | None) -> list[tuple[str, float]]:
    return [(name, value) for name, value in (("lower", lower), ("upper", upper)) if value is not None]


def _counts(found: Transference) -> Grid:
    rows = tuple(
        (name, n, out, unclear)
        for name, n, out, unclear in zip(("first set", "second set"), found.n, found.outside, found.unclear)
    )
    columns = (Column("set"), Column("people"), Column("outside"), Column("on either side"))
    return Grid("Own reference individuals", columns, rows)


def _chances(found: Transference, coverage: float) -> dict[str, dict[str, float]]:
    n = found.n[0]
    most, again = min(found.most, n), min(found.again, n)
    shares = sorted({round(1 - coverage, 12), 0.1, 0.15, 0.2, 0.3, 0.4})
    return {
        f"{share:.4g}": {
            "one_set": float(chance_of_acceptance(share, n=n, most=most)),
            "with_second_set": float(chance_of_acceptance(share, n=n, most=most, again=again)),
        }
        for share in shares
    }


def _operating(found: Transference, coverage: float) -> Grid:
    rows = tuple((share, c["one_set"], c["with_second_set"]) for share, c in _chances(found, coverage).items())
    columns = (Column("true share outside", "1"), Column("accepted by one set", "1"), Column("with a second set", "1"))
    return Grid(
        "What the check can see",
        columns,
        rows,
        "Exact probabilities that limits are accepted, by the true share of people outside them.",
    )


def _warnings(found: Transference) -> tuple[str, ...]:
    said = [NOT_DECISION_LIMITS]
    if found.n[0] < 20:
        said.append(f"Only {found.n[0]} people: the rule was made for twenty and accepts more easily with fewer.")
    if found.n[0] > 20:
        said.append(f"{found.n[0]} people: the rule was made for twenty and rejects more easily with more.")
    if found.decision == "second set":
        said.append("A second set of reference individuals is needed before the limits can be accepted or rejected.")
    if len(found.n) > 1 and found.outside[0] <= found.most:
        said.append("The first set was accepted by itself; the second one did not decide.")
    if any(found.unclear):
        said.append(f"{sum(found.unclear)} values known only as bounds may lie on either side of a limit.")
    return tuple(said)
