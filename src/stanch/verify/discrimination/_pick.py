"""The best cut of many samples at once."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.verify.discrimination.marks import Places

Rule = Literal["youden", "sensitivity", "specificity", "given"]
Placed = Literal["midpoint", "observed"]
Counts = NDArray[np.int64]


def pick_many(
    tp: Counts, fp: Counts, positives: int, negatives: int, rule: Rule, wanted: float | None
) -> tuple[Places, Places]:
    """The chosen cut of every row, the first of those that decide alike, and how many cuts are equally good."""
    if rule == "youden":
        # Whole numbers, so that ties are ties.
        index = tp * negatives - fp * positives
        good = index == index.max(axis=1)[:, None]
        changes = np.diff(tp + fp, axis=1, prepend=-1) > 0
        # Nobody positive is no cut-off: where nothing separates, cut 0 wins and says so.
        nothing = index.max(axis=1) <= 0
        cuts = np.where(good, tp, -1).argmax(axis=1)
        return np.where(nothing, 0, cuts).astype(np.intp), (good & changes).sum(axis=1)
    assert wanted is not None
    if rule == "sensitivity":
        good = tp >= math.ceil(wanted * positives - 1e-9)
        cuts = good.argmax(axis=1)
    else:
        good = fp <= math.floor((1 - wanted) * negatives + 1e-9)
        cuts = np.where(good, tp, -1).argmax(axis=1)
    return cuts.astype(np.intp), np.ones(tp.shape[0], dtype=np.intp)
