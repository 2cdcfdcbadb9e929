"""What the accounts of the additives share."""

from __future__ import annotations

from typing import Any

from stanch.verify.records import Account, Definition
from stanch.verify.table import Taken

QUESTION = "Does each additive of the wells do what the contrasts take for granted?"
EQUIVALENCE = Definition(
    "equivalence",
    "Both one-sided t tests at alpha reject; the same as the 1 − 2 alpha interval inside the limits.",
    "Schuirmann DJ. J Pharmacokinet Biopharm 15:657-680 (1987), from memory",
)


def account_of(s: dict[str, Any], title: str, taken: Taken, **rest: Any) -> Account:
    """An account of this protocol."""
    return Account(protocol="reagents", title=title, question=QUESTION, data=taken.data, settings=dict(s), **rest)
