"""Pictures of the reagents protocol."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stanch.verify.reagents.additive import Residual
from stanch.verify.reagents.block import BlockFraction
from stanch.verify.reagents.capacity import Capacity
from stanch.verify.reagents.contact import Contact
from stanch.verify.records import Band, Bounded, Layer, Level, Line, Picture, Points, Rows
from stanch.verify.scales import thinned

__all__ = ["block_picture", "capacity_picture", "contact_picture", "effect_picture", "residual_picture"]

Floats = NDArray[np.float64]


def capacity_picture(found: Capacity, dose_unit: str) -> Picture:
    """Ratio at every dose with its interval.

    Parameters
    ----------
    found : Capacity
    dose_unit : str

    Returns
    -------
    Picture
    """
    kept = [one for one in found.doses if one.ratio is not None][:200]
    x = tuple(one.dose for one in kept)
    effects = [one.ratio.difference for one in kept if one.ratio is not None]
    value = tuple(float(e.value) for e in effects if e.value is not None)
    layers: list[Layer] = [
        Band(x, tuple(float(e.low or 0) for e in effects), tuple(float(e.high or 0) for e in effects), "interval"),
        Line(x, value, ""),
        Points(x, value, "ratio to the unspiked sample"),
        Level(1.0, "no effect left", kind="zero"),
    ]
    if found.margin is not None:
        layers += [Level(found.margin, "allowed"), Level(1 / found.margin, "allowed")]
    if found.capacity is not None:
        layers.append(Level(found.capacity, "capacity", "x", "mean"))
    return Picture(
        "What the neutraliser leaves of a spike",
        f"dose [{dose_unit or '-'}]",
        "ratio [-]",
        tuple(layers),
        caption="Doses are judged from the lowest up until one fails. Doses with results known only as a bound "
        "are drawn from the exact ones and never count as taken away.",
        alt="No capacity was shown." if found.capacity is None else f"Capacity {found.capacity:g} {dose_unit}.",
    )


def block_picture(found: Sequence[tuple[str, BlockFraction]], unit: str) -> Picture:
    """Drop against platelet part, donors as marks, the fraction as a line.

    Parameters
    ----------
    found : sequence of (str, BlockFraction)
        By lot.
    unit : str

    Returns
    -------
    Picture
    """
    layers: list[Layer] = []
    top = 0.0
    for k, (name, one) in enumerate(found[:6]):
        part = np.array(one.platelet)
        top = max(top, float(part.max()))
        marks = thinned(part, part * np.array(one.donors))
        layers.append(Points(marks[0], marks[1], name, k))
        if one.total.value is not None:
            end = float(part.max())
            layers.append(Line((0.0, end), (0.0, end * one.total.value), "", k))
    layers.append(Line((0.0, top), (0.0, top), "all of it", 10))
    return Picture(
        "Drop by the blocker against the platelet part",
        f"base − reference [{unit or '-'}]",
        f"base − blocked [{unit or '-'}]",
        tuple(layers),
        caption="The slope of each line is the block fraction of a lot; a mark above the upper line would be a donor "
        "whose blocked well lies below its reference.",
        alt="; ".join(f"{name}: {one.total.value:.3g}" for name, one in found[:6]) + ".",
        equal=True,
    )


def residual_picture(
    protected: Floats, control: Floats | None, unprotected: Floats | None, found: Residual, allowed: float | None
) -> Picture:
    """Loss rates by well.

    Parameters
    ----------
    protected, control, unprotected : ndarray, shape (sample,)
        [%/min].
    found : Residual
    allowed : float or None
        [%/min].

    Returns
    -------
    Picture
    """
    named = [
        ("antifibrinolytic, lysis added", protected),
        ("control, none added", control),
        ("no antifibrinolytic", unprotected),
    ]
    shown = [(name, values) for name, values in named if values is not None]
    layers: list[Layer] = []
    for k, (_, values) in enumerate(shown):
        marks = thinned(values, most=500)[0]
        layers.append(Points(tuple(float(k) for _ in marks), marks, "", k, faint=True))
        layers.append(Points((float(k),), (float(values.mean()),), "", k))
    layers.append(Level(0.0, "no loss", kind="zero"))
    if allowed is not None and control is None:
        layers.append(Level(allowed, "allowed"))
    unit = found.residual.unit or "-"
    return Picture(
        "Loss rates",
        "well",
        f"loss rate [{unit}]",
        tuple(layers),
        caption="Light marks: samples; full marks: means. The verdict rests on the paired difference from the control "
        "where there is one.",
        alt=f"Residual loss rate {found.residual.value:.4g} {unit}.",
        x_names=tuple(name for name, _ in shown),
    )


def effect_picture(
    names: Sequence[str], effects: Sequence[Bounded], allowed: float | None, difference: bool
) -> Picture:
    """Effects of additives against what is allowed.

    Parameters
    ----------
    names : sequence of str
    effects : sequence of Bounded
        [unit].
    allowed : float or None
        [unit].
    difference : bool

    Returns
    -------
    Picture
    """
    layers: list[Layer] = [
        Rows(
            tuple(names[:40]),
            tuple(e.value for e in effects[:40]),
            tuple(e.low for e in effects[:40]),
            tuple(e.high for e in effects[:40]),
        ),
        Level(0.0 if difference else 1.0, "no effect", "x", "zero"),
    ]
    if allowed is not None:
        ends = (-allowed, allowed) if difference else (1 / allowed, allowed)
        layers += [Level(end, "allowed", "x") for end in ends]
    unit = effects[0].unit if difference else "-"
    return Picture(
        "Effect where the additive is not needed",
        f"{'with − without' if difference else 'with over without'} [{unit or '-'}]",
        "additive",
        tuple(layers),
        caption=f"Whiskers: {100 * effects[0].level:g} % interval, the one that decides.",
        alt="; ".join(f"{n}: {e.value:.4g}" for n, e in zip(names[:6], effects[:6])) + ".",
    )


def contact_picture(found: Contact, unit: str) -> Picture:
    """Share of wells not yet set, with and without tissue factor.

    Parameters
    ----------
    found : Contact
    unit : str

    Returns
    -------
    Picture
    """
    layers: list[Layer] = []
    for k, (curve, name) in enumerate(
        ((found.curve_with, "with tissue factor"), (found.curve_blank, "without tissue factor"))
    ):
        x, y = thinned(*curve)
        layers.append(Line(x, y, name, k, step=True))
    return Picture(
        "Wells not yet set",
        f"time since activation [{unit or '-'}]",
        "share not yet set [-]",
        tuple(layers),
        caption="Kaplan-Meier; wells that never set count as not set until the end of their run.",
        alt=f"{found.open_blank} of {found.n} blanks and {found.open_with} wells with tissue factor never set.",
    )
