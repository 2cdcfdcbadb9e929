"""The uncertainty budget of a reading against analysing the recording again with all settings moved at once.

Sensitivities come from two analyses per setting, at plus and minus one standard uncertainty; then the recording is
analysed again with joint random settings, and each result is put against what first order foretells of it. The stated
uncertainties are invented (demo data).

    ./stanch demo --out demo
    python benchmarks/budget_against_pipeline.py demo/recording.h5 --runs 60
"""

from __future__ import annotations

import argparse
import os
import time

from stanch.sensitivity import reading_model, recorded_settings
from stanch.verify.budget import Input, against_runs, first_order

RELATIVE = {
    "well_radius": 0.01,
    "well_depth": 0.01,
    "focus_height": 0.03,
    "push_radius": 0.03,
    "push_length": 0.05,
    "beam_radius": 0.05,
    "density": 0.003,
    "sound_speed": 0.005,
    "push_duration": 0.01,
}
READINGS = (
    ("base", "plateau"),
    ("base", "early_modulus"),
    ("base + blocker", "plateau"),
    ("base", "onset"),
    (None, "heparin effect"),
    (None, "platelet share"),
)


def inputs_of(recording: str | os.PathLike[str], well: str, scale: float = 1.0) -> list[Input]:
    """The settings of a well with the stated uncertainties, times `scale` [-]."""
    settings = recorded_settings(recording, well)
    return [
        Input(name, settings[name], scale * relative * abs(settings[name]), source="demo data")
        for name, relative in RELATIVE.items()
    ]


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("recording")
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--scale", type=float, default=1.0, help="of all stated uncertainties")
    options = parser.parse_args()
    for well, reading in READINGS:
        inputs = inputs_of(options.recording, well or "base", options.scale)
        model = reading_model(options.recording, reading=reading, well=well)
        start = time.process_time()
        first = first_order(model, inputs, steps="one-u")
        (check,), _ = against_runs(first, model, inputs, runs=options.runs, seed=options.seed)
        one = first["y"]
        print(f"\n{reading} of {well or 'a pair'}: {one.value:.6g} (SI), {time.process_time() - start:.0f} s of CPU")
        print(f"  u, first order      {one.u:.4g} ({one.u / abs(one.value):.2%} of the value)")
        print(f"  u, {options.runs} runs joint     {check.u.value:.4g}  95 % {check.u.low:.4g} to {check.u.high:.4g}")
        verdict = "agree" if check.agrees else "DO NOT AGREE"
        print(f"  {verdict}: runs over first order {check.ratio:.4f} on the same draws")
        print(f"  remainder of single runs {check.remainder:.2%} of u")
        for c in one.contributions[:4]:
            print(f"    {c.input.name:14s} {c.part:+.4g}  {c.share:7.2%} of the variance")


if __name__ == "__main__":
    main()
