"""The house style of every figure: ink on paper, one accent per well, told apart by colour and by line."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "GRID",
    "INK",
    "MUTED",
    "SERIES",
    "SHADE",
    "Series",
    "direct_labels",
    "height",
    "marker",
    "new_figure",
    "plain_log",
    "series",
    "styled",
    "thinned",
    "ticks_1_2_5",
    "to_svg",
]

INK = "#2a2825"
MUTED = "#716c64"
GRID = "#dedad2"
SHADE = "#ebe6da"
# Six inks chosen for this project: any two differ in lightness or in the blue-yellow balance, which red-green blindness
# leaves intact; the line styles tell them apart without colour.
SERIES = ("#123a7a", "#b34a0c", "#23715e", "#8f2f6b", "#3a342c", "#4668cc")
LINES: tuple[Any, ...] = (
    "-",
    (0, (6, 2)),
    (0, (1.5, 1.5)),
    (0, (7, 2, 1.5, 2)),
    (0, (3, 1.5)),
    (0, (9, 2, 1, 2, 1, 2)),
)
MARKS = ("o", "s", "^", "D", "v", "P")


@dataclass(frozen=True)
class Series:
    """How the lines of one well are drawn."""

    colour: str
    line: Any


def series(index: int) -> Series:
    """The look of the well of this index; 36 of them differ in colour or in line, six in a row in both."""
    return Series(SERIES[index % len(SERIES)], LINES[(index + index // len(SERIES)) % len(LINES)])


def marker(index: int) -> str:
    """The mark of the series of this index."""
    return MARKS[index % len(MARKS)]


_SETTINGS: Any = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 8.0,
    "axes.labelsize": 9.0,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.facecolor": "none",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "legend.handlelength": 3.6,
    "lines.linewidth": 1.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "stanch",
    "path.simplify": True,
    "path.simplify_threshold": 0.2,
    "text.parse_math": False,
}


@contextmanager
def styled() -> Iterator[None]:
    """The house style, for as long as the block lasts."""
    import matplotlib as mpl

    with mpl.rc_context(_SETTINGS):
        yield


def new_figure(width: float, height: float) -> Figure:
    """An empty figure.

    Parameters
    ----------
    width, height : float
        In inches, the unit Matplotlib takes [-].

    Returns
    -------
    matplotlib.figure.Figure
    """
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def plain_log(axes: Axes, which: Literal["x", "y"] = "y") -> None:
    """Logarithmic scale with plain numbers: names are never read as formulas, so neither are ticks.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    which : str
        The axis, ``x`` or ``y``.
    """
    from matplotlib.ticker import FuncFormatter, NullFormatter

    scale, axis = (axes.set_xscale, axes.xaxis) if which == "x" else (axes.set_yscale, axes.yaxis)
    scale("log", nonpositive="mask")
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def ticks_1_2_5(axes: Axes) -> None:
    """Ticks at 1, 2 and 5 of every decade of a logarithmic upright axis, for one that spans few decades.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Its limits stay as they are.
    """
    low, high = axes.get_ylim()
    decades = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    marks = [float(f"{step}e{decade}") for decade in decades for step in (1, 2, 5)]
    axes.set_yticks([mark for mark in marks if low <= mark <= high])
    axes.set_ylim(low, high)


def to_svg(figure: Figure) -> str:
    """The figure as SVG text: the same figure gives the same text.

    Parameters
    ----------
    figure : matplotlib.figure.Figure

    Returns
    -------
    str
    """
    sink = io.BytesIO()
    with styled(), warnings.catch_warnings():
        # A character the font lacks is drawn as a box; the tables beside the figure have it.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font", category=UserWarning)
        figure.savefig(sink, format="svg", metadata={"Date": None, "Creator": None})
    return sink.getvalue().decode("utf-8")


def thinned(size: int, most: int = 900) -> NDArray[np.intp]:
    """Indices of points spread over a line, ends included: more than a page can show makes it heavy.

    Parameters
    ----------
    size, most : int
        Points there are, and points wanted at most [-].

    Returns
    -------
    ndarray of int, shape (point,)
        [-].
    """
    return np.unique(np.linspace(0, max(size - 1, 0), min(size, most)).round().astype(np.intp))


def height(axes: Axes, value: float) -> float:
    """Where a value lies on the upright axis.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    value : float
        In the unit of the axis, above 0 on a logarithmic one [unit].

    Returns
    -------
    float
        From 0 at the bottom to 1 at the top, and no further [-].
    """
    place = axes.transAxes.inverted().transform(axes.transData.transform((axes.get_xlim()[1], value)))
    return float(np.clip(place[1], 0.0, 1.0))


def direct_labels(axes: Axes, ends: list[tuple[float, str, str]], *, gap: float = 0.055) -> None:
    """Write names at the right end of lines, moved apart where they would overlap.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    ends : list of (height, name, colour)
        Height of the line's end as a fraction of the axes.
    gap : float
        Least distance between names, as a fraction of the axes [-].
    """
    placed: list[float] = []
    ordered = sorted(ends)
    for height, _, _ in ordered:
        placed.append(max(height, placed[-1] + gap) if placed else max(height, 0.0))
    excess = placed[-1] - 1.0 if placed else 0.0
    if excess > 0:
        placed[-1] -= excess
        for k in range(len(placed) - 2, -1, -1):
            placed[k] = min(placed[k], placed[k + 1] - gap)
    for (height, name, colour), at in zip(ordered, placed):
        axes.annotate(
            name,
            xy=(1.0, height),
            xytext=(1.035, at),
            xycoords="axes fraction",
            textcoords="axes fraction",
            color=colour,
            fontsize=8.5,
            va="center",
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "lw": 0.6, "shrinkA": 0, "shrinkB": 1, "relpos": (0, 0.5)},
        )
