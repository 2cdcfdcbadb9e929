from __future__ import annotations

import pytest

from stanch.errors import RecordingError
from stanch.recording.times import utc_text


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-03-01T09:00:00Z", "2026-03-01T09:00:00+00:00"),
        ("2026-03-01T09:00:00.250-05:30", "2026-03-01T14:30:00.250000+00:00"),
        ("2026-03-01 00:30+01:00", "2026-02-28T23:30:00+00:00"),
        (None, None),
    ],
)
def test_times_are_kept_in_utc(text: str | None, utc: str | None) -> None:
    assert utc_text(text, "drawn_at") == utc
    assert utc_text(utc, "drawn_at") == utc


@pytest.mark.parametrize("text", ["2026-03-01T09:00:00", "2026-03-01"])
def test_naive_times_are_refused(text: str) -> None:
    with pytest.raises(RecordingError, match=r"^drawn_at; got 2026-03-01.* this time is naive\.$"):
        utc_text(text, "drawn_at")


@pytest.mark.parametrize("text", ["", "soon", "2026-13-01T00:00:00Z", "0001-01-01T00:00:00+10:00", 7])
def test_other_texts_are_refused(text: str) -> None:
    with pytest.raises(RecordingError, match="drawn_at; got"):
        utc_text(text, "drawn_at")
