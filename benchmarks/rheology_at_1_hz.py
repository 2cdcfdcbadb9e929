"""What each model says of one and the same sample at 100 Hz, as the push sees it, and at 1 Hz, as a rheometer does.

Displacement of known media with 0.1 um of noise, 64 frames to 8 ms or to 100 ms. For every medium its true G' at both
frequencies; for every model the median over pushes of G' and of the ends of its 95 % interval, the frequencies that the
frames inform by that model, and the log factor of its evidence against the true one per push.

    python benchmarks/rheology_at_1_hz.py
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from rheology_coverage import LONG, MEDIA, SETTINGS, drawn
from rheology_rate import ACQUISITION, FRAMES, GEOMETRY, TABLE

from stanch.mechanics.rheology.difference import informed_band, storage_at
from stanch.mechanics.rheology.fit import compare, fit
from stanch.mechanics.rheology.models import relaxance
from stanch.mechanics.rheology.records import MODELS

NOISE = 0.1e-6
SHOWN = (0, 3, 5, 6)
"""Of the media of the study of coverage: one of each kind, near 150 Pa at 100 Hz."""


def main() -> None:
    """Print a row for every medium, window and model."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pushes", type=int, default=100, help="pushes into every medium")
    options = parser.parse_args()
    given = (TABLE, ACQUISITION, GEOMETRY)
    print("| medium, G' at 100 and 1 Hz | frames to | model | G' at 100 Hz | G' at 1 Hz | informs | log factor |")
    print("|---|---|---|---|---|---|---|")
    for at in SHOWN:
        model, medium = MEDIA[at]
        true = [complex(relaxance(model, medium, 2j * math.pi * f)).real for f in (100.0, 1.0)]
        for words, time in (("8 ms", FRAMES), ("100 ms", LONG)):
            pushes = drawn(model, medium, time, NOISE, options.pushes, 100 * at + 1)
            evidence = compare(pushes, *given, settings=SETTINGS)
            for name in MODELS:
                rheology = fit(pushes, *given, model=name, settings=SETTINGS).rheology
                assert rheology is not None
                middle = {key: float(np.nanmedian(row)) for key, row in rheology.parameters.items()}
                band = informed_band(name, middle, TABLE, ACQUISITION, time)
                cells = []
                for frequency in (100.0, 1.0):
                    found = storage_at(rheology, frequency, band)
                    value, low, high = (float(np.nanmedian(x)) for x in (found.storage, found.low, found.high))
                    mark = "" if found.inside else ", extrapolated"
                    cells.append(f"{value:.3g} Pa ({low:.3g} to {high:.3g}){mark}")
                factor = float(np.nanmean(evidence[name] - evidence[model]))
                print(
                    f"| {model}, {true[0]:.3g} and {true[1]:.3g} Pa | {words} | {name} | {cells[0]} | {cells[1]} "
                    f"| {band[0]:.2g} to {band[1]:.3g} Hz | {factor:+.1f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
