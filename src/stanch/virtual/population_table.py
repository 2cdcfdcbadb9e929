"""A table of virtual patients: what their blood is made of and what every well and contrast truly reads."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, fields
from pathlib import Path

from stanch.errors import InputError
from stanch.estimate import Estimate
from stanch.quantities import QUANTITIES, UNITS
from stanch.readings.assay_records import AssayDocument
from stanch.recording.records import Additive, Well
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.population import VirtualPatient
from stanch.virtual.blood.records import FACTORS, Composition, Contents
from stanch.virtual.blood_tables import UNITS_OF_BLOOD, shown_factor, shown_key
from stanch.virtual.course import Course
from stanch.virtual.pace import Pace, PacedCourse
from stanch.virtual.sample import well_pace
from stanch.virtual.scenario import load_scenario
from stanch.virtual.true_contrasts import TrueWell, true_contrasts
from stanch.virtual.true_readings import true_curve, true_readings

__all__ = ["PATIENT_COLUMNS", "Bench", "demo_bench", "patient_table", "read_all", "scenario_bench"]

NOTE = "# demo data: virtual blood teaches and tests an assay; it does not predict a patient"
PATIENT_COLUMNS = ("subject", "sample", "kind", "sex", "disturbed")
_COMPOSITION = tuple(
    (one.name, f"{shown_key(one.name)} [{UNITS_OF_BLOOD[one.name]}]", 1.0 / UNITS[UNITS_OF_BLOOD[one.name]].scale)
    for one in fields(Composition)
    if one.name != "factors"
)
_READINGS = ("onset", "gel_time", "onset_delay", "early_modulus", "plateau", "steepest_rise", "remaining")
_DURATION, _FIRST, _LAST = 3600.0, 12.0, 3597.0


@dataclass(frozen=True)
class Bench:
    """The wells into which virtual blood is put, and how their curves are read.

    Parameters
    ----------
    wells : tuple of Well
    contents : tuple of Contents
        In the order of the wells.
    assay : AssayDocument
    choices : Choices
    begin, end : mapping of str to float
        First and last push since activation, by well [s].
    paces : mapping of str to Pace
        Of the wells whose block is off its temperature for a while.
    """

    wells: tuple[Well, ...]
    contents: tuple[Contents, ...]
    assay: AssayDocument
    choices: Choices
    begin: Mapping[str, float]
    end: Mapping[str, float]
    paces: Mapping[str, Pace] = field(default_factory=dict)


def demo_bench() -> Bench:
    """The six wells of the demo assay, an hour of pushes every 15 s.

    Returns
    -------
    Bench
    """
    from importlib.resources import files

    from stanch.readings.assay import load_assay

    text = files("stanch.virtual").joinpath("demo", "assay.toml").read_text(encoding="utf-8")
    assay = load_assay(text, where="demo assay")
    wells = tuple(Well(w.name, w.activator, tuple(Additive(a) for a in w.additives)) for w in assay.wells)
    contents = tuple(DEMO_WELLS[w.name] for w in wells)
    names = [w.name for w in wells]
    return Bench(wells, contents, assay, Choices(), dict.fromkeys(names, _FIRST), dict.fromkeys(names, _LAST))


def scenario_bench(path: str | Path) -> Bench:
    """The wells of a scenario document that hold blood.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    Bench

    Raises
    ------
    InputError
        If no well holds blood, or the scenario names no assay document.
    """
    from stanch.readings.assay import load_assay

    path = Path(path)
    scenario = load_scenario(path)
    known = {i: one for i in range(len(scenario.well)) if (one := scenario.contents_record(i)) is not None}
    if not known or scenario.blood is None:
        raise InputError(f"scenario {path}", got="no well with blood", allowed="[blood] and [well.contents]")
    if scenario.assay is None:
        raise InputError(f"scenario {path}: assay", got="none", allowed="the assay document that reads the curves")
    found = path.parent / scenario.assay
    assay = load_assay(found.read_text(encoding="utf-8"), where=found.name)
    wells = tuple(scenario.well_record(i) for i in known)
    times = {scenario.well[i].name: scenario.push_times(i) for i in known}
    begin, end = ({name: t[k] for name, t in times.items()} for k in (0, -1))
    choices = scenario.blood.choice_record()
    found_paces = {scenario.well[i].name: well_pace(scenario, i, choices.q10) for i in known}
    paces = {name: pace for name, pace in found_paces.items() if pace is not None}
    return Bench(wells, tuple(known.values()), assay, choices, begin, end, paces)


def read_all(bench: Bench, composition: Composition) -> dict[str, Estimate]:
    """True readings and contrasts of one sample.

    Parameters
    ----------
    bench : Bench
    composition : Composition

    Returns
    -------
    dict of str to Estimate
        By "well: reading" and by name of the contrast [SI unit].
    """
    names = [well.name for well in bench.wells]
    ends = [float(bench.paces[name].age(end)) if name in bench.paces else end for name, end in bench.end.items()]
    duration = max(*ends, _FIRST) + 2.0
    own = dict(zip(names, courses(composition, bench.contents, bench.choices, duration=duration), strict=True))
    made: dict[str, Course] = {
        name: PacedCourse(one, bench.paces[name]) if name in bench.paces else one for name, one in own.items()
    }
    frequency = bench.assay.settings.stated_frequency
    read = true_readings(made, bench.assay.definitions(), begin=bench.begin, end=bench.end, frequency=frequency)
    known = {
        well.name: TrueWell(
            well,
            true_curve(made[well.name], bench.begin[well.name], bench.end[well.name], frequency),
            read[well.name],
        )
        for well in bench.wells
    }
    found = {f"{name}: {key}": read[name][key] for name in names for key in _READINGS}
    found.update(true_contrasts(known, bench.assay.contrasts, bench.assay.definitions()))
    return found


def patient_table(
    patients: Sequence[VirtualPatient],
    bench: Bench,
    *,
    processes: int = 1,
    progress: Callable[[float], None] = lambda _fraction: None,
) -> str:
    """The table as CSV text: a row per sample; a bound is written as such, an empty cell is "none".

    The first line is a note, from which protocols of verification know that the data are invented.

    Parameters
    ----------
    patients : sequence of VirtualPatient
    bench : Bench
    processes : int
        How many work at once [-]; the table does not depend on it.
    progress : callable
        Told the fraction done [-].

    Returns
    -------
    str
    """
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    sink.write(f"{NOTE}\n")
    header: list[str] | None = None
    for number, (patient, found) in enumerate(zip(patients, _each(patients, bench, processes))):
        shown = {_title(name, bench): _cell(name, one, bench) for name, one in found.items()}
        if header is None:
            factors = [f"{shown_factor(name)} [%]" for name in FACTORS]
            header = [*PATIENT_COLUMNS, *(title for _, title, _ in _COMPOSITION), *factors, *shown]
            writer.writerow(header)
        writer.writerow([*_patient_cells(patient), *shown.values()])
        progress((number + 1) / len(patients))
    return sink.getvalue()


def _each(patients: Sequence[VirtualPatient], bench: Bench, processes: int) -> Iterator[dict[str, Estimate]]:
    compositions = [patient.composition for patient in patients]
    if processes <= 1:
        for composition in compositions:
            yield read_all(bench, composition)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from pool.map(read_all, [bench] * len(compositions), compositions, chunksize=8)


def _patient_cells(patient: VirtualPatient) -> list[str]:
    c = patient.composition
    told = [f"{getattr(c, key) * scale:.6g}" for key, _, scale in _COMPOSITION]
    factors = [f"{100 * c.factor(name):.6g}" for name in FACTORS]
    return [
        patient.subject,
        str(patient.number + 1),
        patient.kind,
        patient.sex,
        "; ".join(patient.disturbed),
        *told,
        *factors,
    ]


def _unit(name: str, bench: Bench) -> str | None:
    """Unit at the surface; None is that of the estimate."""
    contrast = next((c for c in bench.assay.contrasts if c.name == name), None)
    if contrast is None:
        return QUANTITIES[name.rpartition(": ")[2]].unit
    if contrast.kind in ("ratio", "share"):
        return "1" if contrast.kind == "ratio" else "%"
    key = (contrast.report or "retention") if contrast.kind == "decline" else str(contrast.reading)
    return QUANTITIES[key].unit


def _title(name: str, bench: Bench) -> str:
    unit = _unit(name, bench)
    return name if unit in (None, "1") else f"{name} [{unit}]"


def _cell(name: str, found: Estimate, bench: Bench) -> str:
    unit = _unit(name, bench)
    if unit is not None and UNITS[unit].kind == UNITS[found.unit].kind:
        found = found.scaled(unit)
    if found.status == "above":
        return f">{found.low:.6g}"
    if found.status == "below":
        return f"<{found.high:.6g}"
    return "" if found.value is None else f"{found.value:.6g}"
