"""Systematic uncertainty of the modulus from what is not known exactly about the well, the push, the beam and density.

A wrong dimension mostly cannot be seen in the residuals of a fit: it changes G of every push of every like well alike.
So it is worked out beforehand. Noise-free traces of the nominal well are fitted with the table of a well that is off by
one standard uncertainty, each way; half the difference in ln G is that dimension's share.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.echo.records import Displacement
from stanch.errors import DocumentError, InputError
from stanch.mechanics.invert import InvertSettings, invert
from stanch.mechanics.records import SpectralTable
from stanch.mechanics.response import trace
from stanch.mechanics.table import spectral_table
from stanch.recording.records import Acquisition, Geometry

__all__ = ["SCHEMA", "Calibration", "Dimensions", "calibrate", "read_calibration"]

Floats = NDArray[np.float64]
Build = Callable[[Geometry, Floats, Acquisition, Floats], SpectralTable]

SCHEMA = "stanch.calibration/1"
MODULUS = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0)
LOSS = 0.35
"""eta of the traces is LOSS * G / (2 pi 100 Hz), as in soft clots, but at least that of plasma and cells."""
LEAST_VISCOSITY = 0.006
PEAK = 8e-6
NOISE = 1e-7
"""Displacement noise that the fits assume, so that the speckle deviation takes up as much as it does in use."""


@dataclass(frozen=True)
class Dimensions:
    """Standard uncertainties; 0 means exactly known, or that the share is budgeted elsewhere.

    Parameters
    ----------
    well_radius, push_length, push_radius, beam_radius, focus_height : float
        [m].
    density : float
        Of the sample [kg/m^3].
    """

    well_radius: float = 0.0
    push_length: float = 0.0
    push_radius: float = 0.0
    beam_radius: float = 0.0
    focus_height: float = 0.0
    density: float = 0.0

    def __post_init__(self) -> None:
        for name, value in asdict(self).items():
            if not (math.isfinite(value) and value >= 0):
                raise InputError(f"standard uncertainty of {name}", got=value, allowed="0 or a positive finite number")


@dataclass(frozen=True)
class Calibration:
    """Relative standard uncertainty of G common to all wells of one geometry.

    Parameters
    ----------
    geometry : Geometry
        Nominal.
    density : float
        Nominal [kg/m^3].
    uncertainty : Dimensions
        What was stated.
    modulus : tuple of float
        At which the budget was worked out, rising [Pa].
    share : dict of str to tuple of float
        Relative change of G per standard uncertainty, with sign, by dimension [-].
    nonlinear : dict of str to tuple of float
        What the two ways do not have in common, by dimension: the mean relative change of G [-].
    source : str
        Where the stated uncertainties come from, as written by the laboratory.
    """

    geometry: Geometry
    density: float
    uncertainty: Dimensions
    modulus: tuple[float, ...]
    share: dict[str, tuple[float, ...]]
    nonlinear: dict[str, tuple[float, ...]]
    source: str = ""

    @property
    def relative(self) -> Floats:
        """Combined relative standard uncertainty at `modulus`, the dimensions taken as independent [-]."""
        parts = np.array(list(self.share.values())) if self.share else np.zeros((1, len(self.modulus)))
        return np.asarray(np.sqrt((parts**2).sum(axis=0)))

    def systematic(self, modulus: float) -> float:
        """Relative standard uncertainty of one modulus, interpolated in ln G and constant beyond the ends.

        Parameters
        ----------
        modulus : float
            G [Pa].

        Returns
        -------
        float
            For ``Estimate.systematic`` [-].
        """
        at = math.log(max(modulus, self.modulus[0]))
        return float(np.interp(at, np.log(self.modulus), self.relative))

    def as_dict(self) -> dict[str, Any]:
        """Plain fields for JSON, with a SHA-256 over the rest."""
        body: dict[str, Any] = {
            "schema": SCHEMA,
            "geometry": asdict(self.geometry),
            "density": self.density,
            "standard_uncertainty": asdict(self.uncertainty),
            "source": self.source,
            "modulus": list(self.modulus),
            "share": {name: list(values) for name, values in self.share.items()},
            "nonlinear": {name: list(values) for name, values in self.nonlinear.items()},
            "relative": [float(x) for x in self.relative],
        }
        return {**body, "sha256": _digest(body)}

    @classmethod
    def from_dict(cls, document: Mapping[str, Any], where: str = "calibration record") -> Calibration:
        """Read back what :meth:`as_dict` wrote.

        Parameters
        ----------
        document : mapping
            Parsed JSON.
        where : str
            Its name, for the message.

        Returns
        -------
        Calibration

        Raises
        ------
        DocumentError
            If the schema is another one, a field is missing or wrong, or the record was changed after it was made.
        """
        if document.get("schema") != SCHEMA:
            raise DocumentError(where, got=document.get("schema"), allowed=SCHEMA, do="Make the record again.")
        body = {key: value for key, value in document.items() if key != "sha256"}
        if document.get("sha256") != _digest(body):
            raise DocumentError(
                where, problems=["sha256: does not match the other fields"], do="Make the record again, do not edit it."
            )
        try:
            return cls(
                geometry=Geometry(**document["geometry"]),
                density=float(document["density"]),
                uncertainty=Dimensions(**document["standard_uncertainty"]),
                modulus=tuple(float(x) for x in document["modulus"]),
                share={str(k): tuple(float(x) for x in v) for k, v in document["share"].items()},
                nonlinear={str(k): tuple(float(x) for x in v) for k, v in document["nonlinear"].items()},
                source=str(document["source"]),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise DocumentError(where, problems=[f"{type(error).__name__}: {error}"], do="Make it again.") from error


def calibrate(
    geometry: Geometry,
    acquisition: Acquisition,
    uncertainty: Dimensions,
    *,
    frame_time: ArrayLike,
    depth: ArrayLike | None = None,
    sensitivity: ArrayLike | None = None,
    speckle_cells: float = math.inf,
    modulus: tuple[float, ...] = MODULUS,
    source: str = "",
    build: Build | None = None,
) -> Calibration:
    """Work out the systematic uncertainty of G.

    Parameters
    ----------
    geometry : Geometry
        Nominal.
    acquisition : Acquisition
        Nominal density, and push duration.
    uncertainty : Dimensions
        Stated standard uncertainties.
    frame_time : array_like, shape (frame,)
        Of the tracking frames, from the start of the push [s].
    depth, sensitivity : array_like, shape (depth,), optional
        The tracking gate; the focus alone if not given [m], [-].
    speckle_cells : float
        Of the gate; finite lets the speckle deviation take up what it takes up in use [-].
    modulus : tuple of float
        At which to work it out, rising [Pa].
    source : str
        Where the standard uncertainties come from.
    build : callable, optional
        Makes a table from geometry, depth, acquisition and frame times; the spectral table by default.

    Returns
    -------
    Calibration

    Raises
    ------
    InputError
        If the moduli do not rise, or a fit fails.
    """
    if len(modulus) < 2 or np.any(np.diff(modulus) <= 0) or modulus[0] <= 0:
        raise InputError("modulus", got=modulus, allowed="two or more positive values, rising")
    t = np.asarray(frame_time, dtype=float)
    z = np.zeros(1) if depth is None else np.asarray(depth, dtype=float)
    weight = np.full(z.size, 1.0 / z.size) if sensitivity is None else np.asarray(sensitivity, dtype=float)
    make = build or _spectral
    nominal = make(geometry, z, acquisition, t)
    value = np.array([_trace(nominal, g, acquisition, t, z, weight) for g in modulus])
    displacement = _displacement(value, t, z, weight, speckle_cells)
    share: dict[str, tuple[float, ...]] = {}
    nonlinear: dict[str, tuple[float, ...]] = {}
    for entry in fields(Dimensions):
        sd = getattr(uncertainty, entry.name)
        if sd == 0.0:
            continue
        ways = []
        for sign in (1.0, -1.0):
            well, taken = geometry, acquisition
            if entry.name == "density":
                taken = replace(acquisition, density=acquisition.density + sign * sd)
            else:
                well = replace(geometry, **{entry.name: getattr(geometry, entry.name) + sign * sd})
            table = nominal if well is geometry else make(well, z, acquisition, t)
            got = invert(displacement, table, taken, well, InvertSettings(robust=False, threads=1))
            if not np.all(np.isfinite(got.modulus)):
                raise InputError(
                    f"standard uncertainty of {entry.name}", got=sd, allowed="small enough that traces can be fitted"
                )
            ways.append(np.log(got.modulus / np.asarray(modulus)))
        share[entry.name] = tuple(float(x) for x in 0.5 * (ways[0] - ways[1]))
        nonlinear[entry.name] = tuple(float(x) for x in 0.5 * (ways[0] + ways[1]))
    return Calibration(geometry, acquisition.density, uncertainty, tuple(modulus), share, nonlinear, source)


def _spectral(geometry: Geometry, depth: Floats, acquisition: Acquisition, frame_time: Floats) -> SpectralTable:
    return spectral_table(
        geometry, depth=depth, density=acquisition.density, push_duration=acquisition.push_duration,
        frame_time=frame_time,
    )  # fmt: skip


def _trace(
    table: SpectralTable, modulus: float, acquisition: Acquisition, time: Floats, depth: Floats, weight: Floats
) -> Floats:
    viscosity = max(LOSS * modulus / (2 * math.pi * 100.0), LEAST_VISCOSITY)
    shape = trace(table, modulus, viscosity, 1.0, acquisition, time, depth, weight)
    return np.asarray(PEAK * shape / np.abs(shape).max())


def _displacement(value: Floats, time: Floats, depth: Floats, weight: Floats, cells: float) -> Displacement:
    pushes = value.shape[0]
    ones, none = np.ones(pushes), np.zeros(pushes)
    return Displacement(
        push_time=np.arange(pushes, dtype=float),
        frame_time=time,
        value=value,
        sd=np.full(value.shape, NOISE),
        step_sd=np.zeros(value.shape),
        shared_sd=np.full(pushes, NOISE / math.sqrt(2.0)),
        weight=np.ones(value.shape),
        depth=depth,
        sensitivity=np.tile(weight, (pushes, 1)),
        speckle_cells=cells * ones,
        coherence=ones,
        link=None,
        slow_shift=none,
        slow_coherence=none,
        zone_coherence=ones[:, None],
        energy=ones[:, None],
        energy_depth=np.zeros(1),
        flags=np.zeros(pushes, dtype=np.int64),
        estimator="noise-free",
    )


def _digest(body: Mapping[str, Any]) -> str:
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def read_calibration(text: str, where: str = "calibration record") -> Calibration:
    """Read a calibration record from JSON text.

    Parameters
    ----------
    text : str
        What ``json.dumps(calibration.as_dict())`` gave.
    where : str
        Its name, for the message.

    Returns
    -------
    Calibration

    Raises
    ------
    DocumentError
        If it is not JSON, or not a calibration record as it was made.
    """
    try:
        document = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        raise DocumentError(where, problems=[f"not JSON: {error}"], do="Make the record again.") from None
    if not isinstance(document, dict):
        raise DocumentError(where, got=type(document).__name__, allowed="a JSON object", do="Make the record again.")
    return Calibration.from_dict(document, where)
