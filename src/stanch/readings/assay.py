"""The assay document: everything that turns curves into words, read and checked with all errors at once."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from pydantic import ValidationError

from stanch.documents import faults_of
from stanch.errors import DocumentError
from stanch.readings.assay_checks import READINGS, Compiler, canonical_text
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
        problems = faults_of(error, AssayText)
        faults: list[dict[str, Any]] = [dict(one) for one in error.errors(include_url=False)]
    except RecursionError:
        raise DocumentError("assay document", problems=["nested too deeply"], do="Correct the document.") from None
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
