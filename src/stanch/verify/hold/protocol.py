"""The hold protocol: from a table to an account."""

from __future__ import annotations

from typing import Any

from stanch.verify.hold._read import Read, curves, readings
from stanch.verify.hold._show import grids, numbers, pictures, verdict
from stanch.verify.hold._words import definitions, design, warnings_of
from stanch.verify.hold.study import HoldStudy, hold_study
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["PROTOCOL"]

QUESTION = "How early can stiffness be read?"
HOLDS = tuple(float(m) for m in range(1, 21))


def _run(table: Table, **s: Any) -> Account:
    read, names, data, notes = (curves if s["design"] == "curves" else readings)(table, s)
    found = [(str(name), _study(read, k, s)) for k, name in enumerate(names)]
    return Account(
        protocol="hold",
        title="Reading stiffness early",
        question=QUESTION,
        design=design(found, s),
        data=data,
        verdicts=tuple(verdict(name, one, s, len(found) > 1) for name, one in found),
        grids=tuple(g for name, one in found for g in grids(name, one, s, len(found) > 1)),
        pictures=pictures(found, read, s),
        definitions=definitions(s),
        settings=dict(s),
        numbers={name: numbers(one) for name, one in found},
        warnings=(*notes, *warnings_of(found, s)),
        seed=s["seed"],
    )


def _study(read: Read, k: int, s: dict[str, Any]) -> HoldStudy:
    own = read.group == k

    alone = bool(own.all())

    def part(values: Any) -> Any:
        return values if values is None or alone else values[own]

    return hold_study(
        part(read.early),
        part(read.plateau),
        part(read.hidden),
        s["holds"],
        donor=part(read.donor),
        onset=part(read.onset),
        entry=part(read.entry),
        entry_open=part(read.late),
        limits=s["limits"] or (),
        positive=s["positive"],
        allowed=s["allowed"],
        folds=s["folds"],
        alpha=s["alpha"],
        resamples=s["draws"],
        seed=s["seed"],
        unit="min",
        predictions=False,
    )


_C, _R = ("curves",), ("readings",)

PROTOCOL = Protocol(
    "hold",
    QUESTION,
    "Modulus curves, one push per row, or readings at each hold and plateaus, one curve per row.",
    (
        Option(
            "design",
            "choice",
            "Curves to be read here, or readings made elsewhere.",
            choices=("curves", "readings"),
            required=True,
        ),
        Option(
            "sample", "column", "Column naming the sample; with the group it names a curve.", required=True, designs=_C
        ),
        Option("time", "column", "Column with the time since activation.", required=True, designs=_C),
        Option("modulus", "column", "Column with the modulus.", required=True, designs=_C),
        Option(
            "onset-modulus", "number", "Modulus that marks the onset; has no built-in value.", required=True, designs=_C
        ),
        Option("dwell", "number", "Time it must be kept [s]; has no built-in value.", required=True, designs=_C),
        Option(
            "early",
            "columns",
            "Columns with the modulus at each hold, in the order of the holds.",
            required=True,
            designs=_R,
        ),
        Option("plateau", "column", "Column with the plateau; >x still rising.", required=True, designs=_R),
        Option("onset", "column", "Column with the onset, for the time saved.", designs=_R),
        Option("entry", "column", "Column with the plateau entry, for the time saved; >x later.", designs=_R),
        Option("time-unit", "choice", "Unit of the times in the table.", choices=("s", "min"), required=True),
        Option("holds", "numbers", "Holds after onset [min].", default=HOLDS),
        Option("group", "column", "Column naming the well or group; each is judged on its own."),
        Option(
            "donor", "column", "Column naming the donor, where donors have several samples; their curves stay together."
        ),
        Option("limits", "numbers", "Decision limits of the plateau."),
        Option("positive", "choice", "Side of the limit that counts.", default="below", choices=("below", "above")),
        Option("allowed", "number", "Largest error of 90 % of predicted plateaus [%]."),
        Option("folds", "count", "Folds; 0 for one per donor up to 200 donors, ten beyond.", default=0),
        Option("draws", "count", "Bootstrap draws of donors.", default=1000),
        Option("seed", "count", "Of the random draws and folds.", default=0),
        Option("alpha", "number", "Error of each one-sided limit.", default=0.05),
        Option("unit", "text", "Unit of the modulus.", default="Pa"),
    ),
    _run,
)
