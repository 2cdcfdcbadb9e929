"""False rejection, error detection and run lengths of any set of rules, by an exact Markov chain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.verify.control.rules import Rule

__all__ = ["Rates", "rates"]

Floats = NDArray[np.float64]
MOST_STATES = 60_000
Memory = tuple[int, ...]


@dataclass(frozen=True)
class Rates:
    """How a set of rules behaves at one size of error.

    Parameters
    ----------
    rejection : float
        Probability that the first run with the error is rejected, after a long time in control without rejection; with
        no error the probability of false rejection per run [-].
    fresh : float
        The same with nothing remembered from runs before [-].
    within : float
        Probability of a rejection within the stated number of runs from the start of the error [-].
    mean_run_length : float
        Runs up to and with the first rejection, on average, when the error is there from the start [-].
    median_run_length, run_length_95 : float
        Median and 95th percentile of that number, interpolated geometrically beyond the steps computed [-].
    states : int
        Of the chain.
    """

    rejection: float
    fresh: float
    within: float
    mean_run_length: float
    median_run_length: float
    run_length_95: float
    states: int


@dataclass(frozen=True)
class _Chain:
    """Moves between memories: for every place in a run, from, to and zone; rejected moves are left out."""

    sizes: tuple[int, ...]
    moves: tuple[tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]], ...]
    cuts: tuple[float, ...]

    def steps(self, shift: float, spread: float) -> list[Any]:
        """Sparse matrices of the moves of one run."""
        from scipy import sparse, special

        edges = (np.array([-math.inf, *self.cuts, math.inf]) - shift) / spread
        low, high = edges[:-1], edges[1:]
        # On the upper side the difference of upper tails keeps the digits.
        p = np.where(low > 0, special.ndtr(-low) - special.ndtr(-high), special.ndtr(high) - special.ndtr(low))
        made = []
        for j, (source, target, zone) in enumerate(self.moves):
            shape = (self.sizes[j], self.sizes[(j + 1) % len(self.sizes)])
            made.append(sparse.csr_array((p[zone], (source, target)), shape=shape))
        return made


def _step(rule: Rule, memory: Memory, side: int) -> Memory | None:
    """Memory of a rule after a result above (1), below (-1) or inside (0) its limit; None when it signals."""
    if rule.kind == "opposite":
        up, down = memory or (0, 0)
        up, down = int(up or side > 0), int(down or side < 0)
        return None if up and down else (up, down)
    seen = side if rule.same_side else abs(side)
    window = (*memory, seen)[-rule.of :]
    if seen and sum(1 for s in window if s == seen) >= rule.count:
        return None
    if rule.of == rule.count:
        # An unbroken run is all that can still lead to a signal.
        tail = 0
        while tail < len(window) and seen and window[-1 - tail] == seen:
            tail += 1
        return window[len(window) - tail :] if tail else ()
    window = window[-(rule.of - 1) :] if rule.of > 1 else ()
    while window and window[0] == 0:
        window = window[1:]
    return window


@lru_cache(maxsize=64)
def _chain(rules: tuple[Rule, ...], per_run: int) -> _Chain:
    limits = {r.beyond for r in rules}
    cuts = tuple(sorted({s * m for m in limits for s in (-1.0, 1.0)}))
    edges = (-math.inf, *cuts, math.inf)
    zones = range(len(edges) - 1)
    sides = [[1 if edges[z] >= r.beyond else -1 if edges[z + 1] <= -r.beyond else 0 for z in zones] for r in rules]
    copies = [per_run if r.scope == "level" else 1 for r in rules]
    empty: tuple[tuple[Memory, ...], ...] = tuple(tuple(() for _ in range(c)) for c in copies)
    known: list[dict[Any, int]] = [{empty: 0}] + [{} for _ in range(per_run - 1)]
    moves: list[tuple[list[int], list[int], list[int]]] = [([], [], []) for _ in range(per_run)]
    waiting: list[tuple[int, Any]] = [(0, empty)]
    while waiting:
        place, state = waiting.pop()
        source, after = known[place][state], (place + 1) % per_run
        for zone in zones:
            fresh: list[tuple[Memory, ...]] = []
            for i, rule in enumerate(rules):
                slot = place if rule.scope == "level" else 0
                memory = _step(rule, state[i][slot], sides[i][zone])
                if memory is None:
                    break
                if rule.scope == "run" and after == 0:
                    memory = ()
                fresh.append((*state[i][:slot], memory, *state[i][slot + 1 :]))
            if len(fresh) < len(rules):
                continue
            key = tuple(fresh)
            if key not in known[after]:
                known[after][key] = len(known[after])
                waiting.append((after, key))
                if sum(map(len, known)) > MOST_STATES:
                    raise InputError(
                        "rules for the exact rates",
                        got=f"more than {MOST_STATES} states of memory",
                        allowed="fewer rules, shorter windows or fewer results per run",
                        do="Let the rules run across levels instead of by level.",
                    )
            for column, entry in zip(moves[place], (source, known[after][key], zone), strict=True):
                column.append(entry)
    arrays = tuple(tuple(np.array(c, dtype=np.intp) for c in m) for m in moves)
    return _Chain(tuple(len(k) for k in known), arrays, cuts)  # type: ignore[arg-type]


def rates(
    rules: Sequence[Rule], *, per_run: int = 1, shift: float = 0.0, spread: float = 1.0, within: int = 1
) -> Rates:
    """Exact rates of a set of rules on independent normal results.

    Parameters
    ----------
    rules : sequence of Rule
        A run is rejected when any of them signals; then memory starts empty. Rules of kind ``range`` and ``trend``
        have no finite memory and are refused: simulate them.
    per_run : int
        Results per run, one for each level.
    shift : float
        Systematic error common to all results, in standard deviations in control [-].
    spread : float
        Standard deviation over that in control [-].
    within : int
        Runs counted for `Rates.within`.

    Returns
    -------
    Rates

    Raises
    ------
    InputError
        If a rule has no finite memory or there are too many states.

    Notes
    -----
    Memory of a rule is what its last results can still contribute to a signal; the memories of all rules together are
    the states, results the steps. After Champ CW, Woodall WH. Technometrics 29:393-399 (1987), from memory.

    Examples
    --------
    >>> round(rates([Rule(beyond=3.0)]).mean_run_length, 4)
    370.3983
    """
    if not rules:
        raise InputError("rules", got="none", allowed="at least one rule")
    endless = [r.name for r in rules if r.kind in ("range", "trend")]
    if endless:
        raise InputError(
            "rules for the exact rates",
            got=endless[0],
            allowed="rules that count results beyond limits",
            do="Simulate.",
        )
    if not 1 <= per_run <= 12:
        raise InputError("results per run", got=per_run, allowed="1 to 12")
    if not (math.isfinite(shift) and spread > 0 and math.isfinite(spread)) or within < 1:
        raise InputError("error", got=(shift, spread, within), allowed="a finite shift, a spread above 0, runs from 1")
    chain = _chain(tuple(rules), int(per_run))
    calm = _settled(chain)
    steps = chain.steps(shift, spread)
    start = np.zeros(chain.sizes[0])
    start[0] = 1.0
    fresh = _kept(start, steps)
    alive = calm
    first = math.nan
    for i in range(within):
        alive = _kept(alive, steps)
        first = 1 - float(alive.sum()) if i == 0 else first
    lengths = _lengths(chain, steps)
    median, late = _percentiles(start, steps)
    return Rates(first, 1 - float(fresh.sum()), 1 - float(alive.sum()), lengths, median, late, sum(chain.sizes))


def _kept(alive: Floats, steps: Sequence[Any]) -> Floats:
    for step in steps:
        alive = alive @ step
    return alive


def _settled(chain: _Chain) -> Floats:
    """Distribution of memory in control, given that nothing was rejected for a long time."""
    steps = chain.steps(0.0, 1.0)
    alive = np.zeros(chain.sizes[0])
    alive[0] = 1.0
    after: Floats = alive
    for _ in range(2000):
        after = _kept(alive, steps)
        after = after / after.sum()
        if np.abs(after - alive).sum() < 1e-14:
            break
        alive = after
    return after


def _lengths(chain: _Chain, steps: Sequence[Any]) -> float:
    """Mean number of runs to the first rejection from empty memory."""
    n = chain.sizes[0]
    if n <= 300:
        whole = steps[0]
        for step in steps[1:]:
            whole = whole @ step
        return float(np.linalg.solve(np.eye(n) - whole.toarray(), np.ones(n))[0])
    # Sum of the shares still unrejected; once the memory of the survivors has settled the rest is geometric.
    alive = np.zeros(n)
    alive[0] = 1.0
    total, left = 0.0, 1.0
    for _ in range(100_000):
        total += left
        after = _kept(alive, steps)
        share = float(after.sum())
        if share == 0.0:
            return total
        moved = float(np.abs(after / share - alive).sum())
        left *= share
        alive = after / share
        if moved < 1e-13:
            return total + left / (1 - share) if share < 1 else math.inf
        if left < 1e-18 * total:
            return total
    return math.inf


def _percentiles(start: Floats, steps: Sequence[Any], most: int = 400) -> tuple[float, float]:
    """Median and 95th percentile of the run length; beyond `most` runs the survivors fall geometrically."""
    found: list[float] = []
    alive, left = start, 1.0
    for runs in range(1, most + 1):
        before, alive = left, _kept(alive, steps)
        left = float(alive.sum())
        while len(found) < 2 and left <= (0.5, 0.05)[len(found)]:
            found.append(float(runs))
        if len(found) == 2:
            return found[0], found[1]
    ratio = left / before
    for share in (0.5, 0.05)[len(found) :]:
        more = math.inf if ratio >= 1 else math.log(share / left) / math.log(ratio)
        found.append(float(most + math.ceil(more)) if math.isfinite(more) else math.inf)
    return found[0], found[1]
