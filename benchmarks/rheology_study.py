"""What each rheology makes of media of known rheology: bias, scatter, coverage, and which one the evidence picks.

    python benchmarks/rheology_study.py traces --runs 1
    python benchmarks/rheology_study.py echoes --runs 1
    python benchmarks/rheology_study.py gel_time --runs 6

Media are Kelvin-Voigt, spring-pot, fractional Kelvin-Voigt and Zener, stated by G' and loss tangent at 100 Hz, and move
as the virtual well says, which shares no code with the fit. ``traces``: displacement with white noise, no speckle.
``echoes``: echoes of frozen scatterers, 20 pushes a well. ``gel_time``: pushes into a growing critical gel. Each writes
a table of its own in ``benchmarks/results``, from which ``tools/make_pages.py`` writes the page of the rheology study.
"""

from __future__ import annotations

import argparse
import csv
import datetime
import math
import platform
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from stanch.recording.records import Acquisition, Geometry
from stanch.virtual.material import Material

Floats = NDArray[np.float64]

HERE = Path(__file__).resolve().parent
RESULTS = HERE / "results"

FREQUENCY = 100.0
OMEGA = 2.0 * math.pi * FREQUENCY
KINDS = ("kelvin_voigt", "spring_pot", "fractional_kelvin_voigt", "zener")
STORAGES = (5.0, 30.0, 200.0, 1000.0)
TANGENTS = (0.05, 0.3, 1.0, 2.0)
NOISES = (0.02e-6, 0.1e-6, 0.5e-6)
LEVELS = (14.0, 20.0, 26.0, 40.0)
WINDOWS = ("8 ms", "100 ms")
PUSHES = 20
"""Of one run, over which evidence is added up."""

GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 2e-4, 2, -2.3e-3)
FORCE = 60e3
"""Peak body force [N/m^3]: moves a gel of 100 Pa by about 5 um."""

Z95 = 1.959963984540054


def medium(kind: str, storage: float, tangent: float) -> Material:
    """A medium of a kind with a storage modulus [Pa] and a loss tangent [-] at 100 Hz."""
    loss = storage * tangent
    if kind == "kelvin_voigt":
        return Material(storage, viscosity=loss / OMEGA)
    if kind == "spring_pot":
        order = 2.0 / math.pi * math.atan(tangent)
        return Material(0.0, pot=math.hypot(storage, loss) / OMEGA**order, order=order)
    if kind == "fractional_kelvin_voigt":
        # Half way between the spring-pot that needs no spring and the dashpot.
        order = 0.5 * (1.0 + 2.0 / math.pi * math.atan(tangent))
        pot = loss / math.sin(0.5 * math.pi * order)
        spring = storage - pot * math.cos(0.5 * math.pi * order)
        return Material(spring, pot=pot / OMEGA**order, order=order)
    # Relaxing at the stated frequency, or faster where that much loss leaves no spring.
    x = min(1.0, 0.5 / tangent)
    return Material(storage - loss * x, branch=loss * (1.0 + x * x) / x, relaxation=x / OMEGA)


def frame_times_of(window: str) -> Floats:
    """64 frames at 8 kHz, and 12 later ones to 100 ms, pre-push frames included."""
    from stanch.virtual.instrument import frame_times

    return frame_times(64, 2, 125e-6, *((12, 0.1) if window == "100 ms" else (0, None)))


def slow_modulus(parameters: dict[str, Floats], frequency: float = 1.0) -> tuple[Floats, Floats]:
    """G' [Pa] and loss tangent of fitted media at another frequency."""
    s = 2j * math.pi * frequency
    part = parameters.get
    g = part("modulus", 0.0) + part("viscosity", 0.0) * s + part("pot", 0.0) * s ** part("order", 1.0)
    x = s * part("relaxation", 1.0)
    g = g + part("branch", 0.0) * x / (1.0 + x)
    with np.errstate(divide="ignore", invalid="ignore"):
        return g.real, g.imag / g.real


@dataclass(frozen=True)
class Fits:
    """Every model's fit of the same pushes."""

    by_model: dict[str, Any]

    def evidence(self) -> Floats:
        """Logarithm, shape (model, push)."""
        return np.array([self.by_model[m].rheology.log_evidence for m in KINDS])


def fit_all(displacement: Any, table: Any, geometry: Geometry, acquisition: Acquisition) -> Fits:
    """All models on one well."""
    from stanch.mechanics.rheology.fit import fit
    from stanch.mechanics.settings import InvertSettings

    how = InvertSettings(threads=1)
    return Fits(
        {
            model: fit(displacement, table, acquisition, geometry, model=model, frequency=FREQUENCY, settings=how)
            for model in KINDS
        }
    )


