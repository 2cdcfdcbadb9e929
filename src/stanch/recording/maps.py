"""The map document: how to read foreign data.

Described for users in ``docs/reference/map-document.md``. Every quantity is text with its unit; every fault of a
document is reported at once, each with its path.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from stanch.documents import faults_of, said
from stanch.errors import DocumentError, StanchError
from stanch.recording.map_tables import GeometryTable, MapTable, WellTable
from stanch.recording.records import Acquisition, Additive, Geometry, SampleFacts, Well, blood_density

__all__ = ["MAP_SCHEMA", "MapDocument", "WellMap", "load_map", "parse_map"]

MAP_SCHEMA = "stanch.map/1"
_MAX_BYTES = 1 << 20


@dataclass(frozen=True)
class WellMap:
    """One well of a map, with its records built."""

    well: Well
    geometry: Geometry | None
    table: WellTable


@dataclass(frozen=True)
class MapDocument:
    """A valid map.

    Parameters
    ----------
    where : str
        Its name, for messages.
    table : MapTable
        As written.
    sample : SampleFacts
    acquisition : Acquisition or None
        None when every well holds a modulus.
    geometry : Geometry or None
    wells : tuple of WellMap
    """

    where: str
    table: MapTable
    sample: SampleFacts
    acquisition: Acquisition | None
    geometry: Geometry | None
    wells: tuple[WellMap, ...]


def load_map(path: str | os.PathLike[str]) -> MapDocument:
    """Read and check a map document.

    Raises
    ------
    DocumentError
        With every fault found.
    """
    where = f"map {Path(path)}"
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(_MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        got = getattr(error, "strerror", None) or str(error)
        raise DocumentError(where, got=got, allowed="a readable TOML file", do="Check the name.") from None
    if len(data) > _MAX_BYTES:
        raise DocumentError(where, got=f"more than {_MAX_BYTES} bytes", allowed="a TOML document", do="Name the map.")
    try:
        document = tomllib.loads(data.decode())
    except UnicodeDecodeError:
        raise DocumentError(where, got="bytes that are not UTF-8", allowed="a TOML document in UTF-8") from None
    except (ValueError, RecursionError) as error:
        got = str(error) or type(error).__name__
        raise DocumentError(where, got=got, allowed="a TOML document", do="Correct the line.") from None
    return parse_map(document, where)


def parse_map(document: Mapping[str, Any], where: str = "map") -> MapDocument:
    """Check a map document that is already data.

    Raises
    ------
    DocumentError
        With every fault found.
    """
    got = document.get("schema")
    if got != MAP_SCHEMA:
        newer = isinstance(got, str) and got.startswith("stanch.map/")
        do = "Update this program to read it." if newer else f'Begin with schema = "{MAP_SCHEMA}".'
        raise DocumentError(f"{where}: schema", got="nothing" if got is None else got, allowed=MAP_SCHEMA, do=do)
    try:
        table = MapTable.model_validate(dict(document))
    except ValidationError as error:
        raise DocumentError(where, problems=faults_of(error, MapTable)) from None
    except RecursionError:
        raise DocumentError(where, got="tables nested too deeply", allowed="the tables of a map") from None
    return _build(table, where)


def _build(table: MapTable, where: str) -> MapDocument:
    problems: list[str] = []

    def attempt(path: str, make: Callable[[], Any]) -> Any:
        try:
            return make()
        except StanchError as error:
            problems.append(f"{path}.{error.where}: {said(error)}")
            return None

    facts = table.recording.model_dump(exclude={"instrument", "operator", "started_at", "assay", "notes"})
    for key in ("drugs", "products"):
        facts[key] = None if facts[key] is None else tuple(facts[key])
    sample = attempt("recording", lambda: SampleFacts(**facts))
    wells = tuple(_well(entry) for entry in table.well)
    names = [entry.name for entry in table.well]
    problems += [
        f"well[{i + 1}].name: got {n}; two wells have this name" for i, n in enumerate(names) if n in names[:i]
    ]
    acquisition = None
    if any(entry.echo or entry.displacement for entry in table.well):
        acquisition = _acquisition(table, problems, attempt)
    problems += _time_problems(table)
    if problems:
        raise DocumentError(where, problems=problems)
    return MapDocument(where, table, sample, acquisition, _geometry(table.geometry), wells)


def _geometry(table: GeometryTable | None) -> Geometry | None:
    return None if table is None else Geometry(**table.model_dump())


def _acquisition(table: MapTable, problems: list[str], attempt: Callable[..., Any]) -> Acquisition | None:
    values = table.acquisition.model_dump(exclude={"frame_interval", "frame_times", "push_time"})
    haematocrit = table.recording.haematocrit
    if values["density"] is None and haematocrit is not None:
        values["density"] = blood_density(haematocrit)
    required = [key for key in values if key not in ("echo_form", "demodulation_frequency")]
    missing = [key for key in required if values[key] is None]
    problems += [f"acquisition.{key}: got nothing; it is required with echo or displacement" for key in missing]
    if missing:
        return None
    made: Acquisition | None = attempt("acquisition", lambda: Acquisition(**values))
    return made


def _time_problems(table: MapTable) -> list[str]:
    common, problems = table.acquisition, []
    interval = common.frame_interval
    if interval is not None and interval <= 0:
        problems.append(f"acquisition.frame_interval: got {interval} s; allowed: a positive time")
    if interval is not None and common.frame_times is not None:
        problems.append("acquisition.frame_times: got a value beside frame_interval; give one of the two")
    for i, entry in enumerate(table.well):
        if entry.push_time is None and common.push_time is None:
            problems.append(f"well[{i + 1}].push_time: got nothing; give it here or in [acquisition]")
        if (entry.echo or entry.displacement) and not (entry.frame_times or common.frame_times or interval):
            problems.append(f"well[{i + 1}].frame_times: got nothing; give it, or frame_interval in [acquisition]")
    return problems


def _well(entry: WellTable) -> WellMap:
    values = {
        key: getattr(entry, key)
        for key in (
            *("name", "activator", "activator_amount", "activator_lot", "activator_expiry"),
            *("sample_volume", "final_volume", "fill_height", "activated_at"),
        )
    }
    additives = tuple(Additive(a) if isinstance(a, str) else Additive(**a.model_dump()) for a in entry.additives)
    well = Well(
        additives=additives,
        activation_offset=entry.activation_offset or 0.0,
        activation_sd=entry.activation_sd,
        **values,
    )
    return WellMap(well, _geometry(entry.geometry), entry)
