"""Coverage of the 95 % intervals of gel time and onset delay, on wells whose true complex modulus is known.

    python benchmarks/gel_time_coverage.py --runs 400 --speckle frozen --errors transformed

Each run is one invented well: a network of a spring and a spring-pot grows in a liquid of known viscosity, so that the
loss tangent falls from far above 1 to below it within seconds to a minute. The errors of the pushes are drawn: with
`--errors gaussian` ln of the loss tangent has exactly the error that is handed on; with `transformed` the errors are
those of storage and loss modulus, of which a fit would form ln of the ratio and its standard deviation from the values
it found, so that liquid pushes are skewed and their standard deviations are guesses. Speckle is fresh at every push or
frozen once set; its share in the loss tangent is not the share that the curve assumes. The table gives coverage, the
exact two-sided binomial p against 95 %, the verdict at p < 0.001, median width and median bias in seconds.
"""

from __future__ import annotations

import argparse
import math
import time as clock
from dataclasses import dataclass, field, replace

import numpy as np
from interval_coverage import Tally, finished, link_of, p_value
from numpy.typing import NDArray

from stanch.curve.posterior import smooth
from stanch.mechanics.records import LOG_OFFSET, Moduli
from stanch.mechanics.rheology.records import Rheology
from stanch.readings import functionals
from stanch.readings.definitions import Definitions
from stanch.readings.read import read_well

Floats = NDArray[np.float64]

DEFINITIONS = Definitions(onset_modulus=20.0, hold=480.0, follow=1500.0)
FREQUENCY = 100.0
OMEGA = 2.0 * math.pi * FREQUENCY


@dataclass(frozen=True)
class GelSample:
    """A spring and a spring-pot that grow in a liquid.

    Parameters
    ----------
    start : float
        Of growth [s].
    top : float
        Highest modulus of the spring [Pa].
    scale : float
        Time constant of its growth [s].
    order : float
        Of the spring-pot [-].
    pot : float
        Size of the spring-pot's modulus over that of the spring [-].
    clusters : float
        Size of the spring-pot's modulus that comes with gelation itself [Pa].
    width : float
        Over which that comes [s].
    liquid : float
        Viscosity of the liquid [Pa·s].
    """

    start: float
    top: float
    scale: float
    order: float
    pot: float
    clusters: float
    width: float
    liquid: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> GelSample:
        """Gelation 2 to 20 min after activation, 30 to 2000 Pa."""
        return cls(
            start=rng.uniform(120.0, 1200.0),
            top=math.exp(rng.uniform(math.log(30.0), math.log(2000.0))),
            scale=math.exp(rng.uniform(math.log(60.0), math.log(420.0))),
            order=rng.uniform(0.2, 0.6),
            pot=rng.uniform(0.1, 0.5),
            clusters=rng.uniform(0.2, 2.0),
            width=rng.uniform(5.0, 30.0),
            liquid=rng.uniform(0.003, 0.008),
        )

    def complex_modulus(self, time: Floats) -> tuple[Floats, Floats]:
        """Storage and loss modulus at the stated frequency [Pa]."""
        age = np.maximum(time - self.start, 0.0)
        spring = self.top * (1.0 - np.exp(-age / self.scale)) ** 2
        pot = self.pot * spring + self.clusters / (
            1.0 + np.exp(-np.clip((time - self.start) / self.width, -40.0, 40.0))
        )
        angle = 0.5 * math.pi * self.order
        return spring + pot * math.cos(angle), pot * math.sin(angle) + self.liquid * OMEGA


def observe(
    rng: np.random.Generator, sample: GelSample, speckle: str, errors: str, interval: float, duration: float
) -> Moduli:
    """Pushes of one well, with the record of a fit that told a complex modulus."""
    time = np.arange(interval, duration + 1e-9, interval) - rng.uniform(0.0, interval)
    storage, loss = sample.complex_modulus(time)
    size = time.size
    sd_storage = np.hypot(0.012 * storage, 0.6)
    sd_loss = np.hypot(0.03 * loss, 0.15)
    told = 0.05 * rng.uniform(0.5, 1.5) * storage / (storage + LOG_OFFSET)
    link = link_of(time, storage, speckle)
    common = np.linalg.cholesky(link + 1e-10 * np.eye(size)) @ rng.standard_normal(size)
    part = rng.uniform(-0.6, 0.6)
    e_storage, e_loss = sd_storage * rng.standard_normal(size), sd_loss * rng.standard_normal(size)
    own = sd_storage / (storage + LOG_OFFSET)
    y = np.log(storage + LOG_OFFSET) + own * (e_storage / sd_storage) + told * common
    covariance = np.diag(own**2) + told[:, None] * link * told
    if errors == "gaussian":
        by_storage, by_loss = sd_storage / np.maximum(storage, 0.3), sd_loss / loss
        z = np.log(loss / storage) + by_loss * e_loss / sd_loss - by_storage * e_storage / sd_storage
    else:
        found, lost = np.maximum(storage + e_storage, 0.3 * sd_storage), np.maximum(loss + e_loss, 0.3 * sd_loss)
        by_storage, by_loss = sd_storage / found, sd_loss / lost
        z = np.log(lost / found)
    z = z + part * told * common
    sd = np.sqrt(by_storage**2 + by_loss**2 + (part * told) ** 2)
    together = (part * told**2 - own * by_storage) / (sd * np.sqrt(np.diag(covariance)))
    nothing = np.zeros(size)
    rheology = Rheology(
        "fractional_kelvin_voigt", FREQUENCY, {}, np.zeros((size, 0, 0)), storage, loss, z, sd, nothing, nothing,
        correlation=together,
    )  # fmt: skip
    return replace(finished(time, y, covariance), rheology=rheology)


