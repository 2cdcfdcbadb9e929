"""The records of a whole analysis."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from stanch.curve.records import Curve
from stanch.echo.records import Displacement
from stanch.findings.records import Finding, QualitySign
from stanch.mechanics.records import Moduli
from stanch.mechanics.rheology.records import ModelName
from stanch.readings.records import Contrast, WellReadings
from stanch.recording.records import Acquisition, Geometry, SampleFacts, SignalKind, Well

if TYPE_CHECKING:
    import pandas
    import xarray

__all__ = ["Result", "WellResult"]


@dataclass(frozen=True)
class WellResult:
    """Everything computed for one well; a stage that could not run is None and `problems` says why.

    Parameters
    ----------
    well : Well
    kind : str
        Where analysis started: echo, displacement or modulus.
    geometry : Geometry or None
    displacement : Displacement or None
    moduli : Moduli or None
    curve : Curve or None
    readings : WellReadings or None
    problems : tuple of str
        One sentence each.
    not_checked : tuple of str
        What could not be checked from this kind of data.
    """

    well: Well
    kind: SignalKind
    geometry: Geometry | None
    displacement: Displacement | None
    moduli: Moduli | None
    curve: Curve | None
    readings: WellReadings | None
    problems: tuple[str, ...] = ()
    not_checked: tuple[str, ...] = ()


@dataclass(frozen=True)
class Result:
    """The outcome of one analysis.

    Parameters
    ----------
    identity : str
        SHA-256 identity of the recording.
    state : str
        recording or closed.
    sample : SampleFacts
    acquisition : Acquisition or None
    wells : tuple of WellResult
    contrasts : tuple of Contrast
    findings : tuple of Finding
        In the order quality, heparin, factors, fibrin, platelets, lysis.
    not_assessed, cannot_see : tuple of str
        What this run did not assess; what this assay cannot see.
    quality : tuple of QualitySign
    assay_name, assay_sha256, assay_source : str or None
        The assay document used; source is "recording" or "given"; None without one.
    assay_text : str or None
    seed : int
    software : str
    created : str
        UTC with offset.
    source : str
        Path or name of the recording, for the reader.
    rheology : str
        The medium that pushes were fitted with, one of ``mechanics.rheology.records.MODELS``.
    frequency : float or None
        At which moduli and loss tangents are stated [Hz]; None with Kelvin-Voigt, whose modulus is that of every
        frequency.
    """

    identity: str
    state: str
    sample: SampleFacts
    acquisition: Acquisition | None
    wells: tuple[WellResult, ...]
    contrasts: tuple[Contrast, ...]
    findings: tuple[Finding, ...]
    not_assessed: tuple[str, ...]
    cannot_see: tuple[str, ...]
    quality: tuple[QualitySign, ...]
    assay_name: str | None
    assay_sha256: str | None
    assay_source: str | None
    assay_text: str | None
    seed: int
    software: str
    created: str
    source: str = field(default="")
    rheology: ModelName = "kelvin_voigt"
    frequency: float | None = None

    def to_frame(self) -> pandas.DataFrame:
        """Readings and contrasts as a pandas table; see :func:`stanch.frames.to_frame`."""
        from stanch.frames import to_frame

        return to_frame(self)

    def to_xarray(self) -> xarray.Dataset:
        """Curves as an xarray dataset; see :func:`stanch.frames.to_xarray`."""
        from stanch.frames import to_xarray

        return to_xarray(self)
