"""Coverage and false-claim rates of the assay's own protocols, by simulation with known truth.

    python benchmarks/verification_coverage_assay.py --runs 2000 --seed 1

Each line is one interval or claim: nominal rate, measured rate, exact binomial p against the nominal one (two-sided
where the interval should be exact, one-sided where it promises "at least" or "at most"), and the verdict at p < 0.001.
"""

from __future__ import annotations

import argparse
import time as clock
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stanch.errors import InputError
from stanch.verify.censored import censored_fit
from stanch.verify.equivalence import ratio_paired
from stanch.verify.hold.accuracy import accuracy
from stanch.verify.hold.predict import folds_of, out_of_sample
from stanch.verify.hold.study import hold_study
from stanch.verify.interference import carry_over_regression, dose_response
from stanch.verify.probe import probe_effect
from stanch.verify.reagents import block_fraction, contact_activation, neutraliser_capacity
from stanch.verify.wells import well_bias

Floats = NDArray[np.float64]
Rng = np.random.Generator
SHAPE = np.random.default_rng(0).normal(size=(2, 20_001))
"""Standard normal early values and errors of the population that predictions are judged on."""
HEAVY = np.random.default_rng(1).standard_t(5, 20_001) / np.sqrt(5 / 3)
"""The same for errors with heavy tails."""


@dataclass(frozen=True)
class Case:
    """A simulated study, the rate it should reach, and how exactly."""

    name: str
    nominal: float
    kind: str
    run: Callable[[Rng], bool | None]

    def counted(self, runs: int, rng: Rng) -> tuple[int, int]:
        """Hits, and studies that gave an answer."""
        found = [one for one in (self.run(rng) for _ in range(runs)) if one is not None]
        return sum(found), len(found)


def retention(rng: Rng) -> bool:
    """95 % interval of the mean retention of 12 donors read in duplicate in both wells."""
    donors, true = 12, 0.92
    own = np.log(true) + rng.normal(0, 0.04, donors)
    a = rng.normal(0, 0.02, (donors, 2)).mean(axis=1)
    b = own + rng.normal(0, 0.02, (donors, 2)).mean(axis=1)
    found = ratio_paired(100 * np.exp(a), 100 * np.exp(b), alpha=0.025).difference
    return bool(found.low <= true <= found.high)


def hold_error(rng: Rng, donors: int, curves: int = 1, open_: float = 0.0, kind: str = "") -> bool | None:
    """Upper 95 % limit of the 90 % prediction error of the fit to these donors; None where there is no limit.

    Plateaus are open where they pass a bound that varies by itself. Otherwise: ``near``, a plateau is open whatever its
    height and the bound lies just below it; ``tails``, errors are t with 5 degrees of freedom.
    """
    who = np.repeat(np.arange(donors), curves)
    x = rng.normal(0, 0.5, who.size)
    between, within = (0.12, 0.10) if curves > 1 else (0.15, 0.0)
    sd = float(np.hypot(between, within))
    error = rng.normal(0, between, donors)[who] + rng.normal(0, 1, who.size) * within
    shape = sd * SHAPE[1]
    if kind == "tails":
        error, shape = sd * rng.standard_t(5, who.size) / np.sqrt(5 / 3), sd * HEAVY
    y = 1.0 + 0.8 * x + error
    hidden = np.zeros(who.size, dtype=bool)
    if kind == "near":
        hidden = rng.random(who.size) < open_
        y = y - hidden * rng.exponential(0.05, who.size)
    elif open_:
        spread = float(np.sqrt(0.4**2 + sd**2 + 0.3**2))
        bound = 1.0 + stats.norm.ppf(1 - open_) * spread + rng.normal(0, 0.3, who.size)
        hidden = y > bound
        y = np.minimum(y, bound)
    fold = folds_of(who)
    try:
        out, blind = out_of_sample(x, y, hidden, fold), out_of_sample(None, y, hidden, fold)
        fit = censored_fit(np.column_stack([np.ones(x.size), x]), y, None, hidden)
    except InputError:
        return None
    found = accuracy(out, y, hidden, who, blind, level=0.90, resamples=200, seed=int(rng.integers(1 << 30)))
    if found.ninety.high is None:
        return None
    new = 0.5 * SHAPE[0]
    missed = 1.0 + 0.8 * new + shape - (fit.coefficients[0] + fit.coefficients[1] * new)
    return found.ninety.high >= float(np.quantile(100 * np.abs(np.expm1(-missed)), 0.9))


