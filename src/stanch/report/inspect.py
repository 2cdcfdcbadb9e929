"""What a recording holds, as plain text."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

from stanch.recording.records import Well
from stanch.report.surface import moduli_are, printable

if TYPE_CHECKING:
    from stanch.recording.reader import Recording

__all__ = ["describe"]

_SHOWN = {  # key: (factor, unit)
    "haematocrit": (100.0, " %"),
    "platelets": (1e-12, " 10^9/L"),
    "fibrinogen": (1.0, " g/L"),
    "sampling_rate": (1e-6, " MHz"),
    "centre_frequency": (1e-6, " MHz"),
    "demodulation_frequency": (1e-6, " MHz"),
    "sound_speed": (1.0, " m/s"),
    "density": (1.0, " kg/m^3"),
    "push_duration": (1e6, " us"),
    "first_sample_depth": (1e3, " mm"),
    "well_radius": (1e3, " mm"),
    "well_depth": (1e3, " mm"),
    "focus_height": (1e3, " mm"),
    "push_radius": (1e3, " mm"),
    "push_length": (1e3, " mm"),
    "beam_radius": (1e3, " mm"),
}


def describe(recording: Recording) -> str:
    """Say what a recording holds, without reading its pushes.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    str
    """
    state = "closed" if recording.state == "closed" else "not closed: it ends at its last committed push"
    times, kelvin = recording.temperatures()
    lines = [
        f"recording  {recording.path}",
        f"identity   {recording.identity()}",
        f"state      {state}",
        f"started    {recording.started_at or 'unknown'}",
        f"instrument {recording.instrument or 'unknown'}",
        f"operator   {recording.operator or 'unknown'}",
        f"assay      {recording.assay_sha256 or 'none'}",
    ]
    if recording.assay_text is not None:
        lines.append(f"moduli     {_moduli(recording.assay_text)}")
    if kelvin.size:
        low, high = float(kelvin.min()) - 273.15, float(kelvin.max()) - 273.15
        lines.append(f"block      {low:.1f} to {high:.1f} Cel, {times.size} readings")
    lines += ["", "sample", *_facts(recording.sample)]
    if recording.acquisition is not None:
        lines += ["", "acquisition", *_facts(recording.acquisition)]
    if recording.geometry is not None:
        lines += ["", "geometry", *_facts(recording.geometry)]
    lines += ["", "wells"]
    for well in recording.wells:
        lines += _well(recording, well)
    notes = recording.notes()
    if notes:
        lines += ["", "notes", *(f"  {note.at or 'time unknown'}  {printable(note.text)}" for note in notes)]
    return "\n".join(lines)


def _moduli(assay_text: str) -> str:
    """What moduli an analysis by the recording's own assay document states."""
    from stanch.errors import DocumentError
    from stanch.readings.assay import load_assay

    try:
        settings = load_assay(assay_text, "assay document in the recording").settings
    except DocumentError:
        return "unknown: the assay document in the recording cannot be read"
    return moduli_are(settings.rheology, settings.stated_frequency)


def _well(recording: Recording, well: Well) -> list[str]:
    shape = " x ".join(str(n) for n in recording.block_shape(well.name))
    kind = recording.kind(well.name)
    line = f"  {printable(well.name)}: {recording.push_count(well.name)} pushes of {kind}"
    if shape:
        line += f", {shape} {recording.dtype(well.name)}"
    times = recording.push_time(well.name)
    if times.size:
        line += f", {times[0]:.0f} to {times[-1]:.0f} s after activation"
    reagents = [("activator", well.activator, well.activator_amount, well.activator_lot, well.activator_expiry)]
    reagents += [("additive", a.name, a.amount, a.lot, a.expiry) for a in well.additives]
    lines = [line]
    for role, name, amount, lot, expiry in reagents:
        told = [printable(name) if name is not None else "unknown"]
        told += [
            f"{word} {printable(value)}"
            for word, value in (("amount", amount), ("lot", lot), ("expiry", expiry))
            if value
        ]
        lines.append(f"    {role}: {', '.join(told)}")
    return lines


def _facts(record: Any) -> list[str]:
    width = max(len(f.name) for f in fields(record))
    return [f"  {f.name.ljust(width)}  {_fact(f.name, getattr(record, f.name))}" for f in fields(record)]


def _fact(name: str, value: object) -> str:
    if value is None:
        return "unknown"
    if isinstance(value, tuple):
        return ", ".join(printable(str(v)) for v in value) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        factor, unit = _SHOWN.get(name, (1.0, ""))
        return f"{value * factor:.6g}{unit}"
    return printable(str(value))
