"""Coverage of the 95 % intervals of every reading and contrast, on wells whose true curve is known.

    python benchmarks/interval_coverage.py --runs 1000 --speckle frozen

Each run is four wells of one invented sample: base, a twin with an earlier onset, one with the platelet part blocked,
one without the loss. The true curves are simple growth and decline functions; the errors of the pushes are drawn from
a model of own noise and of speckle that is fresh at every push, drifts, or is frozen once set, and whose deviation each
push partly tells. `--speckle` says which. With `--through-fit` displacements are drawn instead, from the response of a
closed well, and go through the fit. The table gives coverage, the exact two-sided binomial p against 95 %, the
verdict at p < 0.001, the median width and the median bias in standard deviations.
"""

from __future__ import annotations

import argparse
import math
import time as clock
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from stanch.curve.posterior import smooth
from stanch.curve.records import Curve
from stanch.echo.records import Displacement
from stanch.mechanics.invert import invert
from stanch.mechanics.records import LOG_OFFSET, Moduli
from stanch.mechanics.response import trace
from stanch.mechanics.table import spectral_table
from stanch.readings import functionals
from stanch.readings.contrast import contrast
from stanch.readings.definitions import ContrastDefinition, Definitions
from stanch.readings.read import read_well
from stanch.readings.records import WellReadings
from stanch.recording.records import Acquisition, Additive, Geometry, Well

Floats = NDArray[np.float64]
Truth = Callable[[Floats], Floats]

SHAPES = ("logistic", "gompertz", "two processes", "still rising", "lysis", "retraction", "sharp start")
DEFINITIONS = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)
WELLS = {
    "base": Well("base", "activator"),
    "early": Well("early", "activator", (Additive("neutraliser"),)),
    "blocked": Well("blocked", "activator", (Additive("blocker"),)),
    "kept": Well("kept", "activator", (Additive("protector"),)),
}
CONTRASTS = (
    ContrastDefinition("onset ratio", "ratio", "onset", "base", "early", "neutraliser"),
    ContrastDefinition("early difference", "difference", "early_modulus", "base", "blocked", "blocker"),
    ContrastDefinition(
        "early remainder", "difference", "early_modulus", "base", "blocked", "blocker", report="remainder"
    ),
    ContrastDefinition("early ratio", "ratio", "early_modulus", "base", "blocked", "blocker"),
    ContrastDefinition("plateau share", "share", "plateau", "base", "blocked", "blocker"),
    ContrastDefinition("rise ratio", "ratio", "steepest_rise", "base", "blocked", "blocker"),
    *(
        ContrastDefinition(report.replace("_", " "), "decline", None, "base", "kept", "protector", report=report)
        for report in ("retention", "excess_loss_rate", "total_retention", "shared_decline")
    ),
)


@dataclass(frozen=True)
class Sample:
    """True modulus of the four wells of one sample [Pa], against time since activation [s]."""

    shape: str
    wells: dict[str, Truth]


def sample(rng: np.random.Generator, shape: str) -> Sample:
    """Invent a sample: onset 2 to 25 min, plateau 8 to 3000 Pa."""
    onset = rng.uniform(120.0, 1500.0)
    top = math.exp(rng.uniform(math.log(8.0), math.log(3000.0)))
    width = math.exp(rng.uniform(math.log(25.0), math.log(150.0)))
    growth = _growth(rng, shape, onset, top, width)
    loss = _loss(rng, shape, onset + 3.0 * width)
    shared = _shrink(rng, onset) if rng.random() < 0.3 else (lambda t: np.ones_like(t))
    share, slower, ahead = rng.uniform(0.05, 0.7), rng.uniform(1.0, 1.3), rng.uniform(0.3, 1.0)
    centre = onset
    return Sample(
        shape,
        {
            "base": lambda t: growth(t) * loss(t) * shared(t),
            "early": lambda t: growth(t + (1.0 - ahead) * centre),
            "blocked": lambda t: share * growth(centre + (t - centre) / slower),
            "kept": lambda t: growth(t) * shared(t),
        },
    )


