"""Points in time as text: ISO 8601 with an offset, kept in UTC."""

from __future__ import annotations

from datetime import UTC, datetime

from stanch.errors import RecordingError

__all__ = ["utc_text"]


def utc_text(text: str | None, where: str) -> str | None:
    """The same instant in UTC, or None when unknown.

    Parameters
    ----------
    text : str or None
        ISO 8601 date and time with an offset; None is unknown.
    where : str
        The input's name, for the message.

    Raises
    ------
    RecordingError
        If it is no date and time, or has no offset.

    Examples
    --------
    >>> utc_text("2026-03-01T09:30:00+01:00", "drawn_at")
    '2026-03-01T08:30:00+00:00'
    """
    if text is None:
        return None
    allowed = "an ISO 8601 date and time with an offset, such as 2026-03-01T09:30:00+01:00"
    try:
        moment = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        raise RecordingError(where, got=text, allowed=allowed, do="Correct the time or leave it out.") from None
    if moment.tzinfo is None or len(text) < 11:
        raise RecordingError(where, got=text, allowed=allowed, do="Add the offset from UTC: this time is naive.")
    try:
        return moment.astimezone(UTC).isoformat()
    except (OverflowError, ValueError):
        raise RecordingError(where, got=text, allowed="a year from 2 to 9998", do="Correct the time.") from None
