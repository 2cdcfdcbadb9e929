"""The account of a verification as plain data for readers: the only place where its numbers are rounded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from stanch.report.numbers import shown
from stanch.report.surface import CAUTIONS
from stanch.report.verification_table import TableView, interval_text, tables, unit_text
from stanch.verify.records import (
    Account,
    Band,
    Bars,
    Bounded,
    DataUsed,
    Level,
    Line,
    Picture,
    Points,
    Rows,
    Verdict,
)
from stanch.version import __version__

__all__ = ["OUTCOME_LABELS", "Page", "PictureView", "VerdictView", "page"]

OUTCOME_LABELS = {
    "met": "met",
    "not met": "not met",
    "undecided": "undecided",
    "no limit stated": "no limit stated",
}
BEHIND_COLUMNS = ("Part", "from", "to")
MOST_ROWS = 200


@dataclass(frozen=True)
class VerdictView:
    """A verdict as a reader sees it."""

    claim: str
    outcome: str
    found: str
    limit: str
    rule: str


@dataclass(frozen=True)
class PictureView:
    """A figure with its words and the numbers behind it."""

    title: str
    svg: str
    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    more: str


@dataclass(frozen=True)
class Page:
    """Everything a report prints, as text."""

    protocol: str
    title: str
    question: str
    demo: bool
    source: str
    verdicts: tuple[VerdictView, ...]
    warnings: tuple[str, ...]
    design: tuple[str, ...]
    data: tuple[tuple[str, str], ...]
    missing: tuple[tuple[str, str, str], ...]
    complete: tuple[str, ...]
    excluded: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]
    tables: tuple[TableView, ...]
    pictures: tuple[PictureView, ...]
    definitions: tuple[tuple[str, str, str], ...]
    settings: tuple[tuple[str, str], ...]
    origin: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]


def page(account: Account, *, created: str, figures: bool = False) -> Page:
    """Turn an account into what a report prints.

    Parameters
    ----------
    account : Account
    created : str
        Time of making, as text.
    figures : bool
        Whether to draw them; text needs none.

    Returns
    -------
    Page
    """
    d = account.data
    columns = list(dict.fromkeys([*d.missing, *d.censored]))
    gaps = [name for name in columns if d.missing.get(name, 0) or d.censored.get(name, 0)]
    return Page(
        protocol=account.protocol,
        title=account.title,
        question=account.question,
        demo=d.demo,
        source=d.source,
        verdicts=tuple(_verdict(one) for one in account.verdicts),
        warnings=account.warnings,
        design=account.design,
        data=_data(d),
        missing=tuple((name, str(d.missing.get(name, 0)), str(d.censored.get(name, 0))) for name in gaps),
        complete=tuple(name for name in columns if name not in gaps),
        excluded=tuple((one.why, str(one.count), _rows_named(one.rows, one.count)) for one in d.excluded),
        notes=d.notes,
        tables=tuple(table for one in account.grids for table in tables(one)),
        pictures=tuple(_picture(one, k) for k, one in enumerate(account.pictures)) if figures else (),
        definitions=tuple((one.term, one.text, one.source) for one in account.definitions),
        settings=_settings(account),
        origin=(
            ("Protocol", account.protocol),
            ("Seed", "none drawn" if account.seed is None else str(account.seed)),
            ("Software", f"stanch {__version__}"),
            ("Created", created),
        ),
        cautions=CAUTIONS,
    )


def bounded(number: Bounded, *, level: bool = True) -> str:
    """A number with unit and interval as one text."""
    if number.value is None and number.low is None and number.high is None:
        return "not available"
    value, low, high = shown(number.value, number.low, number.high)
    unit = unit_text(number.unit)
    interval = interval_text(low, high)
    if number.value is None:
        # Two ends and nothing between them, such as a range, or one end: no interval of a value.
        return f"{interval} {unit}".strip()
    text = f"{value} {unit}".strip()
    return f"{text} ({number.level * 100:.4g} % interval {interval})" if interval and level else text


def setting(value: Any) -> str:
    """A setting as it would be given, or that it was not."""
    if value is None or value == "" or value == ():
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(setting(one) for one in value)
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def _settings(account: Account) -> tuple[tuple[str, str], ...]:
    """Options that bear on the design in use; those of other designs say nothing about the result."""
    from stanch.verify import PROTOCOLS, protocol

    elsewhere: set[str] = set()
    if account.protocol in PROTOCOLS:
        design = account.settings.get("design")
        options = protocol(account.protocol).options
        elsewhere = {option.key for option in options if option.designs and design not in option.designs}
    shown = {key: value for key, value in account.settings.items() if key not in elsewhere}
    return tuple((f"--{key.replace('_', '-')}", setting(value)) for key, value in shown.items())


def _verdict(one: Verdict) -> VerdictView:
    limit = f"allowed: {one.allowed}" if one.allowed else "no limit stated"
    found = bounded(one.value)
    if one.value.why:
        found = f"{found}. {one.value.why}"
    return VerdictView(one.claim, one.outcome, found, limit, one.rule)


def _data(d: DataUsed) -> tuple[tuple[str, str], ...]:
    if not d.rows and not d.sha256:
        return (("Source", d.source),)
    left = sum(one.count for one in d.excluded)
    rows = [
        ("Source", d.source),
        ("SHA-256", d.sha256 or "none: handed in as arrays"),
        ("Rows", str(d.rows)),
        ("Rows used", str(d.used)),
        ("Rows left out", str(left)),
    ]
    if d.censored_treatment:
        rows.append(("Bounds (< and >)", d.censored_treatment))
    return tuple(rows)


def _rows_named(rows: Sequence[int], count: int) -> str:
    text = ", ".join(map(str, rows))
    return f"{text}, …" if rows and count > len(rows) else text


def _picture(picture: Picture, index: int) -> PictureView:
    from stanch.figures.style import to_svg
    from stanch.figures.verification import picture_figure
    from stanch.report.svg import embedded

    svg = embedded(to_svg(picture_figure(picture)), f"picture-{index}", f"{picture.title}. {picture.alt}")
    rows = [row for layer in picture.layers for row in _behind(layer, picture.x_names)]
    more = f"The first {MOST_ROWS} of {len(rows)} rows; the JSON holds all." if len(rows) > MOST_ROWS else ""
    part, start, stop = BEHIND_COLUMNS
    x, y = picture.x_label or "x", picture.y_label or "y"
    return PictureView(picture.title, svg, picture.caption, (part, x, y, start, stop), tuple(rows[:MOST_ROWS]), more)


def _behind(layer: Any, names: Sequence[str]) -> Iterator[tuple[str, str, str, str, str]]:
    def at(x: float) -> str:
        whole = float(x).is_integer() and 0 <= x < len(names)
        return names[int(x)] if whole else _six(x)

    label = getattr(layer, "label", "")
    if isinstance(layer, Points | Line):
        for x, y in zip(layer.x, layer.y):
            yield label, at(x), _six(y), "", ""
    elif isinstance(layer, Band):
        for x, low, high in zip(layer.x, layer.low, layer.high):
            yield label, at(x), "", _six(low), _six(high)
    elif isinstance(layer, Level):
        yield (label, at(layer.value), "", "", "") if layer.axis == "x" else (label, "", _six(layer.value), "", "")
    elif isinstance(layer, Bars):
        for left, right, height in zip(layer.edges, layer.edges[1:], layer.heights):
            yield label, f"{_six(left)} to {_six(right)}", _six(height), "", ""
    elif isinstance(layer, Rows):
        for name, value, start, stop in zip(layer.names, layer.values, layer.low, layer.high):
            yield name, _six(value), "", _six(start), _six(stop)


def _six(value: float | None) -> str:
    return "" if value is None or value != value else f"{value:.6g}"
