"""Common practice, no source: the modulus 7 min after onset ranks samples as the final modulus does."""

import numpy as np
from scipy.stats import spearmanr

from stanch.curve.posterior import smooth
from stanch.mechanics.finished import from_modulus
from stanch.mechanics.records import LOG_OFFSET
from stanch.readings.definitions import Definitions
from stanch.readings.read import read_well
from stanch.virtual.growth import Growth

SEVEN_MINUTES = Definitions(onset_modulus=20.0, hold=420.0, follow=1500.0)


def test_the_modulus_seven_minutes_after_onset_tracks_the_plateau():
    rng = np.random.default_rng(7)
    time = 30.0 * np.arange(1, 121)
    pairs = []
    for seed in range(60):
        growth = Growth(
            rng.uniform(120.0, 900.0),
            np.exp(rng.uniform(np.log(40.0), np.log(400.0))),
            rng.uniform(60.0, 180.0),
            stiffening_modulus=np.exp(rng.uniform(np.log(40.0), np.log(1200.0))),
            stiffening_time=rng.uniform(120.0, 420.0),
            stiffening_delay=rng.uniform(0.0, 120.0),
        )
        true = growth.modulus(time)
        sd = 0.01 * true + 0.5
        seen = np.maximum(true + sd * rng.standard_normal(time.size), -0.5 * LOG_OFFSET)
        curve = smooth(from_modulus(time, seen, modulus_sd=sd), seed=seed, paths=100)
        readings = read_well(curve, SEVEN_MINUTES, seed=seed)
        early, plateau = readings["early_modulus"].estimate, readings["plateau"].estimate
        if early.value is not None and (plateau.value is not None or plateau.low is not None):
            pairs.append((early.value, plateau.value if plateau.value is not None else plateau.low))
    early, plateau = np.array(pairs).T
    assert early.size >= 55
    assert spearmanr(early, plateau).statistic > 0.8
    # It tracks the final stiffness; it is not the final stiffness.
    assert np.median(early / plateau) < 0.95
