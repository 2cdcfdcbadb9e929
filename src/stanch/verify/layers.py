"""Pictures as data: layers, to be drawn in this order, with a caption and the finding in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Band", "Bars", "Layer", "Level", "Line", "Picture", "Points", "Rows"]


@dataclass(frozen=True)
class Points:
    """Marks; `series` picks colour and mark of the house style.

    Parameters
    ----------
    x, y : tuple of float
        [unit].
    label : str
        For the legend or the direct label; empty for none.
    series : int
        Which of the house's series.
    faint : bool
        Drawn small and light, for raw data behind a summary.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    label: str = ""
    series: int = 0
    faint: bool = False


@dataclass(frozen=True)
class Line:
    """A line through points; `step` holds each value until the next.

    Parameters
    ----------
    x, y : tuple of float
        [unit].
    label : str
    series : int
    step : bool
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    label: str = ""
    series: int = 0
    step: bool = False


@dataclass(frozen=True)
class Band:
    """An interval along x.

    Parameters
    ----------
    x, low, high : tuple of float
        [unit].
    label : str
    series : int
    """

    x: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    label: str = ""
    series: int = 0


@dataclass(frozen=True)
class Level:
    """A straight line across the whole picture, such as a limit.

    Parameters
    ----------
    value : float
        [unit].
    label : str
    axis : str
        ``y`` for a level line, ``x`` for an upright one.
    kind : str
        ``limit``, ``mean``, ``zero`` or ``warning``: picks the line style.
    """

    value: float
    label: str = ""
    axis: Literal["x", "y"] = "y"
    kind: Literal["limit", "mean", "zero", "warning"] = "limit"


@dataclass(frozen=True)
class Bars:
    """A histogram or bars: ``edges`` is one longer than ``heights``.

    Parameters
    ----------
    edges, heights : tuple of float
        [unit].
    label : str
    series : int
    """

    edges: tuple[float, ...]
    heights: tuple[float, ...]
    label: str = ""
    series: int = 0


@dataclass(frozen=True)
class Rows:
    """Named rows, each a point with whiskers along x: the house's way to put numbers against limits.

    Parameters
    ----------
    names : tuple of str
    values, low, high : tuple of float or None
        [unit].
    """

    names: tuple[str, ...]
    values: tuple[float | None, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]


Layer = Points | Line | Band | Level | Bars | Rows


@dataclass(frozen=True)
class Picture:
    """A figure as data.

    Parameters
    ----------
    title : str
    x_label, y_label : str
        With the unit in brackets.
    layers : tuple of Layer
        Drawn in this order.
    caption : str
        What it shows and how to read it.
    alt : str
        The finding of the figure in words, for those who cannot see it.
    x_scale, y_scale : str
        ``linear`` or ``log``.
    equal : bool
        Same length per unit on both axes, for one method against another.
    x_names : tuple of str
        Names of the x positions 0, 1, 2, ... where x is not a number.
    """

    title: str
    x_label: str
    y_label: str
    layers: tuple[Layer, ...]
    caption: str
    alt: str
    x_scale: Literal["linear", "log"] = "linear"
    y_scale: Literal["linear", "log"] = "linear"
    equal: bool = False
    x_names: tuple[str, ...] = ()