def _growth(rng: np.random.Generator, shape: str, onset: float, top: float, width: float) -> Truth:
    middle = onset + width * math.log(max(top / 20.0 - 1.0, 1.5))
    if shape == "gompertz":
        scale = 2.0 * width
        return lambda t: top * np.exp(-np.exp(-np.maximum(t - onset - scale, -30.0 * scale) / scale))
    if shape == "two processes":
        ratio, lag, late = rng.uniform(1.0, 6.0), rng.uniform(20.0, 100.0), rng.uniform(120.0, 500.0)

        def both(t: Floats) -> Floats:
            age = np.maximum(t - middle - lag, 0.0) / late
            first = top / (1.0 + ratio) / (1.0 + np.exp(-(t - middle) / width))
            return np.asarray(first * (1.0 + ratio * (1.0 - np.exp(-age) * (1.0 + age))))

        return both
    if shape == "sharp start":
        return lambda t: top * (1.0 - np.exp(-np.maximum(t - onset, 0.0) / (2.0 * width))) ** 2
    if shape == "still rising":
        rate = rng.uniform(0.1, 0.5)
        return lambda t: (
            top / (1.0 + np.exp(-(t - middle) / width)) * (1.0 + rate * np.log1p(np.maximum(t - middle, 0.0) / 300.0))
        )
    return lambda t: top / (1.0 + np.exp(-(t - middle) / width))


def _loss(rng: np.random.Generator, shape: str, after: float) -> Truth:
    start = after + rng.uniform(300.0, 1500.0)
    if shape == "lysis":
        rate, blur = rng.uniform(0.003, 0.04) / 60.0, rng.uniform(30.0, 200.0)
        return lambda t: np.exp(-rate * blur * np.logaddexp(0.0, (t - start) / blur))
    if shape == "retraction":
        return _shrink(rng, after)
    return lambda t: np.ones_like(t)


def _shrink(rng: np.random.Generator, after: float) -> Truth:
    extent, slow, start = rng.uniform(0.05, 0.3), rng.uniform(300.0, 1500.0), after + rng.uniform(300.0, 1500.0)
    return lambda t: 1.0 - extent * (1.0 - np.exp(-np.maximum(t - start, 0.0) / slow))


def own_noise(modulus: Floats) -> Floats:
    """SD of ln(G + 10 Pa) of one push without speckle: about 1 Pa in liquid, 0.5 to 1.6 % to 1 kPa, 2.5 % at 3 kPa."""
    relative = np.sqrt(0.005**2 + (0.025 * modulus / 3000.0) ** 2 + 0.0143**2 * 10.0 / np.maximum(modulus, 10.0))
    return np.asarray(np.sqrt((relative * modulus) ** 2 + np.exp(-modulus / 10.0)) / (modulus + LOG_OFFSET))


def observe(rng: np.random.Generator, truth: Truth, speckle: str, interval: float, duration: float) -> Moduli:
    """Pushes of one well, with errors drawn from exactly the covariance that is handed on."""
    time = np.arange(interval, duration + 1e-9, interval) - rng.uniform(0.0, interval)
    modulus = np.maximum(truth(time), 0.0)
    n = time.size
    own = own_noise(modulus)
    gain = rng.uniform(0.1, 0.4) * modulus / (modulus + LOG_OFFSET)
    spread, told = rng.uniform(0.15, 0.2), rng.uniform(0.04, 0.1)
    if speckle == "fresh":
        covariance = np.diag(own**2 + gain**2 / (1.0 / spread**2 + 1.0 / told**2))
        error = rng.standard_normal(n) * np.sqrt(np.diag(covariance))
    else:
        link = link_of(time, modulus, speckle)
        before = spread**2 * link
        after = before - before @ np.linalg.solve(before + told**2 * np.eye(n), before)
        covariance = np.diag(own**2) + gain[:, None] * 0.5 * (after + after.T) * gain
        error = np.linalg.cholesky(covariance) @ rng.standard_normal(n)
    return finished(time, np.log(modulus + LOG_OFFSET) + error, covariance)


