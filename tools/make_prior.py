"""Learns the prior that is shipped, from a virtual population: python tools/make_prior.py

Some virtual patients make the library of whole curves; of others only pushes with their errors are seen
and the margins are found on them. The same seed and version give the same file.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from stanch.readings.assay import load_assay
from stanch.readings.assay_records import AssayDocument
from stanch.readings.forecast.learn import HeldOut, learn
from stanch.readings.forecast.library import well_class
from stanch.readings.forecast.records import KineticPrior, Origin
from stanch.readings.forecast.store import save_prior
from stanch.version import __version__
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.expect import DEMO_WELLS, courses
from stanch.virtual.blood.population import PATIENT_KINDS, VirtualPatient, draw
from stanch.virtual.blood.records import Composition

ROOT = Path(__file__).resolve().parent.parent
OUT = ROOT / "src" / "stanch" / "readings" / "forecast" / "data" / "demo-assay.prior.npz"
KINDS = tuple(kind for kind in PATIENT_KINDS if kind != "unusable")
RUN, STEP, INTERVAL = 3600.0, 5.0, 15.0
SPECKLE = ("fresh", "drifting", "frozen")

Floats = NDArray[np.float64]


def pushes_study() -> ModuleType:
    """The study whose pushes have drawn errors with the covariance that is handed on."""
    name = "interval_coverage_study"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, ROOT / "benchmarks" / "interval_coverage.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


def demo_assay() -> AssayDocument:
    """The assay document of the demo."""
    path = ROOT / "src" / "stanch" / "virtual" / "demo" / "assay.toml"
    return load_assay(path.read_text(encoding="utf-8"), where=path.name)


def classes(assay: AssayDocument) -> dict[str, str]:
    """Class of every well by its name."""
    return {well.name: well_class(well.activator, well.additives) for well in assay.wells}


def pairs(assay: AssayDocument) -> tuple[tuple[str, str], ...]:
    """Classes of every pair of wells whose retention the assay document defines."""
    known = classes(assay)
    found = [
        (known[c.base], known[c.other]) for c in assay.contrasts if c.kind == "decline" and c.report == "retention"
    ]
    return tuple(dict.fromkeys(found))


def true_curves(
    composition: Composition, known: dict[str, str], choices: Choices | None = None
) -> dict[str, tuple[Floats, Floats]]:
    """True modulus of every well by its class."""
    time = np.arange(0.0, RUN + 1e-9, STEP)
    made = courses(composition, list(DEMO_WELLS.values()), choices, duration=RUN)
    return {known[name]: (time, np.asarray(one.modulus(time))) for name, one in zip(DEMO_WELLS, made)}


def held_out(
    patient: VirtualPatient, known: dict[str, str], rng: np.random.Generator, choices: Choices | None = None
) -> HeldOut:
    """Pushes of every well of a patient, and the truth."""
    truth, study = true_curves(patient.composition, known, choices), pushes_study()
    moduli = {}
    for name, (time, modulus) in truth.items():
        speckle = SPECKLE[int(rng.integers(len(SPECKLE)))]
        moduli[name] = study.observe(rng, lambda t, x=time, y=modulus: np.interp(t, x, y), speckle, INTERVAL, RUN)
    return HeldOut(moduli, truth)


class Unseen(Sequence[HeldOut]):
    """Held-out patients, each made when it is looked at: the covariances of all of them would fill a gigabyte."""

    def __init__(self, patients: list[VirtualPatient], known: dict[str, str], seed: int) -> None:
        self._patients, self._known, self._seed = patients, known, seed

    def __len__(self) -> int:
        return len(self._patients)

    def __getitem__(self, index):  # type: ignore[no-untyped-def]
        if index >= len(self._patients):
            raise IndexError(index)
        return held_out(self._patients[index], self._known, np.random.default_rng([self._seed, 14, index]))


def make(per_kind: int, held_per_kind: int, seed: int, *, talk: bool = True) -> KineticPrior:
    """Learn the prior from `per_kind` patients of each kind in the library and `held_per_kind` others held out."""
    assay = demo_assay()
    known = classes(assay)
    everyone = {kind: draw(kind, per_kind + held_per_kind, seed) for kind in KINDS}
    library = [true_curves(p.composition, known) for kind in KINDS for p in everyone[kind][:per_kind]]
    others = [p for kind in KINDS for p in everyone[kind][per_kind:]]
    words = (
        f"{per_kind} virtual patients of each kind ({', '.join(KINDS)}) in the library and {held_per_kind} held out, "
        f"seed {seed}, wells of the demo assay, a push every {INTERVAL:g} s"
    )
    origin = Origin("virtual population", words, __version__)

    def tell(fraction: float) -> None:
        if talk:
            print(f"\r{100 * fraction:.0f} %", end="", file=sys.stderr, flush=True)

    return learn(
        library,
        Unseen(others, known, seed),
        assay.definitions(),
        run=RUN,
        pairs=pairs(assay),
        origin=origin,
        seed=seed,
        progress=tell,
    )


def main() -> None:
    """Make the file."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--per-kind", type=int, default=40)
    parser.add_argument("--held-per-kind", type=int, default=20)
    parser.add_argument("--seed", type=int, default=20260211)
    parser.add_argument("--out", type=Path, default=OUT)
    args = parser.parse_args()
    args.out.parent.mkdir(parents=True, exist_ok=True)
    stored = save_prior(args.out, make(args.per_kind, args.held_per_kind, args.seed), overwrite=True)
    print(f"\n{args.out}: {args.out.stat().st_size} bytes, sha256 {stored.sha256}")


if __name__ == "__main__":
    main()
