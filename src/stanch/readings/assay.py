"""The assay document: everything that turns curves into words, read and checked with all errors at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

from stanch.errors import DocumentError
from stanch.readings.assay_checks import READINGS, Compiler, canonical_text, nearest
from stanch.readings.assay_records import AssayDocument
from stanch.readings.assay_schema import AssayText

__all__ = ["READINGS", "SCHEMA", "AssayDocument", "canonical_text", "load_assay"]

SCHEMA = "stanch.assay/1"
TABLES = ("well", "contrast", "limit", "pair", "rule")


def load_assay(text: str, where: str) -> AssayDocument:
    """Read an assay document.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        Name of the document, for messages.

    Returns
    -------
    AssayDocument

    Raises
    ------
    DocumentError
        If it is not TOML, of a newer schema, or wrong anywhere; every fault is listed with its path.
    """
    try:
        raw = tomllib.loads(text.removeprefix("\ufeff").replace("\r\n", "\n"))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DocumentError(where, problems=[f"not valid TOML: {error}"], do="Correct the line named.") from None
    _check_schema(raw, where)
    written, problems, places = _validated(raw)
    compiler = Compiler(written, raw, places)
    document = compiler.document(text, where)
    problems += compiler.problems
    if problems:
        raise DocumentError(where, problems=problems, do="Correct the document.")
    return document


def _validated(raw: dict[str, Any]) -> tuple[AssayText, list[str], dict[str, list[int]]]:
    """The document without its malformed parts, what is malformed, and where the kept entries of each table stood.

    The parts that are well formed are still checked against each other, so that all faults are told at once.
    """
    places = {name: list(range(1, len(raw[name]) + 1)) for name in TABLES if isinstance(raw.get(name), list)}
    try:
        return AssayText.model_validate(raw), [], places
    except ValidationError as error:
        faults: list[dict[str, Any]] = [dict(one) for one in error.errors(include_url=False)]
    except RecursionError:
        raise DocumentError("assay document", problems=["nested too deeply"], do="Correct the document.") from None
    problems = [_problem(one) for one in faults]
    kept: dict[str, Any] = dict(raw)
    for one in faults:
        location: tuple[Any, ...] = one["loc"]
        name = str(location[0]) if location else ""
        entries = raw.get(name)
        if name in TABLES and len(location) > 1 and isinstance(location[1], int) and isinstance(entries, list):
            places[name] = [k for k in places[name] if k != location[1] + 1]
            kept[name] = [entries[k - 1] for k in places[name]]
        else:
            kept.pop(name, None)
            places.pop(name, None)
    if not kept.get("well", True):
        kept.pop("well")
    stand_in = {"name": "unnamed", "onset_modulus": "1 Pa", "hold": "1 s", "follow": "1 s"}
    return AssayText.model_validate({**stand_in, **kept}), problems, places


def _check_schema(raw: dict[str, Any], where: str) -> None:
    schema = raw.get("schema")
    if schema == SCHEMA:
        return
    match = re.fullmatch(r"stanch\.assay/(\d{1,6})", schema) if isinstance(schema, str) else None
    do = f'Begin the document with schema = "{SCHEMA}".'
    if match is not None and int(match.group(1)) > 1:
        do = "It was written for a newer version; update Stanch."
    got = "nothing" if schema is None else repr(schema)[:80]
    raise DocumentError(where, problems=[f"schema: got {got}; allowed: {SCHEMA}"], do=do)


def _path(parts: Sequence[object]) -> str:
    text = ""
    for part in parts:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        elif isinstance(part, str) and not part.startswith(("constrained-", "list[", "literal[", "function-")):
            text += f".{part}" if text else part
    return text


def _problem(error: dict[str, Any]) -> str:
    """One line: path, what was got, what is allowed."""
    location = tuple(error["loc"])
    path = _path(location)
    kind, context = str(error["type"]), dict(error.get("ctx") or {})
    if kind == "extra_forbidden":
        return f"{path}: unknown key{nearest(str(location[-1]), _keys_at(location[:-1]))}"
    if kind == "missing":
        return f"{path}: missing; allowed: it must be given"
    if kind == "value_error":
        return f"{path}: {str(error['msg']).removeprefix('Value error, ')}"
    value = error.get("input")
    got = value if isinstance(value, str) else repr(value)
    got = got if got.isprintable() else repr(got)
    if kind == "literal_error":
        expected = str(context.get("expected", "")).replace("'", "").replace(" or ", ", ")
        hint = nearest(got, expected.split(", "), listing=False)
        return f"{path}: got {got[:80]}; allowed: {expected}{hint}"
    if kind in ("list_type", "model_type", "dict_type") and isinstance(value, dict | list):
        got = "a table" if isinstance(value, dict) else "a list"
    return f"{path}: got {got[:80]}; allowed: {str(error['msg']).removeprefix('Input should be ')}"


def _keys_at(location: Sequence[object]) -> list[str]:
    """Keys allowed in the table at this place."""
    model: type[BaseModel] = AssayText
    for part in location:
        if not isinstance(part, str):
            continue
        for name, field in model.model_fields.items():
            if (field.alias or name) == part:
                found = _model_in(field.annotation)
                model = found if found is not None else model
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_in(inner)
        if found is not None:
            return found
    return None