def smallest_hold(rng: Rng, n: int = 60, open_: float = 0.0) -> bool:
    """A hold is claimed whose 90 % error in the population is larger than allowed."""
    sds = np.array([0.20, 0.15, 0.10, 0.05])
    top = rng.normal(6, 0.5, n)
    early = top[:, None] - 0.7 + rng.normal(0, 1, n)[:, None] * sds
    # The second hold's error is just the allowed one: claiming it or the first is wrong.
    slope = 0.25 / (0.25 + sds[1] ** 2)
    new = SHAPE[0] * 0.5
    error = new - slope * (new + sds[1] * SHAPE[1])
    allowed = float(np.quantile(100 * np.abs(np.expm1(-error)), 0.9))
    hidden = np.zeros(n, dtype=bool)
    if open_:
        bound = 6.0 + stats.norm.ppf(1 - open_) * float(np.hypot(0.5, 0.3)) + rng.normal(0, 0.3, n)
        hidden = top > bound
        top = np.minimum(top, bound)
    found = hold_study(np.exp(early), np.exp(top), hidden, (1, 2, 3, 4), allowed=allowed, resamples=200)
    return found.smallest is not None and found.smallest <= 2


def _series(rng: Rng, donors: int, spread: float) -> tuple[Floats, Floats, NDArray[np.str_]]:
    x = np.tile([0.0, 1, 2, 3, 4, 6], donors)
    name = np.repeat(np.arange(donors), 6)
    slope = -0.03 + rng.normal(0, spread, donors)
    y = np.exp(rng.normal(6, 0.3, donors)[name] + slope[name] * x + rng.normal(0, 0.02, x.size))
    return x, y, name.astype(str)


def inverse_dose(rng: Rng) -> bool:
    """90 % interval of the dose at which the mean change of 10 % is exceeded, 10 donors with slopes of their own."""
    x, y, name = _series(rng, 10, 0.006)
    found = dose_response(x, y, name, allowed=1.1, scale="ratio").tolerated_up
    true = np.log(1.1) / 0.03
    assert found is not None
    low = np.inf if found.low is None else found.low
    high = np.inf if found.high is None else found.high
    return bool(low <= true <= high)


def inverse_dose_common(rng: Rng) -> bool:
    """The same with common slopes, where donors respond alike."""
    x, y, name = _series(rng, 6, 0.0)
    found = dose_response(x, y, name, allowed=1.1, scale="ratio", slopes="common").tolerated_up
    true = np.log(1.1) / 0.03
    assert found is not None
    low = np.inf if found.low is None else found.low
    high = np.inf if found.high is None else found.high
    return bool(low <= true <= high)


def stability(rng: Rng) -> bool:
    """Lower 95 % limit of the time until the allowed change, 8 donors."""
    x, y, name = _series(rng, 8, 0.008)
    found = dose_response(x, y, name, allowed=1.1, scale="ratio").tolerated_up
    assert found is not None
    return found.low is not None and found.low <= np.log(1.1) / 0.03


def _wells(rng: Rng, bias: Floats) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    samples, wells = 12, bias.size
    s, w = np.repeat(np.arange(samples), wells), np.tile(np.arange(wells), samples)
    run = (s + w) % wells
    y = rng.normal(6, 0.5, samples)[s] + rng.normal(0, 0.05, wells)[run] + bias[w] + rng.normal(0, 0.04, s.size)
    # A tenth of the cells is lost: unbalanced.
    kept = rng.random(s.size) > 0.1
    return np.exp(y[kept]), s[kept], w[kept], run[kept]


