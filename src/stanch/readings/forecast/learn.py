"""Learning a prior: a library of whole curves, and margins from samples that were held out.

Margins are those of split-conformal prediction within phases of a run: the factor by which the distance from median to
2.5 % (97.5 %) point has to be stretched so that 97.5 % of held-out samples lie inside on that side, with the correction
for their number. They are honest for samples like the held-out ones, whatever is wrong with the model behind them. If
these come in groups, the largest margin of a group is taken, so that they are honest for each group apart.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.mechanics.records import Moduli
from stanch.readings.definitions import Definitions
from stanch.readings.forecast import targets
from stanch.readings.forecast.forecast import Forecaster, Raw, curve_until, margin_key, to_log
from stanch.readings.forecast.library import compress, library_grid
from stanch.readings.forecast.phase import SPANS_AFTER, SPANS_BEFORE
from stanch.readings.forecast.records import KineticPrior, Margin, Origin

__all__ = ["FEWEST", "HeldOut", "learn", "true_values"]

Floats = NDArray[np.float64]
Course = tuple[Floats, Floats]
Row = tuple[float, float, float, float]
Place = tuple[str, str, str, str]

FEWEST = 40
"""Held-out forecasts without which no margin is given: 97.5 % of fewer is more than all of them [-]."""
TAIL = 0.975
ALARM_SHARE = 0.99


@dataclass(frozen=True)
class HeldOut:
    """One sample that is not in the library.

    Parameters
    ----------
    moduli : mapping of str to Moduli
        By class of well; times since activation.
    truth : mapping of str to (time, modulus)
        Whole curves: true ones of a virtual sample, final ones of a laboratory's own run [s], [Pa].
    group : str
        Samples for which margins must hold apart share one.
    """

    moduli: Mapping[str, Moduli]
    truth: Mapping[str, Course]
    group: str = ""


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
) -> dict[Place, list[Row]]:
    """By quantity, class, phase and group: the stretches each held-out forecast asks for, its misfit and surprise."""
    teller = Forecaster(prior, seed=seed)
    rows: dict[Place, list[Row]] = defaultdict(list)
    for number, sample in enumerate(held_out):
        rng = np.random.default_rng([seed, 13, number])
        truth = true_values(sample.truth, prior.pairs, prior.definitions, prior.run)
        for name in sorted(sample.moduli):
            if not teller.knows(name):
                continue
            pairs = [p for p in prior.pairs if p[0] == name and p[1] in sample.moduli and teller.knows(*p)]
            for now in _times(sample.truth[name], prior, rng):
                curve = curve_until(sample.moduli[name], now)
                for raw in teller.raw_well(curve, name, now):
                    rows[raw.key, name, raw.phase, sample.group].append(_asked(raw, truth[raw.key, name]))
                for pair in pairs:
                    value = truth["retention", " / ".join(pair)]
                    if math.isfinite(value):
                        other = curve_until(sample.moduli[pair[1]], now)
                        raw = teller.raw_pair((curve, other), pair, now)
                        if np.isfinite(raw.samples).any():
                            rows["retention", " / ".join(pair), raw.phase, sample.group].append(_asked(raw, value))
        progress((number + 1) / len(held_out))
    return rows


def _times(course: Course, prior: KineticPrior, rng: np.random.Generator) -> list[float]:
    """One time in every phase that a well goes through, in spans since activation and then of the clot age [s]."""
    time = np.linspace(0.0, prior.run, round(prior.run / 2.0) + 1)
    onset = float(targets.early_modulus(time, np.interp(time, *course)[None, :], prior.definitions)[1][0])
    before = [float(rng.uniform(a, min(b, prior.run))) for a, b in SPANS_BEFORE if a < prior.run]
    found = [now for now in before if now < onset]
    if math.isfinite(onset):
        left = prior.run - onset
        found += [onset + float(rng.uniform(a, min(b, left))) for a, b in SPANS_AFTER if a < left]
    return found


def _asked(raw: Raw, truth: float) -> Row:
    """How far the two distances must be stretched to reach the truth (0 on the side where it is not), and alarms."""
    middle, away = raw.distances()
    low, high = np.quantile(away, [0.025, 0.975])
    value = float(to_log(raw.key, np.array([truth]))[0])
    down, up = (middle - value) / -low, (value - middle) / high
    return max(down, 0.0), max(up, 0.0), raw.misfit, raw.surprise


def _margins(rows: dict[Place, list[Row]]) -> dict[str, Margin]:
    """Margins of every class with enough held-out forecasts; those for all wells serve any class and are the widest."""
    groups: dict[tuple[str, str, str], list[list[Row]]] = defaultdict(list)
    for (key, wells, phase, _), found in rows.items():
        groups[key, wells, phase].append(found)
        groups[key, "", phase].append(found)
    margins = {}
    for (key, wells, phase), parts in groups.items():
        whole = [row for part in parts for row in part]
        if len(whole) >= FEWEST:
            judged = [whole, *(part for part in parts if len(part) >= FEWEST)]
            margins[margin_key(key, wells, phase)] = _widest([np.array(part) for part in judged])
    return margins


def _widest(tables: list[Floats]) -> Margin:
    """The largest stretches that one of the tables asks for; the first holds all forecasts."""
    whole = tables[0]
    alarms = np.quantile(whole[:, 2:], ALARM_SHARE, axis=0)
    down, up = (max(_stretch(table[:, side]) for table in tables) for side in (0, 1))
    return Margin(down, up, float(alarms[0]), float(alarms[1]), len(whole))


def _stretch(asked: Floats) -> float:
    """The smallest stretch that the corrected share of held-out forecasts stay within; at least a tenth."""
    rank = math.ceil((asked.size + 1) * TAIL)
    return max(float(np.sort(asked)[rank - 1]), 0.1)
