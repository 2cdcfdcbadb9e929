"""The account of a verification as text, JSON and HTML, and an index of several."""

from __future__ import annotations

import json
import math
import platform
import re
import textwrap
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any
from urllib.parse import quote

import numpy as np

from stanch.errors import StanchError
from stanch.report.surface import CAUTIONS, printable
from stanch.report.verification_view import OUTCOME_LABELS, page
from stanch.verify.records import Account, Bounded, Picture
from stanch.version import __version__

__all__ = ["SCHEMA", "as_dict", "dumps", "index_page", "render", "summary"]

SCHEMA = "stanch.verification/1"
WIDTH = 110


def as_dict(account: Account, *, now: str | None = None) -> dict[str, Any]:
    """The account as plain values, nothing rounded.

    Parameters
    ----------
    account : Account
    now : str, optional
        Time of making, ISO 8601 with offset; that of the clock without it.

    Returns
    -------
    dict
        Of strings, numbers, lists and None; see ``docs/reference/verification-files.md``.
    """
    return {
        "schema": SCHEMA,
        "protocol": account.protocol,
        "title": account.title,
        "question": account.question,
        "verdicts": [_plain(one, "verdicts") for one in account.verdicts],
        "warnings": list(account.warnings),
        "design": list(account.design),
        "data": _plain(account.data, "data"),
        "grids": [_plain(one, f"grid {one.title}") for one in account.grids],
        "pictures": [_picture(one) for one in account.pictures],
        "definitions": [_plain(one, "definitions") for one in account.definitions],
        "settings": _plain(account.settings, "settings"),
        "numbers": _plain(account.numbers, "numbers"),
        "cautions": list(CAUTIONS),
        "seed": account.seed,
        "software": f"stanch {__version__}",
        "libraries": libraries(),
        "created": _now(now),
    }


