"""Pictures of the interference protocol."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.verify.groups import places
from stanch.verify.interference.carryover import CarryOver
from stanch.verify.interference.dose import DoseResponse
from stanch.verify.interference.paired import PairedInterference
from stanch.verify.records import Band, Layer, Level, Line, Picture, Points, Rows
from stanch.verify.scales import Scale, edges, no_effect, on_scale, thinned

__all__ = ["dose_picture", "limit_levels", "paired_picture", "share_picture"]

Floats = NDArray[np.float64]


def limit_levels(allowed: float | None, scale: Scale, axis: str = "y") -> tuple[Level, ...]:
    """Lines for no effect and for what is allowed.

    Parameters
    ----------
    allowed : float or None
        [unit].
    scale, axis : str

    Returns
    -------
    tuple of Level
    """
    side: Any = axis
    lines = [Level(no_effect(scale), "no effect", side, "zero")]
    lower, upper = edges(allowed, scale)
    if lower is not None and upper is not None:
        ends = (np.exp(lower), np.exp(upper)) if scale == "ratio" else (lower, upper)
        lines += [Level(float(end), "allowed", side) for end in ends]
    return tuple(lines)


def paired_picture(
    control: Floats, test: Floats, found: Sequence[PairedInterference], pools: Sequence[str], s: Mapping[str, Any]
) -> Picture:
    """Effects of the pools against what is allowed.

    Parameters
    ----------
    control, test : ndarray, shape (n,)
        [unit].
    found : sequence of PairedInterference
    pools : sequence of str
    s : mapping
        Settings.

    Returns
    -------
    Picture
    """
    kept = list(zip(pools, found))[:40]
    rows = Rows(
        tuple(str(name) for name, _ in kept),
        tuple(one.effect.value for _, one in kept),
        tuple(one.effect.low for _, one in kept),
        tuple(one.effect.high for _, one in kept),
    )
    label = "test over control [-]" if s["scale"] == "ratio" else f"test − control [{s['unit'] or '-'}]"
    more = f" The first 40 of {len(found)} pools are shown." if len(found) > 40 else ""
    return Picture(
        "Effect against what is allowed",
        label,
        "pool",
        (rows, *limit_levels(s["allowed"], s["scale"], "x")),
        caption=f"Whiskers: {100 * found[0].effect.level:g} % interval, the one that decides.{more}",
        alt="; ".join(f"{name}: {one.effect.value:.4g}" for name, one in kept[:6]) + ".",
    )


def dose_picture(
    x: Floats, y: Floats, names: NDArray[np.str_] | None, found: DoseResponse, s: Mapping[str, Any], word: str
) -> Picture:
    """Results as changes along the dose, with the fitted curve and its band.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        [unit].
    names : ndarray of str or None
    found : DoseResponse
    s : mapping
        Settings.
    word : str
        ``dose`` or ``time``.

    Returns
    -------
    Picture
    """
    change = found.change
    level = 1 - 2 * found.alpha
    working = on_scale(y, s["scale"])
    group = places(names, x.size)
    # Each sample's own level is taken out, so that its marks lie about the curve.
    rest = working - change.curve(x)[0]
    own = np.bincount(group, rest) / np.bincount(group)
    moved = working - own[group]
    grid = np.linspace(change.low, change.high, 201)
    value, low, high = change.curve(grid, level=level)
    if s["scale"] == "ratio":
        moved, value, low, high = (np.exp(np.clip(v, -700, 700)) for v in (moved, value, low, high))
    marks = thinned(x, moved)
    at = tuple(grid.tolist())
    layers: list[Layer] = [
        Band(at, tuple(low.tolist()), tuple(high.tolist()), f"{100 * level:g} % band"),
        Line(at, tuple(value.tolist()), "mean change"),
        Points(marks[0], marks[1], "results", faint=True),
        *limit_levels(s["allowed"], s["scale"]),
    ]
    for one in (found.tolerated_up, found.tolerated_down):
        if one is not None:
            near = one.low if one is found.tolerated_up else one.high
            if near is not None:
                layers.append(Level(near, "limit to state", "x", "warning"))
    unit = s["along_unit"] or "-"
    label = "ratio to the reference [-]" if s["scale"] == "ratio" else f"change [{s['unit'] or '-'}]"
    thin = f" {len(marks[0])} of {x.size} marks are drawn." if x.size > len(marks[0]) else ""
    return Picture(
        f"Change along the {word}",
        f"{s['factor'] if word == 'dose' else word} [{unit}]",
        label,
        tuple(layers),
        caption=f"Marks: results with the level of their sample taken out.{thin} The allowed change is safe up to "
        "where the band, not the line, touches it.",
        alt=_crossing_words(found, word),
    )


def _crossing_words(found: DoseResponse, word: str) -> str:
    one = found.tolerated_up or found.tolerated_down
    if one is None:
        return f"Change along the {word}, no limit stated."
    if one.value is None:
        return one.why
    return f"The allowed change is exceeded at {word} {one.value:.4g}."


def share_picture(y: Floats, sample: NDArray[np.str_], found: CarryOver, s: Mapping[str, Any]) -> Picture:
    """Results in their order, by sample.

    Parameters
    ----------
    y : ndarray, shape (n,)
        [unit].
    sample : ndarray of str
    found : CarryOver
    s : mapping
        Settings.

    Returns
    -------
    Picture
    """
    names = np.unique(sample)
    layers: list[Layer] = []
    place = np.arange(1, y.size + 1, dtype=np.float64)
    for k, name in enumerate(names[:6]):
        own = sample == name
        marks = thinned(place[own], y[own], most=300)
        layers.append(Points(marks[0], marks[1], str(name), k))
    more = " Six samples are shown." if names.size > 6 else ""
    return Picture(
        "Results in the order of measurement",
        "place in the order [-]",
        f"result [{s['unit'] or '-'}]",
        tuple(layers),
        caption=f"Carry-over lifts the first low results after high ones and lowers the first high ones.{more}",
        alt=f"Share of the sample before: {found.share.value:.4g}.",
    )
