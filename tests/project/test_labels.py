"""Every label a user can meet is listed in docs/labels.md with its origin."""

from labels import ORIGINS, collected, listed, missing


def test_every_label_is_listed() -> None:
    assert len(collected()) > 100
    problems = [f"{label!r} ({where})" for label, where in missing().items()]
    assert problems == [], "add a row to docs/labels.md for:\n" + "\n".join(problems)


def test_every_row_says_where_and_whence() -> None:
    rows = listed()
    assert [row.label for row in rows if row.origin not in ORIGINS] == []
    assert [row.label for row in rows if not row.where] == []
    assert [row.label for row in rows if row.origin == "standard" and not row.note] == []


def test_no_row_is_there_twice() -> None:
    seen: set[tuple[str, str]] = set()
    twice = [row.label for row in listed() if (row.label, row.where) in seen or seen.add((row.label, row.where))]
    assert twice == []