def dumps(account: Account, *, now: str | None = None) -> str:
    """The account as JSON text, two spaces deep, ending in a line feed.

    Parameters
    ----------
    account : Account
    now : str, optional
        Time of making.

    Returns
    -------
    str
    """
    return json.dumps(as_dict(account, now=now), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def libraries() -> dict[str, str]:
    """Versions of what computes: Python, NumPy, SciPy."""
    found = {"python": platform.python_version(), "numpy": np.__version__}
    with suppress(PackageNotFoundError):
        found["scipy"] = version("scipy")
    return found


def summary(account: Account) -> str:
    """What the verification found, for a terminal.

    Parameters
    ----------
    account : Account

    Returns
    -------
    str
    """
    p = page(account, created="")
    lines = [f"{p.title}{'  [demo data]' if p.demo else ''}", *_wrapped(p.question, "  ")]
    for one in p.verdicts:
        lines += ["", f"{OUTCOME_LABELS[one.outcome]}: {one.claim}"]
        lines += _wrapped(f"found {one.found}; {one.limit}", "  ")
        lines += _wrapped(one.rule, "  ")
    if p.warnings:
        lines += ["", "Warnings"]
        for warning in p.warnings:
            lines += _wrapped(warning, "  - ")
    for table in p.tables:
        lines += ["", table.title, *(_table(table.columns, table.texts()) if table.rows else ["  none"])]
        if table.rest:
            lines += [f"  ... and {len(table.rest)} more rows"]
        if table.more:
            lines += _wrapped(table.more, "  ")
        for k, remark in enumerate(table.remarks):
            lines += _wrapped(remark, f"  ({k + 1}) ")
        if table.note:
            lines += _wrapped(table.note, "  ")
    lines += ["", "Design"]
    for sentence in p.design:
        lines += _wrapped(sentence, "  - ")
    lines += ["", "Data"]
    for name, text in p.data:
        lines += _wrapped(text, f"  {name}: ")
    lines += [f"  Left out: {count} ({why}; rows {rows})" for why, count, rows in p.excluded]
    lines += [f"  Column {name}: {missing} missing, {bounds} bounds" for name, missing, bounds in p.missing]
    if p.complete:
        lines += _wrapped(f"Neither missing cells nor bounds in {', '.join(p.complete)}.", "  ")
    lines += ["", *_wrapped(" ".join(p.cautions), "")]
    return printable("\n".join(lines))


def render(account: Account, *, now: str | None = None) -> str:
    """The report of one protocol.

    Parameters
    ----------
    account : Account
    now : str, optional
        Time of making.

    Returns
    -------
    str
        HTML text that needs nothing from outside.
    """
    return _template("verification.html.j2", page=page(account, created=_now(now), figures=True))


def index_page(entries: Sequence[tuple[str, Account]], *, title: str = "Verification reports") -> str:
    """A page over a set of reports.

    Parameters
    ----------
    entries : sequence of (str, Account)
        Link to the report, relative to this page, and what it holds.
    title : str

    Returns
    -------
    str
        HTML text that needs nothing from outside.
    """
    rows = [(quote(link), page(account, created="")) for link, account in entries]
    said = [one.outcome for _, entry in rows for one in entry.verdicts]
    counts = [(outcome, said.count(outcome)) for outcome in OUTCOME_LABELS if outcome in said]
    return _template(
        "verification_index.html.j2",
        title=title,
        rows=rows,
        counts=counts,
        cautions=CAUTIONS,
        demo=any(one.demo for _, one in rows),
    )


def _template(name: str, **values: Any) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("stanch.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_together,
    )
    environment.filters["coded"] = _coded
    return environment.get_template(name).render(outcomes=OUTCOME_LABELS, **values)


def _together(value: Any) -> Any:
    """A number and its per cent sign on one line."""
    plain = isinstance(value, str) and not hasattr(value, "__html__")
    return value.replace(" %", "\N{NO-BREAK SPACE}%") if plain else value


def _coded(text: str) -> Any:
    """Names of options set as code, which keeps their hyphens together."""
    from markupsafe import Markup, escape

    return Markup(re.sub(r"(?<![\w-])--[a-z][a-z0-9-]+", r"<code>\g<0></code>", str(escape(_together(text)))))


def _now(now: str | None) -> str:
    return now or datetime.now(UTC).isoformat(timespec="seconds")


def _plain(value: Any, where: str) -> Any:
    if isinstance(value, Bounded):
        return value.as_dict()
    if isinstance(value, str) or value is None or isinstance(value, bool):
        return value
    if isinstance(value, np.generic):
        return _plain(value.item(), where)
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise StanchError(f"{where} of the account", got=value, allowed="finite numbers or null")
        return value
    if isinstance(value, np.ndarray):
        return _plain(value.tolist(), where)
    if isinstance(value, Mapping):
        return {str(key): _plain(part, f"{where}.{key}") for key, part in value.items()}
    if isinstance(value, Sequence | set | frozenset):
        return [_plain(part, where) for part in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: _plain(getattr(value, one.name), f"{where}.{one.name}") for one in fields(value)}
    raise StanchError(f"{where} of the account", got=value, allowed="numbers, text, lists and mappings")


def _picture(picture: Picture) -> dict[str, Any]:
    layers = []
    for layer in picture.layers:
        # Where a line has a gap there is no number.
        parts = {one.name: _gaps(getattr(layer, one.name)) for one in fields(layer)}
        layers.append({"layer": type(layer).__name__.lower(), **parts})
    rest = {one.name: getattr(picture, one.name) for one in fields(picture) if one.name != "layers"}
    return {**_plain(rest, f"picture {picture.title}"), "layers": layers}


def _gaps(value: Any) -> Any:
    if isinstance(value, tuple | list):
        return [_gaps(one) for one in value]
    if isinstance(value, np.generic):
        return _gaps(value.item())
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    # Long names of narrow columns go onto several lines: a terminal is not wide.
    words = [max(map(len, name.split()), default=0) for name in header]
    widths = [max([words[k], *(len(row[k]) for row in rows)]) for k in range(len(header))]
    if sum(len(name) + 2 for name in header) <= WIDTH:
        widths = [max(width, len(name)) for width, name in zip(widths, header)]
    names = [textwrap.wrap(name, width) for name, width in zip(header, widths)]
    tall = max(map(len, names), default=0)
    head = [tuple(lines[k] if k < len(lines) else "" for lines in names) for k in range(tall)]
    grid = [*head, *(tuple(row) for row in rows)]
    return [("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths))).rstrip() for row in grid]


def _wrapped(text: str, lead: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead)) or [lead.rstrip()]