def spread(x: Floats) -> float:
    """Half the distance of the 16 % and 84 % quantiles."""
    return float(0.5 * (np.quantile(x, 0.8413447) - np.quantile(x, 0.1586553))) if x.size else math.nan


def judged(found: list[Any], truth: Material) -> dict[str, Any]:
    """Bias, scatter and coverage of one model over wells."""
    usable = np.concatenate([m.usable for m in found])

    def of(name: str, rheology: bool = False) -> Floats:
        rows = [getattr(m.rheology if rheology else m, name) for m in found]
        return np.concatenate(rows)[usable]

    storage, tangent = truth.storage(FREQUENCY), truth.loss_tangent(FREQUENCY)
    out: dict[str, Any] = {"pushes": usable.size, "usable": int(usable.sum())}
    if not usable.any():
        return out
    told = np.log(of("storage", True).clip(min=1e-9) / storage)
    z, sd = of("log_loss_tangent", True), of("log_loss_tangent_sd", True)
    low, high = of("modulus_low"), of("modulus_high")
    names = found[0].rheology.parameters
    parameters = {k: np.concatenate([m.rheology.parameters[k] for m in found])[usable] for k in names}
    slow, slow_tangent = slow_modulus(parameters)
    slow_truth = truth.storage(1.0)
    off = np.log(slow.clip(min=1e-9) / slow_truth)
    slow_off = np.log(np.where(slow > 0, slow_tangent, np.inf).clip(1e-9, 1e9) / truth.loss_tangent(1.0))
    inside = np.abs(z - math.log(tangent)) <= Z95 * sd
    out |= {
        "storage_bias": float(np.median(told)),
        "storage_scatter": spread(told),
        "storage_covered": int(np.count_nonzero((low <= storage) & (storage <= high))),
        "tangent_bias": float(np.median(z - math.log(tangent))),
        "tangent_scatter": spread(z),
        "tangent_covered": int(np.count_nonzero(inside)),
        "slow_storage_bias": float(np.median(off)),
        "slow_tangent_bias": float(np.median(slow_off)),
    }
    return out


def chosen(runs: list[Fits], kind: str) -> dict[str, Any]:
    """Which model the evidence picks, push by push and over each run."""
    right = KINDS.index(kind)
    pushes = [np.argmax(np.where(np.isfinite(e), e, -np.inf), axis=0) for e in (r.evidence() for r in runs)]
    whole = []
    for run in runs:
        e = run.evidence()
        known = np.isfinite(e).all(axis=0)
        whole.append(int(np.argmax(e[:, known].sum(axis=1))) if known.any() else -1)
    each = np.concatenate(pushes)
    return {
        "push_right": int(np.count_nonzero(each == right)),
        "pushes": each.size,
        "run_right": int(np.count_nonzero(np.array(whole) == right)),
        "runs": len(runs),
        **{f"run_{m}": int(np.count_nonzero(np.array(whole) == k)) for k, m in enumerate(KINDS)},
    }


def trace_runs(truth: Material, window: str, noise: float, runs: int, seed: list[int]) -> tuple[list[Fits], float]:
    """Runs of displacement traces, and their peak [m]."""
    from stanch.echo.given import from_displacement
    from stanch.mechanics.table import spectral_table
    from stanch.virtual.traces import gate, traces

    time = frame_times_of(window)
    seen = gate(GEOMETRY, -0.8 * GEOMETRY.push_length, 0.8 * GEOMETRY.push_length)
    table = spectral_table(GEOMETRY, density=ACQUISITION.density, push_duration=2e-4, frame_time=time[2:])
    rng = np.random.default_rng(seed)
    out, peak = [], 0.0
    made = traces(
        seen, time[2:], [truth] * (runs * PUSHES), None, FORCE,
        density=ACQUISITION.density, push_duration=2e-4, noise=noise, rng=rng, reference_frames=10**12,
    )  # fmt: skip
    peak = float(made.clean[0].max())
    still = noise * rng.standard_normal((runs * PUSHES, 2))
    values = np.concatenate([still, made.displacement], axis=1)
    for run in range(runs):
        part = values[run * PUSHES : (run + 1) * PUSHES]
        moved = from_displacement(part, 6.0 * np.arange(PUSHES), time, ACQUISITION, GEOMETRY, sd=noise)
        out.append(fit_all(moved, table, GEOMETRY, ACQUISITION))
    return out, peak


