"""Sample + run + well by least squares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.wells.blocks import Blocks
from stanch.verify.wells.fit import WellFit

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]


def cells(y: Floats, s: Whole, w: Whole, r: Whole) -> tuple[Whole, Floats, float]:
    """First row of each cell, the mean in it, and the sum of squares within cells."""
    order = np.lexsort((w, r, s))
    new = np.r_[True, (np.diff(s[order]) != 0) | (np.diff(r[order]) != 0) | (np.diff(w[order]) != 0)]
    start = np.flatnonzero(new)
    count = np.diff(np.r_[start, y.size])
    middle = y.mean()
    mean = np.add.reduceat(y[order] - middle, start) / count
    rest = y[order] - middle - mean[np.cumsum(new) - 1]
    return order[start], mean + middle, float(rest @ rest)


def additive(y: Floats, s: Whole, r: Whole, w: Whole, wells: int) -> WellFit:
    """Sample + run + well by least squares; wells may be any number of classes, compared where they meet."""
    n = y.size
    size = float(np.abs(y - y.mean()).max()) or 1.0
    z = (y - y.mean()) / size
    blocks = Blocks(s, r)
    gram, side = blocks.reduced(w, wells, z)
    values, vectors = np.linalg.eigh((gram + gram.T) / 2)
    good = values > 1e-9 * max(float(values.max()), 1.0)
    rank = int(good.sum())
    inverse = (vectors[:, good] / values[good]) @ vectors[:, good].T
    seen = vectors[:, good] @ vectors[:, good].T
    effects = inverse @ side
    residual = blocks.swept(z - effects[w])
    df = n - blocks.rank - rank
    if df < 1:
        raise InputError(
            "wells", got=f"{n} cells of sample, run and well", allowed="more cells than unknowns", do="Repeat samples."
        )
    rss = float(residual @ residual)
    rss = 0.0 if rss < 1e-26 * n else rss
    return WellFit(effects * size, inverse * rss / df * size**2, rss * size**2, float(df), residual * size, rank, seen)


def connected(fit: WellFit, wells: int) -> None:
    """Refuse wells that no sample connects."""
    if fit.rank < wells - 1:
        raise InputError(
            "wells",
            got="wells that no sample connects",
            allowed="every well compared with every other through common samples",
            do="Rotate samples over all wells.",
        )
