"""Scenario documents: what a virtual run is made of, as TOML."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    Field,
    StrictBool,
    ValidationError,
    model_validator,
)

from stanch.documents import Faults, faults_of, nearest
from stanch.errors import DocumentError
from stanch.recording.records import Acquisition, Additive, SampleFacts, Well
from stanch.virtual.blood.records import RANGES, Contents
from stanch.virtual.blood_tables import BloodTable
from stanch.virtual.document import Moment, Table, Text, Whole
from stanch.virtual.faults import Dilution, ExpiredLot, Fault, TemperatureShift, UnderFill, temperature_steps
from stanch.virtual.scenario_tables import (
    AcquisitionTable,
    GeometryTable,
    InstrumentTable,
    RunTable,
    SampleTable,
    WellTable,
)

__all__ = ["SCHEMA", "Scenario", "load_scenario", "parse_scenario"]

SCHEMA = "stanch.scenario/1"
MAX_BYTES = 1_000_000
"""Largest scenario document [byte]."""


class Scenario(Table):
    """A scenario document, read and checked; all quantities in SI units."""

    schema_: Literal["stanch.scenario/1"] = Field(alias="schema")
    name: Text
    seed: Annotated[Whole, Field(ge=0, lt=2**63)]
    demo: StrictBool = True
    started_at: Moment | None = None
    assay: Text | None = None
    operator: Text | None = None
    sample: SampleTable
    blood: BloodTable | None = None
    run: RunTable
    acquisition: AcquisitionTable
    geometry: GeometryTable
    instrument: InstrumentTable
    well: Annotated[tuple[WellTable, ...], Field(min_length=1, max_length=64)]
    fault: tuple[Fault, ...] = ()
    folder: str | None = Field(default=None, exclude=True)

    @model_validator(mode="after")
    def _agrees(self) -> Scenario:
        names = [w.name for w in self.well]
        problems = []
        for i, name in enumerate(names):
            if name in names[:i]:
                problems.append(
                    (f"well[{i + 1}].name", f"got {name!r} twice; allowed: a name of its own for each well")
                )
        for i, fault in enumerate(self.fault):
            problems += [
                (f"fault[{i + 1}].wells", f"got {w!r}{nearest(w, names)}") for w in fault.wells or () if w not in names
            ]
        problems += [p for i, f in enumerate(self.fault) for p in self._fault_problems(i, f)]
        problems += self._blood_problems()
        if self.run.push_interval <= self.acquisition.push_span:
            got = f"got '{self.run.push_interval:g} s'"
            allowed = f"above {self.acquisition.push_span:g} s, which all frames of a push take"
            problems.append(("run.push_interval", f"{got}; allowed: {allowed}"))
        if any(f.kind in ("expired_lot", "stale_sample", "clock") for f in self.fault) and self.started_at is None:
            problems.append(
                ("started_at", "missing; allowed: a time with offset, since a fault shifts a date or clock")
            )
        if problems:
            raise Faults(problems)
        return self

    def _fault_problems(self, index: int, fault: Fault) -> Iterator[tuple[str, str]]:
        """What of a fault does not fit its wells."""
        wells = [w for w in self.well if fault.hits(w.name)]
        if isinstance(fault, ExpiredLot):
            reagents = sorted({r for w in wells for r in (w.activator, *(a.name for a in w.additives)) if r})
            if fault.reagent not in reagents:
                allowed = ", ".join(reagents) or "nothing, since no reagent is stated"
                yield f"fault[{index + 1}].reagent", f"got {fault.reagent!r}; allowed: {allowed}"
        if isinstance(fault, UnderFill):
            for table in {w.geometry or self.geometry for w in wells}:
                if not table.focus_height < fault.height < table.well_depth:
                    low, high = 1e3 * table.focus_height, 1e3 * table.well_depth
                    got = f"got '{1e3 * fault.height:g} mm'"
                    allowed = f"between {low:g} mm (focus) and {high:g} mm (well)"
                    yield f"fault[{index + 1}].height", f"{got}; allowed: {allowed}"

    def _blood_problems(self) -> Iterator[tuple[str, str]]:
        """What of the blood and of the wells that hold it does not fit."""
        holding = [i for i, w in enumerate(self.well) if w.contents is not None]
        if self.blood is None:
            yield from ((f"well[{i + 1}].contents", "needs blood; allowed: with a table [blood]") for i in holding)
        elif not holding:
            yield "blood", "no well holds it; allowed: with a table [well.contents] in at least one well"
        for i in holding:
            low, high = RANGES["temperature"]
            if not low <= self._contents(i)["temperature"] <= high:
                yield "instrument.temperature", f"got {self.instrument.temperature:g} K; allowed: {low:g} to {high:g} K"
                return
            yield from self._shift_problems(i)
            low, high = RANGES["blood_share"]
            share = self._contents(i)["blood_share"]
            if not low <= share <= high:
                where = f"well[{i + 1}].sample_volume"
                for k, fault in enumerate(self.fault):
                    if isinstance(fault, Dilution) and fault.hits(self.well[i].name):
                        where = f"fault[{k + 1}].share"
                got = f"blood is {100 * share:.4g} % of {self.well[i].name}"
                yield where, f"{got}; allowed: {100 * low:g} to {100 * high:g} %"

    def _shift_problems(self, index: int) -> Iterator[tuple[str, str]]:
        """Faults that take the blood of a well out of the temperatures that it is made for."""
        name, own = self.well[index].name, self._contents(index)["temperature"]
        low, high = RANGES["temperature"]
        for time, shift in temperature_steps(self.fault, name):
            if not low <= own + shift <= high:
                k = max(i for i, f in enumerate(self.fault) if isinstance(f, TemperatureShift) and f.hits(name))
                got = f"the blood of {name} is at {own + shift:g} K from {time:g} s of the run"
                yield f"fault[{k + 1}].shift", f"{got}; allowed: {low:g} to {high:g} K"
                return

    def _contents(self, index: int) -> dict[str, float]:
        """Share of blood and temperature of a well, with the faults that change them."""
        table = self.well[index]
        stated = table.contents
        share = None if stated is None else stated.blood_share
        if share is None:
            known = table.sample_volume is not None and table.final_volume is not None
            share = (table.sample_volume or 0.0) / (table.final_volume or 1.0) if known else 1.0
        for fault in self.fault:
            if isinstance(fault, Dilution) and fault.hits(table.name):
                share *= fault.share
        temperature = None if stated is None else stated.temperature
        return {
            "blood_share": share,
            "temperature": self.instrument.temperature if temperature is None else temperature,
        }

    def contents_record(self, index: int) -> Contents | None:
        """What one well adds to the blood, with a fault of dilution; None where its curve is stated instead."""
        table = self.well[index].contents
        return None if table is None else table.record(**self._contents(index))

    def push_times(self, index: int) -> list[float]:
        """Push times of a well since its activation [s]."""
        first = self.run.first_push + index * self.run.stagger
        return [first + k * self.run.push_interval for k in range(self.run.pushes)]

    def acquisition_record(self) -> Acquisition:
        """The acquisition in SI units."""
        values = self.acquisition.model_dump(
            exclude={"frame_interval", "frames", "late_frames", "last_frame", "samples"}
        )
        return Acquisition(**values)

    def sample_record(self) -> SampleFacts:
        """The sample facts."""
        return SampleFacts(**self.sample.model_dump(), demo=self.demo)

    def well_record(self, index: int) -> Well:
        """One well's facts."""
        table = self.well[index]
        values = table.model_dump(exclude={"additives", "curve", "contents", "geometry", "activated_after"})
        activated = None
        if self.started_at is not None:
            moment = datetime.fromisoformat(self.started_at) + timedelta(seconds=table.activated_after)
            activated = moment.isoformat()
        additives = tuple(Additive(**a.model_dump()) for a in table.additives)
        return Well(**values, additives=additives, activated_at=activated)


