"""Profiles: the straight interval where it is right, the exact one against a grid where it is not, coverage at small
signals, deeper minima, what is handed on."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from stanch.mechanics.invert import InvertSettings
from stanch.mechanics.rheology import response
from stanch.mechanics.rheology.difference import storage_at
from stanch.mechanics.rheology.fit import fit
from stanch.mechanics.rheology.models import relaxance
from stanch.mechanics.rheology.tangent import loss_tangent_at

BENT = InvertSettings(speckle=False, threads=1)
STRAIGHT = replace(BENT, profiles=False)
CLOT = {"modulus": 100.0, "viscosity": 0.024}
RISE = 1.959963984540054**2


def _pushes(bench, model, medium, sd, count, seed):
    rng = np.random.default_rng(seed)
    clean = response.trace(bench.table, model, medium, bench.force, bench.acquisition, bench.frame_time)
    value = clean + rng.normal(0.0, sd, (count, clean.size)) + rng.normal(0.0, sd / np.sqrt(2), (count, 1))
    return bench.displacement(value, sd, shared=sd / np.sqrt(2))


def _fit(bench, displacement, model, settings):
    return fit(displacement, bench.table, bench.acquisition, bench.geometry, model=model, settings=settings)


@pytest.mark.parametrize("model", ["kelvin_voigt", "spring_pot", "zener"])
def test_where_the_signal_is_large_nothing_changes_by_much(bench, model):
    medium = {
        "kelvin_voigt": CLOT,
        "spring_pot": {"pot": 0.5, "order": 0.5},
        "zener": {"modulus": 100.0, "branch": 60.0, "relaxation": 2e-3},
    }[model]
    displacement = _pushes(bench, model, medium, 0.02e-6, 12, 1)
    a, b = (_fit(bench, displacement, model, s) for s in (STRAIGHT, BENT))
    assert np.array_equal(a.log_modulus, b.log_modulus)
    assert np.sqrt(np.diag(b.covariance) / np.diag(a.covariance)) == pytest.approx(np.ones(12), abs=0.06)
    assert b.modulus_low == pytest.approx(a.modulus_low, rel=0.01)
    assert b.modulus_high == pytest.approx(a.modulus_high, rel=0.01)
    assert np.all(b.rheology.widening >= 1.0)


def test_ends_are_where_the_least_sum_of_squares_has_risen_by_what_it_should(bench):
    sd = 1e-6
    displacement = _pushes(bench, "kelvin_voigt", CLOT, sd, 12, 2)
    got = _fit(bench, displacement, "kelvin_voigt", replace(BENT, robust=False))
    root = np.linalg.inv(np.linalg.cholesky(sd**2 * (np.eye(64) + 0.5)))
    white = displacement.value @ root.T
    viscosities = np.geomspace(1e-5, 5.0, 100)

    def least(push, modulus):
        rows = [
            root
            @ response.trace(
                bench.table,
                "kelvin_voigt",
                {"modulus": modulus, "viscosity": eta},
                1.0,
                bench.acquisition,
                bench.frame_time,
            )
            for eta in viscosities
        ]
        costs = [white[push] @ white[push] - max(r @ white[push], 0.0) ** 2 / (r @ r) for r in rows]
        return min(costs)

    rises = []
    for p in np.flatnonzero(got.usable)[:8]:
        lowest = min(least(p, g) for g in got.modulus[p] * np.exp(np.linspace(-0.1, 0.1, 5)))
        rises += [least(p, end) - lowest for end in (got.modulus_low[p], got.modulus_high[p]) if end > 0.0]
    # A grid of viscosities is no search, and a valley may fork on the way.
    assert len(rises) >= 12
    assert np.mean(np.abs(np.array(rises) - RISE) < 0.5) > 0.7
    assert np.median(rises) == pytest.approx(RISE, abs=0.15)
    straight = _fit(bench, displacement, "kelvin_voigt", replace(STRAIGHT, robust=False))
    assert np.nanmax(np.abs(got.modulus_high / straight.modulus_high - 1.0)) > 0.03


def test_intervals_cover_where_movement_is_eight_times_the_noise(bench):
    """The straight intervals of these pushes hold 88 %."""
    displacement = _pushes(bench, "kelvin_voigt", CLOT, 1e-6, 400, 3)
    straight, got = (_fit(bench, displacement, "kelvin_voigt", s) for s in (STRAIGHT, BENT))

    def held(m):
        u = m.usable
        return int(np.count_nonzero((m.modulus_low[u] <= 100.0) & (m.modulus_high[u] >= 100.0))), int(u.sum())

    hits, n = held(got)
    assert binom.cdf(hits, n, 0.93) > 0.001
    assert hits > held(straight)[0]


def test_a_deeper_minimum_is_found(bench):
    medium = {"modulus": 4.74, "branch": 0.52, "relaxation": 1.6e-3}
    displacement = _pushes(bench, "zener", medium, 0.1e-6, 60, 4)
    straight, got = (_fit(bench, displacement, "zener", s) for s in (STRAIGHT, BENT))
    g = complex(relaxance("zener", medium, 200j * math.pi))

    def held(m):
        return np.count_nonzero((m.modulus_low <= g.real) & (g.real <= m.modulus_high))

    assert np.nanmin(got.rheology.log_evidence - straight.rheology.log_evidence) > -1.0
    assert held(got) > held(straight)
    assert got.usable.sum() >= straight.usable.sum()


def test_what_is_wider_is_wider_at_other_frequencies_too(bench):
    displacement = _pushes(bench, "kelvin_voigt", CLOT, 1e-6, 40, 5)
    got = _fit(bench, displacement, "kelvin_voigt", BENT).rheology
    plain = replace(got, widening=None)
    most = int(np.nanargmax(got.widening[:, 0]))
    assert got.widening[most, 0] > 1.05
    a, b = (storage_at(r, 1.0) for r in (plain, got))
    assert b.high[most] - b.low[most] > a.high[most] - a.low[most]
    assert np.array_equal(a.storage, b.storage, equal_nan=True)
    most = int(np.nanargmax(got.widening[:, 1]))
    wide, narrow = (loss_tangent_at(r, 100.0) for r in (got, plain))
    assert wide[1][most] <= narrow[1][most]
    assert wide[2][most] >= narrow[2][most]
