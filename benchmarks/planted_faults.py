"""Detection of planted quality faults, and false alarms on clean runs, through virtual echoes.

Every fault is planted on its own into a short virtual run of four wells, the run is analysed from its echoes like any
other, and the signs found are listed. Clean runs of other seeds give the false-alarm rate.

    python benchmarks/planted_faults.py --clean 10 --repeats 1
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from stanch.findings.records import QualitySign
from stanch.pipeline import analyse
from stanch.virtual.simulate import simulate

ASSAY = """schema = "stanch.assay/1"
name = "planted faults"
onset_modulus = "20 Pa"
hold = "4 min"
follow = "12 min"
[[well]]
name = "a"
activator = "tissue factor"
[[well]]
name = "b"
activator = "tissue factor"
[[well]]
name = "c"
activator = "tissue factor"
[[well]]
name = "d"
activator = "tissue factor"
[[limit]]
of = "sample_age"
kind = "accept"
high = "3 h"
source = "invented"
[[limit]]
of = "temperature"
kind = "accept"
low = "36.5 Cel"
high = "37.5 Cel"
source = "invented"
"""
HEAD = """schema = "stanch.scenario/1"
name = "planted faults"
seed = {seed}
demo = true
started_at = "2026-03-01T09:00:00+00:00"
assay = "assay.toml"
[sample]
sample = "invented"
role = "exercise"
drawn_at = "2026-03-01T08:00:00+00:00"
received_at = "2026-03-01T08:20:00+00:00"
[run]
pushes = {pushes}
push_interval = "15 s"
first_push = "12 s"
stagger = "2 s"
[acquisition]
sampling_rate = "40 MHz"
centre_frequency = "9 MHz"
sound_speed = "1575 m/s"
density = "1045 kg/m^3"
frame_interval = "125 us"
frames = 48
frames_before_push = 2
push_duration = "200 us"
first_sample_depth = "-2.3 mm"
samples = 256
[geometry]
well_radius = "2.8 mm"
well_depth = "7 mm"
beam_from = "base"
focus_height = "3.2 mm"
push_radius = "0.4 mm"
push_length = "2.2 mm"
beam_radius = "0.19 mm"
[instrument]
push_force = "{force}"
signal_to_noise = "34 dB"
echo_level = 900
attenuation = "2.0 dB/cm"
attenuation_rise = "0.8 dB/cm"
backscatter_rise = "5 dB"
"""
WELL = """
[[well]]
name = "{name}"
activator = "tissue factor"
activator_lot = "T1"
activator_expiry = "2026-12-31"
fill_height = "7 mm"
final_volume = "172 uL"
[well.curve]
start = "{start}"
network_modulus = "80 Pa"
network_time = "2.4 min"
stiffening_modulus = "300 Pa"
stiffening_time = "4 min"
stiffening_delay = "1 min"
liquid_viscosity = "3.6 mPa·s"
set_viscosity = "0.19 Pa·s"
"""
STARTS = ("4.5 min", "4.6 min", "4.4 min", "4.5 min")

# fault: (sign expected, wells expected ("" is the whole run), tables, changes of the scenario)
FAULTS: dict[str, tuple[str, str, str, dict[str, str]]] = {
    "bubble in the beam": (
        "bubble",
        "a",
        'kind = "bubble"\nwells = ["a"]\nstart = "2 min"\ndepth = "0.2 mm"\nlevel = "35 dB"',
        {},
    ),
    "bubble beside the gate": (
        "bubble",
        "a",
        'kind = "bubble"\nwells = ["a"]\ndepth = "1.9 mm"\nlevel = "35 dB"\nshadow = "3 dB"',
        {},
    ),
    "under-fill, not recorded": ("under_fill", "a", 'kind = "under_fill"\nwells = ["a"]\nheight = "5 mm"', {}),
    "under-fill, recorded": ("under_fill", "a", "", {"fill_height": "5.5 mm"}),
    "strain above 10 %": ("strain", "abcd", "", {"force": "400 kN/m^3"}),
    "already set at first push": ("already_set", "a", "", {"gel": "250 Pa"}),
    "poor mixing": ("poor_mixing", "a", 'kind = "poor_mixing"\nwells = ["a"]\ndelay = "3 min"', {}),
    # In the 4.5 min of liquid of the other wells the speckle of so few pushes hides a tilt of this size.
    "sedimentation, 12 min liquid": (
        "sedimentation",
        "a",
        'kind = "sedimentation"\nwells = ["a"]\nlevel = "10 dB"\ntime = "10 min"',
        {"start": "12 min"},
    ),
    "coupling loss, 10 dB": (
        "coupling_loss",
        "a",
        'kind = "coupling_loss"\nwells = ["a"]\nstart = "9 min"\nloss = "10 dB"',
        {},
    ),
    "bench knock": (
        "knock",
        "abcd",
        'kind = "knock"\ntimes = ["7 min", "11 min"]\namplitude = "20 um"',
        {},
    ),
    "temperature, 2 K low before onset": (
        "temperature",
        "",
        'kind = "temperature"\nshift = "-2 K"\nend = "4 min"',
        {},
    ),
    "dilution by a third": ("viscosity_disagreement", "a", 'kind = "dilution"\nwells = ["a"]\nshare = "65 %"', {}),
    "expired lot": ("expired_lot", "a", 'kind = "expired_lot"\nwells = ["a"]\nreagent = "tissue factor"', {}),
    "stale sample": ("stale_sample", "", 'kind = "stale_sample"\nage = "5 h"', {}),
    "clocks that disagree": ("clock_disagreement", "", 'kind = "clock"\nahead = "2 h"', {}),
}


def scenario(fault: str, changes: dict[str, str], pushes: int, seed: int) -> str:
    """A scenario of four wells with one fault, in the first well where it concerns one."""
    text = HEAD.format(seed=seed, pushes=pushes, force=changes.get("force", "45 kN/m^3"))
    for k, (name, start) in enumerate(zip("abcd", STARTS)):
        well = WELL.format(name=name, start=changes.get("start", start) if k == 0 else start)
        if k == 0 and "gel" in changes:
            well = well[: well.index("[well.curve]")] + f'[well.curve]\nmodulus = "{changes["gel"]}"\n'
        if k == 0 and "fill_height" in changes:
            well = well.replace('fill_height = "7 mm"', f'fill_height = "{changes["fill_height"]}"')
        text += well
    return text + (f"\n[[fault]]\n{fault}\n" if fault else "")


def signs_of(text: str, folder: Path) -> tuple[QualitySign, ...]:
    """Signs found in a run of this scenario."""
    (folder / "assay.toml").write_text(ASSAY, encoding="utf-8")
    (folder / "scenario.toml").write_text(text, encoding="utf-8")
    simulate(folder / "scenario.toml", folder / "run.h5", overwrite=True)
    return analyse(folder / "run.h5", now="2026-03-01T12:00:00+00:00").quality


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; exit with 1 where a fault was missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clean", type=int, default=10, help="clean runs")
    parser.add_argument("--repeats", type=int, default=1, help="runs of each fault")
    parser.add_argument("--pushes", type=int, default=60, help="pushes of each well")
    parser.add_argument("--first", type=int, default=0, help="added to every seed; thresholds were chosen at 0 to 99")
    parser.add_argument("--only", default="", help="faults whose name contains this")
    options = parser.parse_args(arguments)
    began, missed = time.process_time(), 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(f"{'fault':36}{'sign':24}{'found':>8}  other signs")
        for fault, (key, wells, tables, changes) in FAULTS.items():
            if options.only not in fault:
                continue
            found, others = 0, Counter[str]()
            for repeat in range(options.repeats):
                signs = signs_of(scenario(tables, changes, options.pushes, 100 + options.first + repeat), folder)
                hit = {s.well for s in signs if s.key == key}
                found += set(wells or [""]) <= hit
                others.update(
                    f"{s.key} {s.well}".strip() for s in signs if s.key != key or s.well not in (wells or [""])
                )
            missed += found < options.repeats
            rest = ", ".join(f"{k} x{n}" if n > 1 else k for k, n in sorted(others.items()))
            print(f"{fault:36}{key:24}{f'{found}/{options.repeats}':>8}  {rest or 'none'}", flush=True)
        false, alarms = 0, Counter[str]()
        for seed in range(options.clean):
            signs = signs_of(scenario("", {}, options.pushes, 1000 + options.first + seed), folder)
            false += bool(signs)
            alarms.update(f"{s.key} {s.well}".strip() for s in signs)
        if options.clean:
            rest = ", ".join(f"{k} x{n}" for k, n in sorted(alarms.items())) or "none"
            print(f"clean runs with a sign: {false} of {options.clean} ({4 * options.clean} wells): {rest}")
    print(f"CPU time {time.process_time() - began:.0f} s", file=sys.stderr)
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
