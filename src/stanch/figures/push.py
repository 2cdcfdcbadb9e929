"""One push opened: the echo lines, the displacement with its fit, and what the fit leaves over."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stanch.figures.style import INK, MUTED, SERIES, SHADE, new_figure, styled
from stanch.pipeline import WellResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["TITLES", "push_figure"]

TITLES = ("Echo lines", "Displacement and fit", "Residual over its standard deviation")
Floats = NDArray[np.float64]


def push_figure(
    one: WellResult,
    push: int,
    *,
    echo: NDArray[np.generic] | None = None,
    depth: Floats | None = None,
    echo_time: Floats | None = None,
    push_duration: float | None = None,
) -> Figure | None:
    """Draw one push of one well.

    Parameters
    ----------
    one : WellResult
    push : int
        Its index.
    echo : ndarray, shape (frame, sample), or None
        Tracking frames as recorded, pre-push frames included [counts].
    depth : ndarray, shape (sample,), or None
        Beam positions of the samples, 0 at the focus [m].
    echo_time : ndarray, shape (frame,), or None
        Of the echo's frames, from the start of the push [s].
    push_duration : float or None
        [s].

    Returns
    -------
    matplotlib.figure.Figure or None
        None where there is neither echo nor displacement.
    """
    d = one.displacement
    if d is None and echo is None:
        return None
    with styled():
        if echo is None or depth is None or echo_time is None:
            figure = new_figure(9.6, 3.6)
            right = figure.add_gridspec(2, 1, height_ratios=[2.2, 1])
            places = [right[0], right[1]]
        else:
            figure = new_figure(9.6, 3.6)
            grid = figure.add_gridspec(2, 2, width_ratios=[1, 1.25], height_ratios=[2.2, 1])
            _echo(figure.add_subplot(grid[:, 0]), echo, depth, echo_time, _gate(one, push))
            places = [grid[0, 1], grid[1, 1]]
        if d is not None:
            upper = figure.add_subplot(places[0])
            lower = figure.add_subplot(places[1], sharex=upper)
            _trace(upper, lower, one, push, push_duration)
    return figure


def _gate(one: WellResult, push: int) -> tuple[float, float] | None:
    d = one.displacement
    if d is None:
        return None
    weighty = d.depth[d.sensitivity[push] > 0]
    return (float(weighty.min()), float(weighty.max())) if weighty.size else None


def _echo(axes: Axes, echo: NDArray[np.generic], depth: Floats, time: Floats, gate: tuple[float, float] | None) -> None:
    lines = np.asarray(echo, dtype=float)
    if lines.ndim == 3:
        lines = np.hypot(lines[..., 0], lines[..., 1])
    top = float(np.quantile(np.abs(lines), 0.995)) or 1.0
    # Frames are drawn side by side in their order, so that unequal frame times do not distort the picture.
    extent = (-0.5, lines.shape[0] - 0.5, float(depth[-1]) * 1e3, float(depth[0]) * 1e3)
    axes.imshow(lines.T, aspect="auto", cmap="gray", vmin=-top, vmax=top, extent=extent, interpolation="nearest")
    if gate is not None:
        for edge in gate:
            axes.axhline(edge * 1e3, color=SERIES[1], lw=1.0, ls=(0, (4, 2)))
    before = int(np.count_nonzero(time < 0))
    if 0 < before < time.size:
        axes.axvline(before - 0.5, color=SERIES[1], lw=1.0)
    marks = np.unique(np.linspace(0, time.size - 1, 5).round().astype(int))
    axes.set_xticks(marks, [f"{time[k] * 1e3:.3g}" for k in marks])
    axes.grid(visible=False)
    axes.set_title(TITLES[0])
    axes.set_xlabel("Frame time from start of push (ms)")
    axes.set_ylabel("Depth from focus (mm)")


def _trace(upper: Axes, lower: Axes, one: WellResult, push: int, push_duration: float | None) -> None:
    d, m = one.displacement, one.moduli
    if d is None:
        return
    ms, value = d.frame_time * 1e3, d.value[push] * 1e6
    sd = np.sqrt(d.sd[push] ** 2 + d.shared_sd[push] ** 2) * 1e6
    good = d.weight[push] > 0
    if push_duration is not None:
        upper.axvspan(0.0, push_duration * 1e3, color=SHADE, lw=0)
    upper.axhline(0.0, color=MUTED, lw=0.7)
    upper.errorbar(ms[good], value[good], 1.96 * sd[good], fmt="o", ms=3, color=INK, ecolor=MUTED, elinewidth=0.8)
    if (~good).any():
        upper.plot(ms[~good], value[~good], "x", ms=4, color=MUTED)
    fitted = m.fitted[push] if m is not None and m.fitted is not None else None
    if fitted is not None and np.isfinite(fitted).all():
        upper.plot(ms, fitted * 1e6, color=SERIES[1], lw=1.8)
        rest = (value - fitted * 1e6) / np.maximum(sd, 1e-12)
        lower.axhspan(-1.96, 1.96, color=SHADE, lw=0)
        lower.axhline(0.0, color=MUTED, lw=0.7)
        lower.plot(ms[good], rest[good], "o", ms=3, color=INK)
        span = max(3.5, 1.1 * float(np.abs(rest[good]).max(initial=0.0)))
        lower.set_ylim(-span, span)
    else:
        lower.text(0.5, 0.5, "no fit", transform=lower.transAxes, ha="center", va="center", color=MUTED)
    upper.set_title(TITLES[1])
    upper.set_ylabel("Displacement (µm)")
    upper.tick_params(labelbottom=False)
    lower.set_title(TITLES[2])
    lower.set_xlabel("Frame time from start of push (ms)")
    lower.set_ylabel("SD")
