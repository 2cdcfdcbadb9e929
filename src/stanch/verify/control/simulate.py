"""Run lengths by simulation, for rules without an exact chain and as a check of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stanch.errors import InputError
from stanch.verify.control.rules import Rule, judge

__all__ = ["Simulated", "simulated_rates"]


@dataclass(frozen=True)
class Simulated:
    """Run lengths seen in simulated series.

    Parameters
    ----------
    mean_run_length, error : float
        Runs observed per rejection, and its standard error [-].
    rejected, series : int
        Series that came to a rejection, of how many.
    first_run : int
        Series rejected in their first run.
    """

    mean_run_length: float
    error: float
    rejected: int
    series: int
    first_run: int


def simulated_rates(
    rules: Sequence[Rule],
    *,
    per_run: int = 1,
    shift: float = 0.0,
    spread: float = 1.0,
    series: int = 1000,
    runs: int = 2000,
    seed: int = 1,
) -> Simulated:
    """Run lengths of any set of rules from empty memory, by simulation.

    Parameters
    ----------
    rules : sequence of Rule
    per_run : int
        Results per run.
    shift : float
        [-].
    spread : float
        [-].
    series, runs : int
        Series, and runs after which one is given up (counted as observed without rejection).
    seed : int

    Returns
    -------
    Simulated
    """
    if series < 2 or runs < 1 or per_run < 1:
        raise InputError("simulation", got=(series, runs, per_run), allowed="2 series, 1 run and 1 result at least")
    draw = np.random.default_rng(seed)
    block = max(1, 400_000 // (runs * per_run))
    lengths: list[np.ndarray[tuple[int], np.dtype[np.int64]]] = []
    for begin in range(0, series, block):
        size = min(block, series - begin)
        z = shift + spread * draw.standard_normal(size * runs * per_run)
        run = np.repeat(np.arange(size * runs), per_run)
        level = np.tile(np.arange(per_run), size * runs)
        hit = judge(rules, z, run=run, level=level, series=np.repeat(np.arange(size), runs * per_run)).rejected
        table = hit.any(axis=0).reshape(size, runs)
        lengths.append(np.where(table.any(axis=1), table.argmax(axis=1) + 1, runs + 1))
    length = np.concatenate(lengths)
    ended = int((length <= runs).sum())
    observed = float(np.minimum(length, runs).sum())
    if ended == 0:
        return Simulated(math.inf, math.inf, 0, series, 0)
    mean = observed / ended
    error = float(np.std(np.minimum(length, runs) - mean * (length <= runs), ddof=1) * math.sqrt(series) / ended)
    return Simulated(mean, error, ended, series, int((length == 1).sum()))