def true_readings(sample: GelSample, start: float, end: float) -> dict[str, float]:
    """Gel time, onset and their difference of the true curves [s], infinite outside the run."""
    time = np.linspace(start, end, round((end - start) / 0.25) + 1)
    storage, loss = sample.complex_modulus(time)
    gel = float(functionals.gel_time(time, (loss / storage)[None, :], DEFINITIONS.dwell)[0])
    onset = float(functionals.onset(time, storage[None, :], DEFINITIONS.onset_modulus, DEFINITIONS.dwell)[0])
    delay = onset - gel if math.isfinite(onset) or math.isfinite(gel) else math.nan
    return {"gel_time": gel, "onset": onset, "onset_delay": delay}


@dataclass
class Counted(Tally):
    """Outcomes of one reading, with errors in seconds.

    Parameters
    ----------
    error : list of float
        Value minus truth [s].
    span : list of float
        Width of the interval [s].
    """

    error: list[float] = field(default_factory=list)
    span: list[float] = field(default_factory=list)


def study(
    runs: int, speckle: str, errors: str, *, interval: float = 6.0, duration: float = 2400.0, seed: int = 1
) -> dict[str, Counted]:
    """Run the study and count."""
    table: dict[str, Counted] = {}
    for run in range(runs):
        rng = np.random.default_rng([seed, run])
        sample = GelSample.drawn(rng)
        curve = smooth(observe(rng, sample, speckle, errors, interval, duration), seed=run)
        readings = read_well(curve, DEFINITIONS, seed=run)
        real = true_readings(sample, float(curve.time[0]), float(curve.time[-1]))
        for key, truth in real.items():
            e = readings[key].estimate
            tally = table.setdefault(key, Counted())
            tally.add(truth, e.low, e.high, e.value, e.status)
            if e.value is not None and math.isfinite(truth):
                tally.error.append(e.value - truth)
                if e.low is not None and e.high is not None:
                    tally.span.append(e.high - e.low)
        assert curve.loss_low is not None
        assert curve.loss_high is not None
        storage, loss = sample.complex_modulus(curve.time)
        pick = int(rng.integers(curve.time.size))
        inside = curve.loss_low[pick] <= loss[pick] / storage[pick] <= curve.loss_high[pick]
        # Above the cap nothing is told: there the curve makes no statement that could be wrong.
        if loss[pick] / storage[pick] < 20.0:
            table.setdefault("loss tangent at one time", Counted()).covered.append(bool(inside))
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--speckle", choices=("fresh", "frozen"), default="frozen")
    parser.add_argument("--errors", choices=("gaussian", "transformed"), default="transformed")
    parser.add_argument("--interval", type=float, default=6.0, help="between pushes [s]")
    parser.add_argument("--duration", type=float, default=2400.0, help="of the run [s]")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    start = clock.process_time()
    table = study(
        options.runs,
        options.speckle,
        options.errors,
        interval=options.interval,
        duration=options.duration,
        seed=options.seed,
    )
    print(f"{options.runs} runs, speckle {options.speckle}, errors {options.errors}", end=", ")
    print(f"pushes every {options.interval:g} s, seed {options.seed}")
    heads = ("coverage", "n", "p", "verdict", "width s", "bias s", "mean s", "bounds held", "none")
    print(f"{'':26s}" + " ".join(f"{head:>11s}" for head in heads))
    for name, t in table.items():
        n, hits = len(t.covered), sum(t.covered)
        p = p_value(hits, n)
        verdict = "not refuted" if p >= 0.001 else ("too narrow" if hits < 0.95 * n else "too wide")
        bias, mean = (f"{fn(t.error):+.2f}" if t.error else "" for fn in (np.median, np.mean))
        cells = (f"{hits / max(n, 1):.3f}", str(n), f"{p:.4f}", verdict,
                 f"{np.median(t.span):.2f}" if t.span else "", bias, mean,
                 f"{sum(t.bounds)}/{len(t.bounds)}", str(t.missing))  # fmt: skip
        print(f"{name:26s}" + " ".join(f"{cell:>11s}" for cell in cells))
    print(f"CPU {clock.process_time() - start:.0f} s")


if __name__ == "__main__":
    main()
