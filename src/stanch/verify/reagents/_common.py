"""What the accounts of the additives share."""

from __future__ import annotations

from typing import Any

from stanch.verify.records import Account
from stanch.verify.table import Taken

QUESTION = "Does each additive of the wells do what the contrasts take for granted?"


def account_of(s: dict[str, Any], title: str, taken: Taken, **rest: Any) -> Account:
    """An account of this protocol."""
    return Account(protocol="reagents", title=title, question=QUESTION, data=taken.data, settings=dict(s), **rest)
