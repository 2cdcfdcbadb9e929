"""Forecasts of a recording, also of one that is still being written: what each well and pair is heading for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import TYPE_CHECKING

from stanch.errors import InputError
from stanch.estimate import Estimate
from stanch.pipeline import analyse
from stanch.readings.assay_records import AssayDocument
from stanch.readings.definitions import Definitions
from stanch.readings.forecast.forecast import Forecaster, curve_until
from stanch.readings.forecast.library import well_class
from stanch.readings.forecast.records import Forecast, KineticPrior
from stanch.result import Result, WellResult

if TYPE_CHECKING:
    from stanch.recording.reader import Recording

__all__ = ["Outlook", "OutlookRow", "look_ahead"]

LAG = 60.0
"""How far a well's last push may lie behind the time of a forecast; beyond it the forecast is for that push [s]."""


@dataclass(frozen=True)
class OutlookRow:
    """One forecast of a recording.

    Parameters
    ----------
    name : str
        Of the quantity, or of the contrast as the assay document has it.
    well, other : str
        The well; for a contrast base and other, else empty.
    forecast : Forecast
    reading : Estimate or None
        The ordinary reading from the same pushes; None where there is none yet.
    """

    name: str
    well: str
    other: str
    forecast: Forecast
    reading: Estimate | None


@dataclass(frozen=True)
class Outlook:
    """The forecasts of a recording at one or several times.

    Parameters
    ----------
    identity : str
        Of the recording as far as it was used.
    sample : str
    assay_name, assay_sha256 : str
    definitions : Definitions
    prior : KineticPrior
    rows : tuple of OutlookRow
    software, created, source : str
    demo : bool
        Whether sample or assay document is invented.
    """

    identity: str
    sample: str
    assay_name: str
    assay_sha256: str
    definitions: Definitions
    prior: KineticPrior
    rows: tuple[OutlookRow, ...]
    software: str
    created: str
    source: str
    demo: bool = False


def look_ahead(
    source: str | PathLike[str],
    prior: KineticPrior,
    assay: AssayDocument | None = None,
    *,
    at: Sequence[float] = (),
    seed: int = 0,
    now: str | None = None,
) -> Outlook:
    """Forecast every well and every retention of a recording.

    Parameters
    ----------
    source : path-like
        The recording; what came after the time of a forecast is not looked at.
    prior : KineticPrior
    assay : AssayDocument, optional
        Overrides the one in the recording.
    at : sequence of float
        Times since each well's activation [s]; by default each well's last push. A well whose pushes ended more than
        a minute before is forecast from its last push.
    seed : int
        Of every random draw [-].
    now : str, optional
        UTC time with offset to print.

    Returns
    -------
    Outlook

    Raises
    ------
    InputError
        If there is no assay document, or a time is not within the prior's runs or lies after the last push.
    """
    from stanch.readings.assay import load_assay
    from stanch.recording.container import open_recording

    rows: list[OutlookRow] = []
    result = None
    for time in at or (None,):
        if time is not None and not 0.0 < time <= prior.run:
            raise InputError("at", got=f"{time / 60:g} min", allowed=f"above 0 to {prior.run / 60:g} min of the prior")
        with open_recording(source) as opened:
            if assay is None and opened.assay_text is not None:
                assay = load_assay(opened.assay_text, where="assay document in the recording")
            if assay is None:
                raise InputError(
                    "assay document", got="none", allowed="one", do="Name it with --assay: forecasts need its readings."
                )
            if time is not None:
                _check_reached(opened, time)
                opened.show_until(time)
            result = analyse(opened, assay, seed=seed, now=now)
        teller = Forecaster(prior, assay.definitions(), seed=seed)
        rows += _rows(result, assay, teller, time)
    assert result is not None
    assert assay is not None
    return Outlook(
        result.identity, result.sample.sample, assay.name, assay.sha256, assay.definitions(), prior, tuple(rows),
        result.software, result.created, result.source, bool(result.sample.demo) or assay.demo,
    )  # fmt: skip


def _rows(result: Result, assay: AssayDocument, teller: Forecaster, time: float | None) -> list[OutlookRow]:
    wells = {well.well.name: well for well in result.wells}
    rows = []
    for name, well in wells.items():
        now = _now(well, time, teller.prior.run)
        curve = None if well.moduli is None else curve_until(well.moduli, now, offset=well.well.activation_offset)
        found = teller.well(curve, _class(well), now, offset=well.well.activation_offset)
        for key, forecast in found.items():
            reading = None if well.readings is None else well.readings[key].estimate
            rows.append(OutlookRow(key, name, "", forecast, reading))
    known = {contrast.name: contrast.estimate for contrast in result.contrasts}
    for definition in assay.contrasts:
        if definition.kind != "decline" or definition.report not in (None, "retention"):
            continue
        if definition.base not in wells or definition.other not in wells:
            continue
        pair = wells[definition.base], wells[definition.other]
        now = min(_now(well, time, teller.prior.run) for well in pair)
        offsets = pair[0].well.activation_offset, pair[1].well.activation_offset
        curves = tuple(
            None if well.moduli is None else curve_until(well.moduli, now, offset=offset)
            for well, offset in zip(pair, offsets)
        )
        forecast = teller.pair((curves[0], curves[1]), (_class(pair[0]), _class(pair[1])), now, offsets=offsets)
        rows.append(
            OutlookRow(definition.name, definition.base, definition.other, forecast, known.get(definition.name))
        )
    return rows


def _class(well: WellResult) -> str:
    return well_class(well.well.activator, well.well.additive_names)


def _check_reached(opened: Recording, time: float) -> None:
    """Refuse a time that no well has reached: what was not seen by then would count as seen."""
    last = max((float(t[-1]) for t in map(opened.push_time, (w.name for w in opened.wells)) if t.size), default=0.0)
    if 0.0 < last < time - LAG:
        raise InputError("at", got=f"{time / 60:g} min", allowed=f"up to the last push at {last / 60:.4g} min")


def _now(well: WellResult, time: float | None, run: float) -> float:
    last = 0.0
    if well.moduli is not None and well.moduli.push_time.size:
        last = min(max(float(well.moduli.push_time[-1]) - well.well.activation_offset, 0.0), run)
    return last if time is None or 0.0 < last < time - LAG else time
