"""What a recording holds, as text."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

from stanch.recording.records import Additive, Well

if TYPE_CHECKING:
    from stanch.recording.container import Recording

__all__ = ["describe"]


def describe(recording: Recording) -> str:
    """Say what a recording holds: sample, wells, acquisition, geometry, logs and identity.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    str
        Several lines; unknown facts are named as unknown.
    """
    sample = recording.sample
    lines = [
        f"sample      {sample.sample}{' (demo data)' if sample.demo else ''}",
        f"role        {sample.role or 'unknown'}",
        f"state       {_state(recording)}",
        f"started     {recording.started_at or 'unknown'}",
        f"instrument  {recording.instrument or 'unknown'}",
        f"operator    {recording.operator or 'unknown'}",
        f"assay       {_assay(recording)}",
        f"identity    {recording.identity()}",
        "",
        "wells",
    ]
    lines += [f"  {_well(recording, well)}" for well in recording.wells]
    for title, record in (("acquisition", recording.acquisition), ("geometry", recording.geometry)):
        lines += ["", title]
        if record is None:
            lines.append("  none")
            continue
        lines += [f"  {f.name:22s}{_plain(getattr(record, f.name))}" for f in fields(record)]
    time, kelvin = recording.temperatures()
    lines += ["", "temperature"]
    if time.size:
        lines.append(f"  {time.size} values, {kelvin.min() - 273.15:.2f} to {kelvin.max() - 273.15:.2f} Cel")
    else:
        lines.append("  none recorded")
    notes = recording.notes()
    lines += ["", "notes"]
    lines += [f"  {note.at or ''}  {note.text}" for note in notes] or ["  none"]
    lines += ["", "unknown facts", "  " + (", ".join(sample.unknown()) or "none")]
    return "\n".join(lines)


def _state(recording: Recording) -> str:
    if recording.state == "closed":
        return "closed"
    return "recording: not closed; the run ends at the last committed push"


def _assay(recording: Recording) -> str:
    if recording.assay_sha256 is None:
        return "none kept in the recording"
    return f"kept in the recording, sha256 {recording.assay_sha256[:16]}…"


def _well(recording: Recording, well: Well) -> str:
    count = recording.push_count(well.name)
    time = recording.push_time(well.name)
    span = f"{time[0]:.0f} to {time[-1]:.0f} s" if count else "no push"
    shape = " x ".join(map(str, recording.block_shape(well.name)))
    per_push = f", each {shape}" if shape else ""
    additives = ", ".join(_additive(a) for a in well.additives) or "no additives"
    activator = well.activator or "activator unknown"
    return f"{well.name}: {recording.kind(well.name)}, {count} pushes{per_push}, {span}; {activator}; {additives}"


def _additive(additive: Additive) -> str:
    extra = [text for text in (additive.amount, additive.lot and f"lot {additive.lot}") if text]
    return f"{additive.name} ({', '.join(extra)})" if extra else additive.name


def _plain(value: object) -> str:
    if value is None:
        return "unknown"
    return f"{value:g}" if isinstance(value, float) else str(value)
