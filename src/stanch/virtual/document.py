"""What the tables of a scenario document share."""

from __future__ import annotations

import unicodedata
from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict

__all__ = ["Moment", "Number", "Table", "Text", "Whole"]


def _text(value: object) -> object:
    return unicodedata.normalize("NFC", value).strip() if isinstance(value, str) else value


Text = Annotated[str, BeforeValidator(_text), Field(min_length=1, max_length=400)]


Whole = Annotated[int, Strict()]
Number = Annotated[float, Strict()]


class Table(BaseModel):
    """A table that refuses keys it does not know."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _moment(value: object) -> object:
    text = value.isoformat() if isinstance(value, datetime) else value
    if not isinstance(text, str):
        raise ValueError('must be a time with offset, such as "2026-03-02T09:30:00+01:00"')
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"got {text!r}; allowed: ISO 8601 with offset") from None
    if found.tzinfo is None:
        raise ValueError(f"got {text!r}; allowed: a time with its offset from UTC, such as +01:00 or Z")
    return found.isoformat()


Moment = Annotated[str, BeforeValidator(_moment)]
