"""What a fault of a TOML document is called: its path, what was found there, what is allowed.

Maps, assay documents and scenarios are checked by pydantic, which knows Python's words; a reader knows those of TOML.
"""

from __future__ import annotations

import difflib
import typing
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pydantic import BaseModel, Tag, ValidationError

from stanch.errors import StanchError

__all__ = ["Faults", "faults_of", "nearest", "repeated", "said"]

LONGEST = 80

_WORDS = {
    "model_type": "a table",
    "model_attributes_type": "a table",
    "dict_type": "a table",
    "list_type": "a list",
    "tuple_type": "a list",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "int_type": "a whole number, without quotes",
    "int_parsing": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "float_type": "a number, without quotes",
    "float_parsing": "a number, without quotes",
    "finite_number": "a finite number",
    "string_type": "text in quotes",
}
_BOUNDS = {
    "greater_than": ("above", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("below", "lt"),
    "less_than_equal": ("at most", "le"),
}


class Faults(ValueError):
    """Faults of a whole table, for a validator to raise.

    Parameters
    ----------
    faults : sequence of (str, str)
        Key at fault, empty for the table itself, and what is wrong.
    """

    def __init__(self, faults: Sequence[tuple[str, str]]) -> None:
        self.faults = list(faults)
        super().__init__("; ".join(f"{key}: {text}" if key else text for key, text in self.faults))


def said(error: StanchError) -> str:
    """The message of one of our errors without the name of the input, which the path replaces."""
    return str(error).removeprefix(error.where).removeprefix(";").strip()


def nearest(word: str, allowed: Sequence[str], *, listing: bool = True) -> str:
    """The allowed words and the nearest of them, as the end of a message."""
    near = difflib.get_close_matches(word, allowed, n=1, cutoff=0.5)
    hint = f"; did you mean {near[0]}?" if near else ""
    return f"; allowed: {', '.join(allowed)}{hint}" if listing else hint


def faults_of(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """Every fault of a document, each beginning with its path, entries counted from 1.

    Parameters
    ----------
    error : pydantic.ValidationError
    model : type
        The model of the whole document.

    Returns
    -------
    list of str
    """
    found: list[str] = []
    for one in error.errors(include_url=False):
        found += _fault(typing.cast("Mapping[str, Any]", one), model)
    return list(dict.fromkeys(found))


def _fault(one: Mapping[str, Any], model: type[BaseModel]) -> list[str]:
    kind, context = str(one["type"]), dict(one.get("ctx") or {})
    path, keys = _place(one["loc"], model, unknown=kind == "extra_forbidden")
    if kind == "value_error":
        fault = context["error"]
        faults = fault.faults if isinstance(fault, Faults) else [("", str(fault))]
        return [f"{_joined(path, key)}: {text}" for key, text in faults]
    if kind == "extra_forbidden":
        word = str(one["loc"][-1])
        text = f"unknown key{nearest(word, keys, listing=False) or nearest(word, keys)}"
    elif kind == "missing":
        text = "missing; allowed: it must be given"
    elif kind == "too_short" and len(one["input"]) >= context["min_length"]:
        return []  # entries are there, but none is right: said one by one
    elif kind == "union_tag_not_found":
        path, text = _joined(path, str(context["discriminator"]).strip("'")), "missing; allowed: it must be given"
    else:
        text = _not_allowed(kind, context, one)
    return [f"{path or 'document'}: {text}"]


def _not_allowed(kind: str, context: Mapping[str, Any], one: Mapping[str, Any]) -> str:
    """What was got and what is allowed in its place."""
    value = one["input"]
    if kind in ("literal_error", "union_tag_invalid"):
        told = "expected" if kind == "literal_error" else "expected_tags"
        words = str(context[told]).replace("'", "").replace(" or ", ", ").split(", ")
        got = context["tag"] if kind == "union_tag_invalid" else value
        hint = nearest(got, words, listing=False) if isinstance(got, str) and len(words) > 1 else ""
        return f"got {repeated(got)}; allowed: {', '.join(words)}{hint}"
    if kind == "too_short":
        return f"got {repeated(value)}; allowed: at least {context['min_length']}"
    if kind in _BOUNDS:
        word, key = _BOUNDS[kind]
        return f"got {repeated(value)}; allowed: {word} {context[key]:g}"
    allowed = _WORDS.get(kind) or str(one["msg"]).removeprefix("Input should be ").removeprefix("Value should be ")
    return f"got {repeated(value)}; allowed: {allowed[:1].lower()}{allowed[1:]}"


def repeated(value: object) -> str:
    """What was got, as a message says it again: short, in the words of TOML."""
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list" if value else "an empty list"
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value)
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "…"


def _joined(path: str, key: str) -> str:
    return f"{path}.{key}" if path and key else path or key


def _place(location: Sequence[int | str], model: type[BaseModel], *, unknown: bool) -> tuple[str, list[str]]:
    """Path in the document and the keys of its last table.

    Pydantic adds a mark to a path for every choice between kinds that it made; a mark is no key of the table.
    """
    path, free = "", False
    before: list[tuple[str, type[BaseModel]]] = [("", model)]
    tables = before
    for i, part in enumerate(location):
        if isinstance(part, int):
            path += f"[{part + 1}]"
            continue
        fields = [f for _, table in tables for name, f in table.model_fields.items() if (f.alias or name) == part]
        if fields or (unknown and i == len(location) - 1):
            path = _joined(path, part)
            before, free = tables, any(_free(f.annotation) for f in fields)
            tables = [one for f in fields[:1] for one in _tables(f.annotation, "", f.metadata)]
        elif free:
            path, free = _joined(path, part), False
        else:
            tables = [one for one in tables if one[0] == part] or tables
    keys = [field.alias or name for _, table in before for name, field in table.model_fields.items()]
    return path, list(dict.fromkeys(keys))


def _free(annotation: Any) -> bool:
    """Whether a table of this kind may have any keys."""
    return typing.get_origin(annotation) is dict or any(_free(part) for part in typing.get_args(annotation))


def _tables(annotation: Any, tag: str, metadata: Sequence[object] = ()) -> Iterator[tuple[str, type[BaseModel]]]:
    """Every table an annotation allows, each with the mark that a choice of it adds to a path."""
    tag = next((one.tag for one in metadata if isinstance(one, Tag)), tag)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        kind = annotation.model_fields.get("kind")
        words = typing.get_args(kind.annotation) if kind is not None else ()
        yield tag or (str(words[0]) if words else ""), annotation
    else:
        inner = getattr(annotation, "__metadata__", ())
        for part in typing.get_args(annotation):
            yield from _tables(part, tag, inner)