def wells_together(rng: Rng) -> bool:
    """All six biases inside their Bonferroni intervals at once."""
    bias = np.array([0.03, -0.03, 0.01, 0.0, 0.0, -0.01])
    y, s, w, run = _wells(rng, bias)
    found = {one.well: one.bias for one in well_bias(y, s.astype(str), w.astype(str), run=run.astype(str)).wells}
    return all(found[str(k)].low <= np.exp(bias[k]) <= found[str(k)].high for k in range(6))


def wells_claim(rng: Rng) -> bool:
    """Equivalence claimed (no adjustment) with one well exactly at the margin."""
    edge = np.log(1.1)
    bias = np.array([edge, *(5 * [-edge / 5])])
    y, s, w, run = _wells(rng, bias)
    found = well_bias(y, s.astype(str), w.astype(str), run=run.astype(str), allowed=1.1, adjust="none")
    return found.outcome == "met"


def capacity(rng: Rng) -> bool:
    """A dose claimed whose true ratio is exactly the margin, after two doses without effect."""
    donors, doses = 10, np.array([0.0, 0.5, 1.0, 2.0, 4.0])
    effect = np.array([0.0, 0.0, 0.0, np.log(1.1), np.log(1.5)])
    base = rng.normal(5, 0.2, donors)
    y = np.exp(base[:, None] + effect + rng.normal(0, 0.04, (donors, 5)))
    name = np.repeat(np.arange(donors), 5)
    found = neutraliser_capacity(np.tile(doses, donors), y.ravel(), name, margin=1.1)
    return found.capacity is not None and found.capacity >= 2.0


def block(rng: Rng) -> bool:
    """95 % Fieller interval of a lot's block fraction, 15 donors."""
    n, b = 15, 0.9
    fibrin, platelet = np.exp(rng.normal(5, 0.3, n)), np.exp(rng.normal(6, 0.4, n))
    own = rng.normal(b, 0.03, n)
    noise = 1 + rng.normal(0, 0.02, (3, n))
    found = block_fraction(
        (fibrin + platelet) * noise[0], (fibrin + (1 - own) * platelet) * noise[1], fibrin * noise[2]
    )
    return bool(found.total.low <= b <= found.total.high)


def block_sd(rng: Rng) -> bool:
    """95 % interval of the SD of the block fraction between donors, measured without error."""
    n = 15
    fibrin, platelet = np.exp(rng.normal(5, 0.3, n)), np.exp(rng.normal(6, 0.4, n))
    own = rng.normal(0.9, 0.03, n)
    found = block_fraction(fibrin + platelet, fibrin + (1 - own) * platelet, fibrin)
    return bool(found.sd.low <= 0.03 <= found.sd.high)


def contact(rng: Rng) -> bool:
    """Lower 95 % limit of the median lead, 20 samples, a third of the blanks never set."""
    n = 20
    lead = rng.exponential(400, n) + 100
    t = rng.uniform(120, 240, n)
    blank = t + lead
    end = rng.uniform(500, 1200, n)
    found = contact_activation(t, np.minimum(blank, end), blank_open=blank > end)
    return found.lead.low is None or found.lead.low <= 100 + 400 * np.log(2)


def probing(rng: Rng) -> bool:
    """90 % interval of the plateau at the setting in use over that without pushing, 10 donors."""
    donors = 10
    settings = [(3.0, 1.0), (3.0, 2.0), (6.0, 1.0), (6.0, 2.0), (12.0, 1.0)]
    name = np.repeat(np.arange(donors), len(settings))
    t, f = (np.tile([s[k] for s in settings], donors) for k in (0, 1))
    slope = rng.normal(-0.05, 0.02, donors)
    y = np.exp(rng.normal(6, 0.3, donors)[name] + slope[name] * f**2 / t + rng.normal(0, 0.03, t.size))
    found = probe_effect(y, name.astype(str), t, f, in_use=(3.0, 2.0)).against_none
    return bool(found.low <= np.exp(-0.05 * 4 / 3) <= found.high)


