"""What the accounts of interference share."""

from __future__ import annotations

from typing import Any

from stanch.verify.records import Account
from stanch.verify.table import Taken

QUESTION = "Does anything in the sample, its handling or the sample before it move the result too far?"
REFUSED = "Mean changes need numbers: results known only as a bound are refused, not guessed."


def account_of(settings: dict[str, Any], title: str, taken: Taken, **rest: Any) -> Account:
    """An account of this protocol."""
    return Account(
        protocol="interference", title=title, question=QUESTION, data=taken.data, settings=dict(settings), **rest
    )


def limit_warning(s: dict[str, Any]) -> tuple[str, ...]:
    """What to say where no allowed change was stated."""
    return () if s["allowed"] is not None else ("No allowed change was stated, so nothing is claimed.",)