def link_of(time: Floats, modulus: Floats, speckle: str) -> Floats:
    """Squared coherence of the pre-push lines of two pushes: moving in liquid, still once set."""
    if speckle == "fresh":
        return np.eye(time.size)
    memory = {"frozen": math.inf, "drifting": 600.0}[speckle]
    still = 1.0 / (1.0 + np.exp(-(modulus - 10.0) / 2.0))
    link = np.sqrt(still[:, None] * still) * np.exp(-np.abs(time[:, None] - time) / memory)
    np.fill_diagonal(link, 1.0)
    return np.asarray(link)


class Fitted:
    """Pushes that go through displacement, the spectral table of a closed well and the fit."""

    geometry = Geometry(3e-3, 8e-3, 4e-3, 0.45e-3, 2.2e-3, 0.19e-3)
    acquisition = Acquisition(40e6, 9e6, 1575.0, 1055.0, 2e-4, 2, -1e-3)
    frame_time = 1.25e-4 * np.arange(1, 65)
    noise = 1e-7

    def __init__(self) -> None:
        a = self.acquisition
        self.table = spectral_table(
            self.geometry, density=a.density, push_duration=a.push_duration, frame_time=self.frame_time
        )
        grid = np.linspace(math.log(LOG_OFFSET), math.log(5000.0), 900)
        unit = np.stack([self._pair(math.exp(y) - LOG_OFFSET) for y in grid])
        self.library = CubicSpline(grid, unit, axis=0)
        self.force = 8e-6 / float(self._pair(100.0)[0].max())

    @staticmethod
    def viscosity(modulus: float) -> float:
        return 0.005 + 0.0006 * float(modulus) ** 0.75

    def _pair(self, modulus: float) -> Floats:
        g, eta, a = max(modulus, 0.0), self.viscosity(max(modulus, 0.0)), self.acquisition
        return np.stack([trace(self.table, g, eta, 1.0, a, self.frame_time, order=k) for k in (0, 1, 2)])

    def observe(self, rng: np.random.Generator, truth: Truth, speckle: str, interval: float, duration: float) -> Moduli:
        """Displacement of every push with noise, a shared reference and speckle, fitted."""
        time = np.arange(interval, duration + 1e-9, interval) - rng.uniform(0.0, interval)
        modulus = np.maximum(truth(time), 0.0)
        spread = rng.uniform(0.1, 0.2)
        link = link_of(time, modulus, speckle)
        root = np.linalg.cholesky(link + 1e-10 * np.eye(time.size))
        # Two orders across the beam and the bending of the phase; one depth, so nothing along a gate.
        first, second, bent = spread * (root @ rng.standard_normal((time.size, 3))).T[:, :, None]
        pair = self.library(np.log(modulus + LOG_OFFSET))
        value = self.force * (pair[:, 0] + first * pair[:, 1] + second * pair[:, 2])
        phase = 4.0 * math.pi * self.acquisition.centre_frequency / self.acquisition.sound_speed
        value += math.sqrt(2.0) * phase * bent * (self.force * pair[:, 1]) ** 2
        value += self.noise * rng.standard_normal(value.shape)
        value += self.noise / math.sqrt(2.0) * rng.standard_normal((time.size, 1))
        ones, none = np.ones(time.size), np.zeros(time.size)
        depth = np.linspace(-0.5e-3, 0.5e-3, 3)
        displacement = Displacement(
            push_time=time, frame_time=self.frame_time, value=value, sd=np.full(value.shape, self.noise),
            step_sd=np.zeros(value.shape), shared_sd=self.noise / math.sqrt(2.0) * ones, weight=np.ones(value.shape),
            depth=np.array([0.0]), sensitivity=ones[:, None], speckle_cells=(1.0 + 0.5 / spread**2) * ones,
            coherence=ones, link=None if speckle == "fresh" else link, slow_shift=none, slow_coherence=none,
            zone_coherence=np.zeros((time.size, 4)), energy=np.zeros((time.size, 3)), energy_depth=depth,
            flags=np.zeros(time.size, dtype=np.int64), estimator="drawn",
        )  # fmt: skip
        return invert(displacement, self.table, self.acquisition, self.geometry)


