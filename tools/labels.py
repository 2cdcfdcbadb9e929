"""Collects every label a user can meet, from the code itself, and reads the table of ``docs/labels.md``."""

from __future__ import annotations

import ast
import dataclasses
import html.parser
import importlib
import json
import pkgutil
import re
import tomllib
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import pydantic

import stanch
from stanch.quantities import QUANTITIES, UNITS

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "src" / "stanch"
PAGE = ROOT / "docs" / "labels.md"
ORIGINS = ("trade", "standard", "general", "own")

# Module constants whose strings are labels: a tuple of them, or the keys of a mapping.
CONSTANT = re.compile(
    r"_?([A-Z]+_)*(COLUMNS|KEYS|TITLES?|SIGNS|LABELS?|HEADINGS?|FACTS|GROUPS|ROLES|READINGS|KINDS|REPORTS|CONSEQUENCES)"
)
NAMED_IN_DOCUMENTS = ("name", "activator", "additives", "differs_in", "base", "other", "sample", "key", "group")


@dataclass(frozen=True)
class Row:
    """One row of the labels page."""

    label: str
    where: str
    origin: str
    note: str


def listed() -> list[Row]:
    """The rows of the labels page; several labels in one cell, each in backticks, are several rows."""
    rows = []
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in re.split(r"(?<!\\)\|", line.strip().strip("|"))]
        if not line.startswith("|") or cells[0] == "label" or set(cells[0]) <= {"-", ":"}:
            continue
        if len(cells) != 4:
            raise ValueError(f"{PAGE.name}: four cells are wanted in: {line}")
        quoted = re.findall(r"`([^`]+)`", cells[0])
        for label in quoted or [cells[0]]:
            rows.append(Row(label.replace("\\|", "|"), *cells[1:]))
    return rows


def collected() -> dict[str, str]:
    """Every label found in the code, with one place where it stands."""
    found: dict[str, str] = {}
    for source in (
        _quantities,
        _command_line,
        _documents,
        _schemas,
        _constants,
        _flags,
        _demo,
        _templates,
        _written,
        _facts,
        _verification,
    ):
        for label, where in source():
            if label:
                found.setdefault(label, where)
    return found


def _quantities() -> Iterator[tuple[str, str]]:
    for item in QUANTITIES.values():
        yield item.key, "key of a quantity"
        yield item.label, "label of a quantity"
    for unit in UNITS.values():
        yield unit.text, "unit"


def _command_line() -> Iterator[tuple[str, str]]:
    from stanch.cli.main import main

    yield from _command(main, click.Context(main, info_name="stanch"))


def _command(command: click.Command, context: click.Context) -> Iterator[tuple[str, str]]:
    for parameter in command.get_params(context):
        if isinstance(parameter, click.Option):
            for name in (*parameter.opts, *parameter.secondary_opts):
                yield name, f"option of {context.command_path}"
        if parameter.metavar:
            yield parameter.metavar, f"argument of {context.command_path}"
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            child = command.get_command(context, name)
            if child is not None:
                yield name, "command"
                yield from _command(child, click.Context(child, info_name=name, parent=context))


def _modules() -> Iterator[Any]:
    for found in pkgutil.walk_packages(stanch.__path__, "stanch."):
        if not found.name.endswith("__main__"):
            yield importlib.import_module(found.name)


def _documents() -> Iterator[tuple[str, str]]:
    """Keys and fixed values of the TOML documents, from the models that check them."""
    for module in _modules():
        for item in vars(module).values():
            if not (isinstance(item, type) and issubclass(item, pydantic.BaseModel)):
                continue
            if item.__module__ != module.__name__:
                continue
            for name, field in item.model_fields.items():
                yield field.alias or name, f"key of a document ({module.__name__})"
                for value in _literals(field.annotation):
                    yield value, f"value of {field.alias or name} ({module.__name__})"


def _literals(annotation: Any) -> Iterator[str]:
    if typing.get_origin(annotation) is typing.Literal:
        yield from (value for value in typing.get_args(annotation) if isinstance(value, str))
    else:
        for part in typing.get_args(annotation):
            yield from _literals(part)


def _schemas() -> Iterator[tuple[str, str]]:
    for path in sorted(PACKAGE.rglob("*.json")):
        yield from _schema(json.loads(path.read_text(encoding="utf-8")), path.name)


def _schema(node: Any, where: str) -> Iterator[tuple[str, str]]:
    if isinstance(node, list):
        for part in node:
            yield from _schema(part, where)
    elif isinstance(node, dict):
        properties = node.get("properties")
        if isinstance(properties, dict):
            yield from ((name, f"key in {where}") for name in properties)
        for name, part in node.items():
            if name == "enum" and isinstance(part, list):
                yield from ((value, f"value in {where}") for value in part if isinstance(value, str))
            yield from _schema(part, where)


def _constants() -> Iterator[tuple[str, str]]:
    for module in _modules():
        for name, value in vars(module).items():
            if CONSTANT.fullmatch(name):
                texts = (value,) if isinstance(value, str) else value
                if isinstance(texts, tuple | list | dict | set | frozenset):
                    words = isinstance(texts, dict) and name.endswith(("LABELS", "TITLES", "HEADINGS"))
                    shown = [*texts, *texts.values()] if words else list(texts)
                    yield from ((text, f"{module.__name__}.{name}") for text in shown if isinstance(text, str))


