"""The slope of any rank among all pairs of points, without the list of all pairs.

Every pair has a slope; there are n(n - 1)/2 of them, five thousand million for 100 000 points. The number of slopes
below a probe t equals the number of inversions of v - t u along u, which a merge sort counts in n log n steps, and the
same sort can name any chosen ones of the pairs between two probes. A random sample of them narrows the bracket about a
hundredfold each time until the rest is short enough to be listed. Slopes are ordered as Passing and Bablok order them:
upwards from -1 through 0, 1 and the upright line, then on from minus infinity to -1. In u = x + y, v = y - x that is
the plain order of dv/du, and a slope of -1 is a pair with equal u.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.compiled import compiled

__all__ = ["SlopeRanks", "scaled_integers"]

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Keys = NDArray[Any]

LISTED = 2_000_000
"""So many pairs are listed at most [-]."""

SAMPLED = 200_000
"""Pairs drawn to narrow a bracket [-]."""

EXACT = 2**52
"""Scaled integers stay below this."""


def _merge_pairs(keys: Keys, picks: Integers, first: Integers, second: Integers) -> int:
    """Count the inversions of `keys`; write the places of those whose running number is in the sorted `picks`."""
    n = keys.size
    here, there = keys.copy(), keys.copy()
    place, other = np.arange(n), np.arange(n)
    count = 0
    width = 1
    while width < n:
        # Picks are numbered within the whole run: the count goes on across the widths.
        taken = np.searchsorted(picks, count)
        for start in range(0, n, 2 * width):
            middle, stop = min(start + width, n), min(start + 2 * width, n)
            i, j = start, middle
            for k in range(start, stop):
                if j >= stop or (i < middle and not here[i] > here[j]):
                    there[k], other[k] = here[i], place[i]
                    i += 1
                    continue
                if i < middle:
                    more = middle - i
                    while taken < picks.size and picks[taken] < count + more:
                        first[taken] = place[i + picks[taken] - count]
                        second[taken] = place[j]
                        taken += 1
                    count += more
                there[k], other[k] = here[j], place[j]
                j += 1
        here, there = there, here
        place, other = other, place
        width *= 2
    return count


merge_pairs = compiled(_merge_pairs)

NONE: Integers = np.empty(0, dtype=np.int64)


def scaled_integers(x: Floats, y: Floats) -> tuple[Integers, Integers] | None:
    """Both columns as whole multiples of one power of ten, where that is exactly what they are.

    Parameters
    ----------
    x, y : ndarray, shape (point,)
        [unit].

    Returns
    -------
    tuple of ndarray of int, or None
        None where the numbers have more digits than 52 bits hold.

    Notes
    -----
    Up to 2^53 and 10^22 a division rounds correctly, so X / 10^k equals x only if x is the double nearest to the
    decimal number X 10^-k: what was written is recovered, not guessed.
    """
    both = np.concatenate([x, y])
    for power in range(23):
        scale = 10.0**power
        if not float(np.abs(both).max()) * scale < EXACT / 4:
            return None
        for part in (both[:500], both):
            if not bool((np.rint(part * scale) / scale == part).all()):
                break
        else:
            whole = np.rint(both * scale).astype(np.int64)
            return whole[: x.size], whole[x.size :]
    return None


@dataclass
class SlopeRanks:
    """Slopes of all pairs of points in the order of Passing and Bablok, by rank.

    Parameters
    ----------
    x, y : ndarray, shape (point,)
        [unit].
    seed : int
        Of the sampling; the result does not depend on it.

    Notes
    -----
    Numbers with up to 15 digits are compared in whole numbers, exactly. Longer ones are compared in floating point:
    two sums x + y within four rounding steps of each other count as equal, and slopes closer than rounding may change
    place.
    """

    x: Floats
    y: Floats
    seed: int = 1
    exact: bool = field(init=False)
    total: int = field(init=False)
    dropped_identical: int = field(init=False)
    dropped_minus_one: int = field(init=False)

    def __post_init__(self) -> None:
        whole = scaled_integers(self.x, self.y)
        self.exact = whole is not None
        if whole is not None:
            whole_x, whole_y = (w - w[0] for w in whole)
            self._dx, self._dy = whole_x.astype(np.float64), whole_y.astype(np.float64)
            u, v = self._coordinates(whole_x, whole_y)
        else:
            self._dx, self._dy = self.x, self.y
            u, v = self._coordinates(self.x, self.y)
        order = np.lexsort((v, u))
        self._order = order
        self._u, self._v = u[order], v[order]
        self._dx, self._dy = self._dx[order], self._dy[order]
        n = self.x.size
        same_u = _pairs_in_runs(self._u[1:] == self._u[:-1])
        same_x, same_y = self._dx[1:] == self._dx[:-1], self._dy[1:] == self._dy[:-1]
        self.dropped_identical = _pairs_in_runs((self._u[1:] == self._u[:-1]) & same_x & same_y)
        self._same_u = same_u
        self.dropped_minus_one, self.total = self._left(n * (n - 1) // 2)
        if self.exact:
            reach = int(np.abs(self._u).max(initial=0)), int(np.abs(self._v).max(initial=0))
            self._short = 4 * reach[0] * reach[1] < 2**62

    def _coordinates(self, x: Keys, y: Keys) -> tuple[Keys, Keys]:
        """Where the slopes have their plain order and the dropped ones are ties."""
        return (x + y if self.exact else snapped(x, y)), y - x

    def _left(self, pairs: int) -> tuple[int, int]:
        """Pairs of slope -1, and slopes that are left to rank."""
        return self._same_u - self.dropped_identical, pairs - self._same_u

    def _steps(self, i: NDArray[Any], j: NDArray[Any]) -> tuple[Keys, Keys]:
        """Differences (du, dv) whose ratio dv/du is ranked."""
        return self._u[j] - self._u[i], self._v[j] - self._v[i]

    def at(self, ranks: list[int]) -> list[float]:
        """Slopes of the given ranks, counted from 1; infinity for the upright line.

        Parameters
        ----------
        ranks : list of int
            1 to `total`.

        Returns
        -------
        list of float
            [unit].
        """
        if any(not 1 <= r <= self.total for r in ranks):
            raise InputError("rank of a slope", got=ranks, allowed=f"1 to {self.total}")
        return [self._select(rank) for rank in ranks]

    def below_minus_one(self) -> int:
        """How many slopes are below -1, upright pairs counted as plus infinity."""
        one = np.int64(1) if self.exact else 1.0
        return self.total - self._count((one, one))[1]

    def listed(self) -> Floats:
        """Every slope in order [unit], for few points: the list the fast way is tested against."""
        i, j = np.triu_indices(self.x.size, 1)
        keep = self._u[i] != self._u[j]
        return self._sorted_slopes(i[keep], j[keep])

    def _sorted_slopes(self, i: NDArray[Any], j: NDArray[Any]) -> Floats:
        dx, dy = self._dx[j] - self._dx[i], self._dy[j] - self._dy[i]
        upright = dx == 0
        slope = np.where(upright, np.inf, dy / np.where(upright, 1.0, dx))
        du, dv = self._u[j] - self._u[i], self._v[j] - self._v[i]
        beyond = np.where(du > 0, dv > du, dv < du) & ~upright
        return slope[np.lexsort((slope, beyond))]

    def _keys(self, probe: tuple[Any, Any]) -> Keys:
        """Values whose inversions are the slopes below dv/du = probe[0]/probe[1]."""
        p, q = probe
        if not self.exact:
            # Along the upright line the difference is x alone, free of rounding.
            return cast(Keys, -self._dx if p == q else self._v - (p / q) * self._u)
        if self._short:
            return cast(Keys, q * self._v - p * self._u)
        # The low 64 bits are exact with wrap-around; the double is right to well below the next 64.
        with np.errstate(over="ignore"):
            low = q * self._v - p * self._u
        rough = float(q) * self._v.astype(np.float64) - float(p) * self._u.astype(np.float64)
        high = np.rint((rough - low.astype(np.float64)) / 2.0**64)
        # Within one value of `high` the order of the signed low part is the order of the number.
        order = np.lexsort((low, high))
        new = np.ones(order.size, dtype=np.int64)
        new[1:] = (low[order][1:] != low[order][:-1]) | (high[order][1:] != high[order][:-1])
        dense = np.empty(order.size, dtype=np.int64)
        dense[order] = np.cumsum(new)
        return dense

    def _count(self, probe: tuple[Any, Any]) -> tuple[int, int]:
        """How many slopes are below the probe, and how many at it or below."""
        keys = self._keys(probe)
        below = int(merge_pairs(keys, NONE, NONE, NONE))
        order = np.lexsort((self._u, keys))
        k, u = keys[order], self._u[order]
        same = k[1:] == k[:-1]
        return below, below + _pairs_in_runs(same) - _pairs_in_runs(same & (u[1:] == u[:-1]))

    def _between(
        self, low: tuple[Any, Any] | None, high: tuple[Any, Any] | None, picks: Callable[[int], Integers]
    ) -> tuple[int, NDArray[Any], NDArray[Any]]:
        """Number of slopes strictly between two probes, and the pairs of those that `picks` chooses."""
        order = np.arange(self._u.size) if low is None else np.lexsort((-self._u, self._keys(low)))
        keys = (-self._u if high is None else self._keys(high))[order]
        count = int(merge_pairs(keys, NONE, NONE, NONE))
        chosen = picks(count)
        first, second = np.empty(chosen.size, dtype=np.int64), np.empty(chosen.size, dtype=np.int64)
        merge_pairs(keys, chosen, first, second)
        return count, order[first], order[second]

    def _select(self, rank: int) -> float:
        rng = np.random.default_rng(self.seed)
        low: tuple[Any, Any] | None = None
        high: tuple[Any, Any] | None = None
        under = 0

        def choose(count: int) -> Integers:
            if count <= LISTED:
                return np.arange(count, dtype=np.int64)
            return np.unique(rng.integers(0, count, SAMPLED))

        for _ in range(60):
            count, i, j = self._between(low, high, choose)
            if count <= LISTED:
                return float(self._sorted_slopes(i, j)[min(max(rank - under - 1, 0), count - 1)])
            found, low, high, under = self._narrow(i, j, low, high, under, count, rank)
            if found is not None:
                return found
        raise InputError("slopes of the pairs", got="no decision after 60 rounds", allowed="pairs that can be ranked")

    def _narrow(
        self,
        i: NDArray[Any],
        j: NDArray[Any],
        low: tuple[Any, Any] | None,
        high: tuple[Any, Any] | None,
        under: int,
        count: int,
        rank: int,
    ) -> tuple[float | None, tuple[Any, Any] | None, tuple[Any, Any] | None, int]:
        du, dv = self._steps(i, j)
        order = np.argsort(dv / du, kind="stable")
        m = order.size
        share = (rank - under) / count
        reach = 4.0 * np.sqrt(m * share * (1 - share)) + 4.0
        ends = [int(min(max(round(share * m + side * reach), 0), m - 1)) for side in (-1, 1)]
        left, right = dv[order[ends[0]]] / du[order[ends[0]]], dv[order[ends[1]]] / du[order[ends[1]]]
        if not self.exact and right - left <= 1e-14 * max(1.0, abs(left)):
            middle = order[(ends[0] + ends[1]) // 2]
            return float(self._sorted_slopes(i[middle : middle + 1], j[middle : middle + 1])[0]), low, high, under
        for end in ends:
            at = order[end]
            probe = (dv[at], du[at]) if du[at] > 0 else (-dv[at], -du[at])
            below, through = self._count(probe)
            if below < rank <= through:
                return float(self._sorted_slopes(i[at : at + 1], j[at : at + 1])[0]), low, high, under
            if through < rank and through > under:
                low, under = probe, through
            elif rank <= below:
                high = probe
                break
        return None, low, high, under


def snapped(x: Floats, y: Floats) -> Floats:
    """Sums x + y, with those equal but for rounding made equal [unit]."""
    u = x + y
    order = np.argsort(u, kind="stable")
    size = (np.abs(x) + np.abs(y))[order]
    near = 4 * np.finfo(float).eps * np.maximum(size[1:], size[:-1])
    ordered = u[order]
    new = np.concatenate([[True], ordered[1:] - ordered[:-1] > near])
    out = np.empty_like(u)
    out[order] = ordered[new][np.cumsum(new) - 1]
    return out


def _pairs_in_runs(same: NDArray[np.bool_]) -> int:
    """Pairs within runs of equal neighbours."""
    edges = np.flatnonzero(np.concatenate([[True], ~same, [True]]))
    length = np.diff(edges)
    return int((length * (length - 1) // 2).sum())
