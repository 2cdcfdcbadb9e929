"""Results as labelled tables and arrays of general-purpose libraries, imported only when asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from stanch.errors import UsageError
from stanch.quantities import QUANTITIES
from stanch.readings.records import Contrast

if TYPE_CHECKING:
    import pandas
    import xarray

__all__ = ["Tabled", "to_frame", "to_xarray"]


class Tabled(Protocol):
    """What is needed of a result."""

    @property
    def identity(self) -> str:
        """Of the recording."""

    @property
    def wells(self) -> Sequence[Any]:
        """Results of the wells."""

    @property
    def frequency(self) -> float | None:
        """At which moduli are stated [Hz]."""

    @property
    def contrasts(self) -> Sequence[Contrast]:
        """Contrasts of the run."""


def to_frame(result: Tabled) -> pandas.DataFrame:
    """Readings and contrasts, one row each.

    Parameters
    ----------
    result : Tabled

    Returns
    -------
    pandas.DataFrame
        Columns well, other, name, value, low, high, systematic, unit, status, why, frequency_hz; units are those of the
        surface, and the frequency is that at which moduli are stated, missing with Kelvin-Voigt.

    Raises
    ------
    UsageError
        If pandas is not installed.
    """
    library = _import("pandas")
    rows: list[dict[str, Any]] = []
    for well in result.wells:
        for reading in well.readings.readings if well.readings is not None else ():
            estimate = reading.estimate.scaled(QUANTITIES[reading.key].unit)
            row = {"well": well.well.name, "other": None, "name": reading.key, **estimate.as_dict()}
            rows.append({**row, "frequency_hz": result.frequency})
    for contrast in result.contrasts:
        row = {"well": contrast.base, "other": contrast.other, "name": contrast.name, **contrast.estimate.as_dict()}
        rows.append({**row, "frequency_hz": result.frequency})
    estimate_columns = ("value", "low", "high", "systematic", "unit", "status", "why")
    columns = ("well", "other", "name", *estimate_columns, "frequency_hz")
    frame: pandas.DataFrame = library.DataFrame(rows, columns=list(columns))
    return frame


def to_xarray(result: Tabled) -> xarray.Dataset:
    """Curves of all wells on one time axis.

    Parameters
    ----------
    result : Tabled

    Returns
    -------
    xarray.Dataset
        modulus, low and high against (well, time) [Pa], missing outside a well's own run; with a richer rheology
        loss_tangent, loss_low and loss_high [-] as well, and the attribute frequency_hz.

    Raises
    ------
    UsageError
        If xarray is not installed or no well has a curve.
    """
    library = _import("xarray")
    curves = {well.well.name: well.curve for well in result.wells if well.curve is not None}
    if not curves:
        raise UsageError("to_xarray", got="no curve", allowed="a result with at least one curve")
    step = min(float(np.diff(curve.time).min()) for curve in curves.values())
    first = min(float(curve.time[0]) for curve in curves.values())
    last = max(float(curve.time[-1]) for curve in curves.values())
    time = first + step * np.arange(int(np.floor((last - first) / step + 1e-9)) + 1)

    def on_grid(name: str, unit: str) -> Any:
        rows = [
            np.full(time.size, np.nan)
            if getattr(c, name) is None
            else np.interp(time, c.time, getattr(c, name), left=np.nan, right=np.nan)
            for c in curves.values()
        ]
        return (("well", "time"), np.array(rows), {"units": unit})

    variables = {name: on_grid(name, "Pa") for name in ("modulus", "low", "high")}
    attributes: dict[str, Any] = {"recording": result.identity}
    if result.frequency is not None:
        variables |= {name: on_grid(name, "1") for name in ("loss_tangent", "loss_low", "loss_high")}
        attributes["frequency_hz"] = result.frequency
    coordinates = {"well": list(curves), "time": ("time", time, {"units": "s"})}
    dataset: xarray.Dataset = library.Dataset(variables, coords=coordinates, attrs=attributes)
    return dataset


def _import(name: str) -> Any:
    from importlib import import_module

    try:
        return import_module(name)
    except ModuleNotFoundError:
        raise UsageError(
            f"the library {name}",
            got="not installed",
            allowed="stanch[tables]",
            do="Run: pip install 'stanch[tables]'.",
        ) from None