def parse_scenario(text: str, *, where: str = "scenario", folder: str | Path | None = None) -> Scenario:
    """Read a scenario document.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        Name for messages.
    folder : path, optional
        Against which the assay document is named.

    Returns
    -------
    Scenario

    Raises
    ------
    DocumentError
        With every fault found, each beginning with its path in the document.
    """
    if len(text) > MAX_BYTES:
        raise DocumentError(where, got=f"{len(text)} characters", allowed=f"up to {MAX_BYTES}")
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DocumentError(where, problems=[f"not TOML: {error}"], do="Correct the syntax.") from None
    schema = data.get("schema")
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("stanch.scenario/")
        do = "It was written for another version of Stanch." if newer else f'Begin with schema = "{SCHEMA}".'
        raise DocumentError(where, problems=[f"schema: got {schema!r}; allowed: {SCHEMA}"], do=do)
    data.pop("folder", None)
    try:
        return Scenario.model_validate({**data, "folder": None if folder is None else str(folder)})
    except ValidationError as error:
        raise DocumentError(where, problems=faults_of(error, Scenario), do="Correct the document.") from None


def load_scenario(source: str | Path) -> Scenario:
    """Read a scenario from a file, or from text if it has a line break.

    Parameters
    ----------
    source : path or str
        A file name, or the TOML text itself.

    Returns
    -------
    Scenario

    Raises
    ------
    DocumentError
        If it cannot be read.
    """
    if isinstance(source, str) and "\n" in source:
        return parse_scenario(source)
    path = Path(source)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise DocumentError(str(path), got=f"{path.stat().st_size} bytes", allowed=f"up to {MAX_BYTES}")
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        what = getattr(error, "strerror", None) or "not UTF-8 text"
        raise DocumentError(str(path), got=what, allowed="a readable scenario document") from None
    return parse_scenario(text, where=str(path), folder=path.parent)
