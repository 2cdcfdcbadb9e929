"""The absolute slope of any rank among all pairs of points, without the list of all pairs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from stanch.verify.agreement.slopes import NONE, Floats, Integers, Keys, SlopeRanks

__all__ = ["AbsoluteSlopeRanks"]

Probe = tuple[Any, Any]


@dataclass
class AbsoluteSlopeRanks(SlopeRanks):
    """Absolute slopes of all pairs of points by rank; upright pairs are infinite and come last.

    Notes
    -----
    Slopes of size below t are those below t less those at -t or below: two counts of the plain order.
    """

    def _coordinates(self, x: Keys, y: Keys) -> tuple[Keys, Keys]:
        return x, y

    def _left(self, pairs: int) -> tuple[int, int]:
        return 0, pairs - self.dropped_identical

    def _steps(self, i: NDArray[Any], j: NDArray[Any]) -> tuple[Keys, Keys]:
        return cast(Keys, np.abs(self._u[j] - self._u[i])), cast(Keys, np.abs(self._v[j] - self._v[i]))

    def _sorted_slopes(self, i: NDArray[Any], j: NDArray[Any]) -> Floats:
        dx, dy = np.abs(self._dx[j] - self._dx[i]), np.abs(self._dy[j] - self._dy[i])
        upright = dx == 0
        return cast(Floats, np.sort(np.where(upright, np.inf, dy / np.where(upright, 1.0, dx))))

    def _keys(self, probe: Probe) -> Keys:
        if not self.exact:
            return cast(Keys, self._v - (probe[0] / probe[1]) * self._u)
        return super()._keys(probe)

    def _count(self, probe: Probe) -> tuple[int, int]:
        below, through = super()._count(probe)
        lower, lowest = super()._count((-probe[0], probe[1]))
        return max(below - lowest, 0), through - lower

    def _between(
        self, low: Probe | None, high: Probe | None, picks: Callable[[int], Integers]
    ) -> tuple[int, NDArray[Any], NDArray[Any]]:
        def turned(probe: Probe | None) -> Probe | None:
            return None if probe is None else (-probe[0], probe[1])

        sides = [(turned(high), high)] if low is None else [(low, high), (turned(high), turned(low))]
        counts = [super(AbsoluteSlopeRanks, self)._between(*side, lambda _: NONE)[0] for side in sides]
        chosen = picks(sum(counts))
        first, second = [], []
        start = 0
        for side, count in zip(sides, counts):
            own = chosen[(chosen >= start) & (chosen < start + count)] - start
            _, i, j = super()._between(*side, lambda _, own=own: own)  # type: ignore[misc]
            first.append(i)
            second.append(j)
            start += count
        return sum(counts), np.concatenate(first), np.concatenate(second)

    def _select(self, rank: int) -> float:
        upright = self._same_u - self.dropped_identical
        return float("inf") if rank > self.total - upright else super()._select(rank)

    def below_minus_one(self) -> int:
        """None are: slopes are taken without their sign [-]."""
        return 0

    def listed(self) -> Floats:
        """Every absolute slope in order [unit], for few points."""
        i, j = np.triu_indices(self.x.size, 1)
        keep = (self._dx[i] != self._dx[j]) | (self._dy[i] != self._dy[j])
        return self._sorted_slopes(i[keep], j[keep])
