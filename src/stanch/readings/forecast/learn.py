"""Learning a prior: a library of whole curves, and margins from samples that were held out.

Margins are those of split-conformal prediction within phases of a run: the factor by which the distance from median to
2.5 % (97.5 %) point has to be stretched so that 97.5 % of held-out samples lie inside on that side, with the correction
for their number. They are honest for samples like the held-out ones, whatever is wrong with the model behind them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.mechanics.records import Moduli
from stanch.readings.definitions import Definitions
from stanch.readings.forecast import targets
from stanch.readings.forecast.forecast import Forecaster, Raw, curve_until, margin_key, to_log
from stanch.readings.forecast.library import compress, library_grid
from stanch.readings.forecast.records import KineticPrior, Margin, Origin

__all__ = ["FEWEST", "HeldOut", "learn", "true_values"]

Floats = NDArray[np.float64]
Course = tuple[Floats, Floats]
Row = tuple[float, float, float]

FEWEST = 40
"""Held-out forecasts without which no margin is given: 97.5 % of fewer is more than all of them [-]."""
TAIL = 0.975
MISFIT_SHARE = 0.99


@dataclass(frozen=True)
class HeldOut:
    """One sample that is not in the library.

    Parameters
    ----------
    moduli : mapping of str to Moduli
        By class of well; times since activation.
    truth : mapping of str to (time, modulus)
        Whole curves: true ones of a virtual sample, final ones of a laboratory's own run [s], [Pa].
    """

    moduli: Mapping[str, Moduli]
    truth: Mapping[str, Course]


def learn(
    library: Sequence[Mapping[str, Course]],
    held_out: Sequence[HeldOut],
    definitions: Definitions,
    *,
    run: float = 3600.0,
    pairs: tuple[tuple[str, str], ...] = (),
    origin: Origin,
    seed: int = 0,
    progress: Callable[[float], None] = lambda _fraction: None,
) -> KineticPrior:
    """Learn a prior.

    Parameters
    ----------
    library : sequence of mapping of str to (time, modulus)
        One per sample: whole curves by class of well [s], [Pa].
    held_out : sequence of HeldOut
        Other samples, as alike as can be to those that will be forecast.
    definitions : Definitions
    run : float
        Length of the runs [s].
    pairs : tuple of (str, str)
        Classes of wells without and with the antifibrinolytic.
    origin : Origin
    seed : int
        Of the times at which held-out samples are looked at.
    progress : callable
        Told the fraction done [-].

    Returns
    -------
    KineticPrior

    Raises
    ------
    InputError
        If there are fewer than forty library samples or held-out ones.
    """
    for name, found in (("library", library), ("held-out samples", held_out)):
        if len(found) < FEWEST:
            raise InputError(
                name, got=f"{len(found)} samples", allowed=f"at least {FEWEST}", do="Learn from more runs."
            )
    grid = library_grid(run)
    classes = sorted({name for sample in library for name in sample})
    kept = {name: np.full((len(library), grid.size), np.nan) for name in classes}
    for number, sample in enumerate(library):
        for name, (time, modulus) in sample.items():
            kept[name][number] = compress(time, modulus, grid)
    bare = KineticPrior(origin, definitions, run, grid, kept, pairs=pairs)
    rows = _score(bare, held_out, seed, progress)
    return KineticPrior(origin, definitions, run, grid, kept, _margins(rows), pairs)


def true_values(
    truth: Mapping[str, Course], pairs: tuple[tuple[str, str], ...], d: Definitions, run: float
) -> dict[tuple[str, str], float]:
    """What is forecast, of whole curves, by quantity and class of well.

    Parameters
    ----------
    truth : mapping of str to (time, modulus)
        [s], [Pa].
    pairs : tuple of (str, str)
    d : Definitions
    run : float
        [s].

    Returns
    -------
    dict of (str, str) to float
        [SI unit]; NaN for a retention that cannot be formed.
    """
    time = np.linspace(0.0, run, round(run / 2.0) + 1)
    paths = {name: np.interp(time, *course)[None, :] for name, course in truth.items()}
    found = {}
    for name, path in paths.items():
        found["plateau", name] = float(targets.plateau(time, path)[0])
        found["early_modulus", name] = float(targets.early_modulus(time, path, d)[0][0])
    for first, second in pairs:
        if first in paths and second in paths:
            value = targets.retention(time, paths[first], paths[second], d).value
            found["retention", f"{first} / {second}"] = float(value[0])
    return found


def _score(
    prior: KineticPrior, held_out: Sequence[HeldOut], seed: int, progress: Callable[[float], None]
) -> dict[tuple[str, str, str], list[Row]]:
    """By quantity, class and phase: the two stretches each held-out forecast asks for, and its misfit."""
    teller = Forecaster(prior, seed=seed)
    rows: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for number, sample in enumerate(held_out):
        rng = np.random.default_rng([seed, 13, number])
        truth = true_values(sample.truth, prior.pairs, prior.definitions, prior.run)
        for now in _times(sample, prior, rng):
            curves = {name: curve_until(moduli, now) for name, moduli in sample.moduli.items()}
            for name, curve in curves.items():
                if teller.knows(name):
                    for raw in teller.raw_well(curve, name, now):
                        rows[raw.key, name, raw.phase].append(_asked(raw, truth[raw.key, name]))
            for pair in prior.pairs:
                value = truth.get(("retention", " / ".join(pair)), math.nan)
                if math.isfinite(value) and teller.knows(*pair) and all(name in curves for name in pair):
                    raw = teller.raw_pair((curves[pair[0]], curves[pair[1]]), pair, now)
                    if np.isfinite(raw.samples).any():
                        rows["retention", " / ".join(pair), raw.phase].append(_asked(raw, value))
        progress((number + 1) / len(held_out))
    return rows


def _times(sample: HeldOut, prior: KineticPrior, rng: np.random.Generator) -> list[float]:
    """One time in every span since activation, closer together early on [s]."""
    edges = np.array([0.0, 60.0, 120.0, 180.0, 240.0, 300.0, 420.0, 600.0, 840.0, 1200.0, 1800.0, 2700.0, 3600.0])
    edges = np.append(edges[edges < prior.run], prior.run)
    return [float(rng.uniform(a, b)) for a, b in pairwise(edges)]


def _asked(raw: Raw, truth: float) -> Row:
    """How far the two distances must be stretched to reach the truth (0 on the side where it is not), and misfit."""
    middle, away = raw.distances()
    low, high = np.quantile(away, [0.025, 0.975])
    value = float(to_log(raw.key, np.array([truth]))[0])
    down, up = (middle - value) / -low, (value - middle) / high
    return max(down, 0.0), max(up, 0.0), raw.misfit


def _margins(rows: dict[tuple[str, str, str], list[Row]]) -> dict[str, Margin]:
    """Margins of every class with enough held-out forecasts, and of all wells together."""
    pooled: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for (key, _, phase), found in rows.items():
        pooled[key, "", phase] += found
    margins = {}
    for (key, wells, phase), found in (*rows.items(), *pooled.items()):
        if len(found) < FEWEST:
            continue
        table = np.array(found)
        margins[margin_key(key, wells, phase)] = Margin(
            _stretch(table[:, 0]), _stretch(table[:, 1]), float(np.quantile(table[:, 2], MISFIT_SHARE)), len(found)
        )
    return margins


def _stretch(asked: Floats) -> float:
    """The smallest stretch that the corrected share of held-out forecasts stay within; at least a tenth."""
    rank = math.ceil((asked.size + 1) * TAIL)
    return max(float(np.sort(asked)[rank - 1]), 0.1)