def carry_over(rng: Rng) -> bool:
    """90 % interval of carry-over in random order, 4 samples, 60 results."""
    mu, c = np.array([100.0, 200, 400, 800]), 0.02
    order = rng.integers(0, 4, 60)
    before = np.r_[order[0], order[:-1]]
    y = mu[order] + c * (mu[before] - mu[order]) + rng.normal(0, 5, 60)
    found = carry_over_regression(y, order.astype(str)).share
    return bool(found.low <= c <= found.high)


CASES = (
    Case("retention, 95 % interval", 0.95, "exact", retention),
    Case("inverse dose, 90 % interval, slopes vary", 0.90, "exact", inverse_dose),
    Case("inverse dose, 90 % interval, common", 0.90, "exact", inverse_dose_common),
    Case("stability, lower 95 % limit", 0.95, "exact", stability),
    Case("well biases, all six at once", 0.90, "at least", wells_together),
    Case("wells claimed equivalent at the margin", 0.05, "at most", wells_claim),
    Case("neutraliser capacity claimed wrongly", 0.05, "at most", capacity),
    Case("block fraction, 95 % interval", 0.95, "exact", block),
    Case("SD of block fraction, 95 % interval", 0.95, "exact", block_sd),
    Case("contact lead, lower 95 % limit", 0.95, "at least", contact),
    Case("probing against none, 90 % interval", 0.90, "exact", probing),
    Case("carry-over, 90 % interval", 0.90, "exact", carry_over),
)


def _hold_case(donors: int, curves: int, open_: float, kind: str = "") -> Case:
    also = {"": "", "near": ", bounds just below the plateaus", "tails": ", errors t with 5 df"}[kind]
    name = f"hold, {donors} donors x {curves}, {100 * open_:.0f} % open{also}: 90 % error, upper 95 % limit"
    return Case(name, 0.95, "at least", lambda rng: hold_error(rng, donors, curves, open_, kind))


HOLD_CASES = (
    *(_hold_case(60, curves, 0.0) for curves in (1, 2)),
    *(_hold_case(n, curves, share) for n in (12, 20, 40) for curves in (1, 2) for share in (0.10, 0.25, 0.50)),
    _hold_case(60, 1, 0.25),
    *(_hold_case(40, 1, 0.25, kind) for kind in ("near", "tails")),
    Case("hold, 60 donors, none open: claimed too small", 0.05, "at most", smallest_hold),
    Case("hold, 40 donors, 25 % open: claimed too small", 0.05, "at most", lambda rng: smallest_hold(rng, 40, 0.25)),
)


def judged(case: Case, hits: int, runs: int) -> tuple[float, str]:
    """Exact binomial p and the verdict."""
    side = {"exact": "two-sided", "at least": "less", "at most": "greater"}[case.kind]
    p = float(stats.binomtest(hits, runs, case.nominal, alternative=side).pvalue)
    return p, "ok" if p >= 0.001 else "OFF"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="Cases whose name contains this.")
    given = parser.parse_args()
    print(f"{'case':85s} {'nominal':>8s} {'kind':>9s} {'measured':>9s} {'of':>5s} {'p':>9s}  verdict  seconds")
    for place, case in enumerate((*CASES, *HOLD_CASES)):
        if given.only not in case.name:
            continue
        start = clock.process_time()
        hits, runs = case.counted(given.runs, np.random.default_rng([given.seed, place]))
        p, verdict = judged(case, hits, runs)
        took = clock.process_time() - start
        rates = f"{case.nominal:8.3f} {case.kind:>9s} {hits / runs:9.4f} {runs:5d} {p:9.2g}"
        print(f"{case.name:85s} {rates}  {verdict:7s} {took:8.1f}", flush=True)


if __name__ == "__main__":
    main()