def finished(time: Floats, log_modulus: Floats, covariance: Floats) -> Moduli:
    """Moduli that carry only what the curve uses."""
    value, none = np.exp(log_modulus) - LOG_OFFSET, np.zeros(time.size)
    usable, flags = np.ones(time.size, dtype=bool), np.zeros(time.size, dtype=np.int64)
    return Moduli(
        time, value, value, value, none, none, none, none, none, log_modulus, covariance, none, none, none, none,
        value > 2.0, usable, flags, None,
    )  # fmt: skip


def true_readings(truth: Truth, curve: Curve, anchor: float | None = None) -> dict[str, float]:
    """What the readings of the true curve are, over the span that was recorded; NaN where they do not exist."""
    time = np.linspace(curve.time[0], curve.time[-1], 4 * (curve.time.size - 1) + 1)
    path = np.maximum(truth(time), 0.0)[None, :]
    onset = float(functionals.onset(time, path, DEFINITIONS.onset_modulus, DEFINITIONS.dwell)[0])
    top, _ = functionals.highest_mean(time, path)
    entry = functionals.first_reached(time, path, functionals.PLATEAU_SHARE * top)
    when = np.array([(onset if anchor is None else anchor) + DEFINITIONS.hold])
    return {
        "onset": onset,
        "early_modulus": float(functionals.at(time, path, when)[0]),
        "plateau": float(top[0]),
        "plateau_entry": float(entry[0]),
        "steepest_rise": float(functionals.steepest_rise(time, path)[0][0]),
        "remaining": float((functionals.mean_around(time, path, entry + DEFINITIONS.follow) / top)[0]),
    }


def true_contrast(
    definition: ContrastDefinition, sample: Sample, curves: dict[str, Curve], ages: tuple[float, float] | None
) -> float:
    """What the contrast of the true curves is."""
    mine = true_readings(sample.wells[definition.base], curves[definition.base])
    if definition.kind == "decline":
        assert ages is not None
        other = true_readings(sample.wells[definition.other], curves[definition.other])
        grid = np.linspace(*ages, 2001)
        a, b = (
            np.log(sample.wells[name](onset + grid))
            for name, onset in ((definition.base, mine["onset"]), (definition.other, other["onset"]))
        )
        lag = a - b
        return {
            "retention": float(np.exp(lag[-1] - lag[0])),
            "excess_loss_rate": -float(np.polyfit(grid, lag, 1)[0]),
            "total_retention": float(np.exp(lag[-1])),
            "shared_decline": 1.0 - float(np.exp(b[-1] - b[0])),
        }[str(definition.report)]
    yours = true_readings(sample.wells[definition.other], curves[definition.other], mine["onset"])
    x, y = mine[str(definition.reading)], yours[str(definition.reading)]
    if definition.kind == "difference":
        return y if definition.report == "remainder" else x - y
    return (x - y) / x if definition.kind == "share" else x / y


@dataclass
class Tally:
    """Outcomes of one reading or contrast."""

    covered: list[bool] = field(default_factory=list)
    under: list[bool] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    bias: list[float] = field(default_factory=list)
    bounds: list[bool] = field(default_factory=list)
    missing: int = 0

    def add(self, truth: float, low: float | None, high: float | None, value: float | None, status: str) -> None:
        if status == "unavailable" or math.isnan(truth):
            self.missing += 1
            return
        inside = (low is None or low <= truth) and (high is None or truth <= high)
        if status in ("above", "below"):
            self.bounds.append(inside)
            return
        self.covered.append(inside)
        self.under.append(low is not None and truth < low)
        if low is not None and high is not None and value is not None:
            self.width.append((high - low) / max(abs(value), 1e-12))
            self.bias.append((value - truth) / max((high - low) / 3.92, 1e-12))


def p_value(hits: int, runs: int, wanted: float = 0.95) -> float:
    """Exact two-sided binomial p."""
    from scipy.stats import binomtest

    return float(binomtest(hits, runs, wanted).pvalue) if runs else 1.0