def echo_runs(truth: Material, window: str, level: float, runs: int, seed: list[int]) -> tuple[list[Fits], float]:
    """Runs of echoes of one frozen gel each, and their peak [m]."""
    from stanch.echo.track import track
    from stanch.mechanics.table import spectral_table
    from stanch.virtual.gel import Gel
    from stanch.virtual.instrument import VirtualWell
    from stanch.virtual.scenario import load_scenario

    given = load_scenario(HERE.parent / "examples" / "gel" / "scenario.toml")
    late = {"late_frames": 12, "last_frame": 0.1} if window == "100 ms" else {}
    scenario = given.model_copy(
        update={
            "acquisition": given.acquisition.model_copy(update=late),
            "instrument": given.instrument.model_copy(update={"signal_to_noise": level, "push_force": FORCE}),
        }
    )
    acquisition, geometry = scenario.acquisition_record(), scenario.geometry.record()
    out, peak = [], 0.0
    for run in range(runs):
        number = int(np.random.SeedSequence([*seed, run]).generate_state(1)[0])
        well = VirtualWell(scenario, 0, number, Gel(truth))
        times = 6.0 * np.arange(PUSHES)
        pushes = [well.push(float(t)) for t in times]
        peak = max(peak, pushes[0][1].peak)
        moved = track(np.stack([block for block, _ in pushes]), times, well.frame_time, acquisition, geometry)
        table = spectral_table(
            geometry,
            density=acquisition.density,
            push_duration=acquisition.push_duration,
            frame_time=moved.frame_time,
        )
        out.append(fit_all(moved, table, geometry, acquisition))
    return out, peak


def cell(task: tuple[str, str, float, float, str, float, int, int]) -> list[dict[str, Any]]:
    """All rows of one medium at one noise."""
    what, kind, storage, tangent, window, amount, runs, seed = task
    truth = medium(kind, storage, tangent)
    place = [seed, KINDS.index(kind), round(1000 * storage), round(1000 * tangent), round(amount * 1e9), len(window)]
    make = trace_runs if what == "traces" else echo_runs
    found, peak = make(truth, window, amount, runs, place)
    size = "noise_um" if what == "traces" else "level_db"
    head = {
        "medium": kind,
        "storage_pa": storage,
        "loss_tangent": tangent,
        "window": window,
        size: 1e6 * amount if what == "traces" else amount,
        "peak_um": 1e6 * peak,
    }
    rows = []
    picks = chosen(found, kind)
    for model in KINDS:
        rows.append(head | {"model": model} | judged([f.by_model[model] for f in found], truth))
    for row in rows:
        row |= {k: v for k, v in picks.items() if k != "pushes"}
    return rows


def tasks(what: str, runs: int, seed: int, thin: bool) -> Iterator[tuple[str, str, float, float, str, float, int, int]]:
    """Every cell of a study."""
    storages, tangents = (STORAGES, TANGENTS) if what == "traces" else ((20.0, 200.0), (0.5,))
    amounts = NOISES if what == "traces" else LEVELS
    if thin:
        storages, tangents, amounts = storages[:1], tangents[:1], amounts[1:3]
    for kind in KINDS:
        for storage in storages:
            for tangent in tangents:
                for window in WINDOWS:
                    for amount in amounts:
                        yield what, kind, storage, tangent, window, amount, runs, seed


def origin(seed: int) -> dict[str, Any]:
    """What a row was measured on."""
    commit = subprocess.run(["git", "rev-parse", "--short=10", "HEAD"], capture_output=True, text=True, check=False)
    machine = f"{platform.system()} {platform.machine()}, Python {platform.python_version()}"
    return {
        "seed": seed,
        "commit": commit.stdout.strip(),
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "machine": f"{machine}, NumPy {np.__version__}, SciPy {scipy.__version__}",
    }


def write(path: Path, rows: list[dict[str, Any]], tail: dict[str, Any]) -> None:
    """The table of one study; `tail` says where every row is from."""
    names: list[str] = []
    for row in rows:
        names += [name for name in row if name not in names]
    path.parent.mkdir(exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow([*names, *tail])
        for row in rows:
            values = [row.get(name, "") for name in names]
            out.writerow([f"{v:.4g}" if isinstance(v, float) else v for v in values] + list(tail.values()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("study", choices=("traces", "echoes", "gel_time"))
    parser.add_argument("--runs", type=int, default=4, help="of 20 pushes each, per cell")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--thin", action="store_true", help="a few cells only")
    parser.add_argument("--out", type=Path, help="table to write instead of that in benchmarks/results")
    given = parser.parse_args()
    path = given.out or RESULTS / f"rheology_{given.study}.csv"
    tail = origin(given.seed)
    rows: list[dict[str, Any]] = []
    if given.study == "gel_time":
        from _rheology_gel_time import gel_time_rows

        rows = gel_time_rows(given.runs, given.seed)
    else:
        work = list(tasks(given.study, given.runs, given.seed, given.thin))
        with ProcessPoolExecutor(given.processes) as pool:
            for done, found in enumerate(pool.map(cell, work), 1):
                rows += found
                if done % 20 == 0:
                    print(f"{done} of {len(work)} cells", file=sys.stderr, flush=True)
    write(path, rows, tail)
    print(f"{len(rows)} rows in {path}")


if __name__ == "__main__":
    main()