def _flags() -> Iterator[tuple[str, str]]:
    from stanch.echo.records import PushFlag

    for flag in PushFlag:
        yield (flag.name or "").lower(), "flag of a push"


def _demo() -> Iterator[tuple[str, str]]:
    for path in sorted(PACKAGE.rglob("*.toml")):
        yield from _names(tomllib.loads(path.read_text(encoding="utf-8")), path.name)


def _names(node: Any, where: str) -> Iterator[tuple[str, str]]:
    if isinstance(node, list):
        for part in node:
            yield from _names(part, where)
    elif isinstance(node, dict):
        for key, value in node.items():
            if key in NAMED_IN_DOCUMENTS:
                yield from ((text, f"{key} in {where}") for text in _texts(value))
            yield from _names(value, where)


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, list):
        yield from (text for text in value if isinstance(text, str))


class _Headings(html.parser.HTMLParser):
    TAGS = ("h1", "h2", "h3", "h4", "th", "caption", "summary", "legend", "dt", "button", "label", "title")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in self.TAGS:
            self.open.append(tag)
            self.texts.append("")

    def handle_endtag(self, tag: str) -> None:
        if self.open and tag == self.open[-1]:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open:
            self.texts[-1] += data


def _templates() -> Iterator[tuple[str, str]]:
    for path in sorted([*PACKAGE.rglob("*.html"), *PACKAGE.rglob("*.j2"), *PACKAGE.rglob("*.jinja")]):
        reader = _Headings()
        reader.feed(re.sub(r"\{[%#].*?[%#]\}", "", path.read_text(encoding="utf-8"), flags=re.S))
        for text in reader.texts:
            plain = " ".join(re.sub(r"\{\{.*?\}\}", " ", text, flags=re.S).split()).strip(" :-,()")
            yield plain, f"heading in {path.name}"


def _written() -> Iterator[tuple[str, str]]:
    """Keys of quality signs, and titles and axis labels of figures, where the code writes them."""
    for stage, calls in (("findings", ("QualitySign",)), ("figures", ("set_title", "set_xlabel", "set_ylabel"))):
        for path in sorted((PACKAGE / stage).glob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not (isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant)):
                    continue
                name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                if name in calls and isinstance(node.args[0].value, str):
                    yield node.args[0].value, f"{name} in {stage}/{path.name}"


def _facts() -> Iterator[tuple[str, str]]:
    """Attributes of a recording."""
    from stanch.recording.records import Acquisition, Additive, Geometry, SampleFacts, Well

    for record in (Acquisition, Additive, Geometry, SampleFacts, Well):
        for field in dataclasses.fields(record):
            yield field.name, f"attribute of a recording ({record.__name__})"


# Calls in the verification protocols that hold text for the reader: places and names of the arguments that do.
VERIFICATION: dict[str, tuple[tuple[int, str], ...]] = {
    "Column": ((0, "name"),),
    "Grid": ((0, "title"),),
    "Picture": ((0, "title"), (1, "x_label"), (2, "y_label")),
    "Points": ((2, "label"),),
    "Line": ((2, "label"),),
    "Band": ((3, "label"),),
    "Level": ((1, "label"),),
    "Bars": ((2, "label"),),
    "Rows": ((0, "names"),),
    "Definition": ((0, "term"),),
    "Verdict": ((0, "claim"),),
}


def _verification() -> Iterator[tuple[str, str]]:
    """Options and choices of the protocols, and the words their accounts are made of, where the code writes them."""
    from stanch.verify import PROTOCOLS, protocol

    for name in PROTOCOLS:
        for option in protocol(name).options:
            yield f"--{option.name}", f"option of stanch verify {name}"
            yield from ((choice, f"choice of --{option.name} of stanch verify {name}") for choice in option.choices)
    for path in sorted((PACKAGE / "verify").rglob("*.py")):
        where = path.relative_to(PACKAGE).as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = getattr(node.func, "id", getattr(node.func, "attr", ""))
                for text in _arguments(node, VERIFICATION.get(called, ())):
                    yield text, f"{called} in {where}"


def _arguments(node: ast.Call, places: tuple[tuple[int, str], ...]) -> Iterator[str]:
    for index, name in places:
        given = node.args[index] if len(node.args) > index else None
        given = next((k.value for k in node.keywords if k.arg == name), given)
        if given is not None:
            yield from _said(given)


def _said(node: ast.expr) -> Iterator[str]:
    """Texts an expression can be; what is put in at run time is left out of them."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield " ".join(node.value.split())
    elif isinstance(node, ast.JoinedStr):
        fixed = (part.value if isinstance(part, ast.Constant) else " " for part in node.values)
        plain = " ".join("".join(map(str, fixed)).split())
        yield re.sub(r"[\[(]\s*[\])]|[\s:,–-]+$|^[\s:,–-]+", "", plain).strip()
    elif isinstance(node, ast.IfExp):
        yield from _said(node.body)
        yield from _said(node.orelse)
    elif isinstance(node, ast.Tuple | ast.List):
        for part in node.elts:
            yield from _said(part)


def missing() -> dict[str, str]:
    """Labels in the code that the page does not list."""
    known = {row.label for row in listed()}
    return {label: where for label, where in collected().items() if label not in known}


if __name__ == "__main__":
    for label, where in missing().items():
        print(f"{label}\t{where}")