def study(
    runs: int,
    speckle: str,
    *,
    interval: float = 6.0,
    duration: float = 3600.0,
    seed: int = 1,
    contrasts: bool = True,
    through_fit: bool = False,
    shapes: tuple[str, ...] = SHAPES,
) -> dict[str, Tally]:
    """Run the study and count."""
    look = Fitted().observe if through_fit else observe
    table: dict[str, Tally] = {}
    for run in range(runs):
        rng = np.random.default_rng([seed, run])
        made = sample(rng, shapes[run % len(shapes)])
        names = tuple(made.wells) if contrasts else ("base",)
        curves: dict[str, Curve] = {}
        readings: dict[str, WellReadings] = {}
        for k, name in enumerate(names):
            moduli = look(rng, made.wells[name], speckle, interval, duration)
            curves[name] = smooth(moduli, seed=4 * run + k)
            readings[name] = read_well(curves[name], DEFINITIONS, seed=4 * run + k, well=name)
        truth = np.maximum(made.wells["base"](curves["base"].time), 0.0)
        band = (curves["base"].low <= truth) & (truth <= curves["base"].high)
        pick = int(rng.integers(band.size))
        table.setdefault("curve at one time", Tally()).covered.append(bool(band[pick]))
        _count_readings(table, made, curves, readings)
        if contrasts:
            for definition in CONTRASTS:
                found = contrast(
                    definition,
                    *((WELLS[w], curves[w], readings[w]) for w in (definition.base, definition.other)),
                    DEFINITIONS,
                    seed=run,
                )
                e = found.estimate
                real = math.nan
                if e.status != "unavailable":
                    real = true_contrast(definition, made, curves, found.ages)
                table.setdefault(definition.name, Tally()).add(real, e.low, e.high, e.value, e.status)
    return table


def _count_readings(
    table: dict[str, Tally], made: Sample, curves: dict[str, Curve], readings: dict[str, WellReadings]
) -> None:
    real = true_readings(made.wells["base"], curves["base"])
    for key, truth in real.items():
        e = readings["base"][key].estimate
        table.setdefault(key, Tally()).add(truth, e.low, e.high, e.value, e.status)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--speckle", choices=("fresh", "drifting", "frozen"), default="frozen")
    parser.add_argument("--interval", type=float, default=6.0, help="between pushes [s]")
    parser.add_argument("--duration", type=float, default=3600.0, help="of the run [s]")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shape", choices=SHAPES, help="only this one")
    parser.add_argument("--through-fit", action="store_true", help="draw displacements and fit them")
    options = parser.parse_args()
    start = clock.process_time()
    table = study(
        options.runs,
        options.speckle,
        interval=options.interval,
        duration=options.duration,
        seed=options.seed,
        through_fit=options.through_fit,
        shapes=(options.shape,) if options.shape else SHAPES,
    )
    print("displacements fitted" if options.through_fit else "moduli drawn", end=": ")
    print(f"{options.runs} runs, speckle {options.speckle}, pushes every {options.interval:g} s, seed {options.seed}")
    heads = ("coverage", "n", "p", "verdict", "below", "width", "bias/sd", "bounds held", "none")
    print(f"{'':20s} {heads[0]:>9s} {heads[1]:>5s} {heads[2]:>8s} {heads[3]:>11s} {heads[4]:>7s}", end=" ")
    print(f"{heads[5]:>8s} {heads[6]:>8s} {heads[7]:>12s} {heads[8]:>5s}")
    for name, t in table.items():
        n, hits = len(t.covered), sum(t.covered)
        p = p_value(hits, n)
        verdict = "not refuted" if p >= 0.001 else ("too narrow" if hits < 0.95 * n else "too wide")
        bounds = f"{sum(t.bounds)}/{len(t.bounds)}"
        width = f"{100 * np.median(t.width):.2f} %" if t.width else ""
        bias = f"{np.median(t.bias):+.2f}" if t.bias else ""
        under = f"{np.mean(t.under):.3f}" if t.under else ""
        print(f"{name:20s} {hits / max(n, 1):9.3f} {n:5d} {p:8.4f} {verdict:>11s} {under:>7s} {width:>8s} {bias:>8s}"
              f" {bounds:>12s} {t.missing:5d}")  # fmt: skip
    print(f"CPU {clock.process_time() - start:.0f} s")


if __name__ == "__main__":
    main()
