"""Learns the prior that is shipped, from a virtual population: python tools/make_prior.py

Some virtual patients make the library of whole curves; of others only pushes with their errors are seen
and the margins are found on them, for three groups apart: patients as they are drawn, with blood of a wider
range, and with other choices of the model. The same seed and version give the same file.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
from collections.abc import Sequence
from dataclasses import replace
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
GROUPS = ("as drawn", "wider blood", "other models")
"""Groups of virtual patients in the library, for each of which the margins hold apart."""
PER_KIND, HELD_PER_KIND, SEED = (30, 25, 20), 12, 20260211
"""How many of each kind the library holds by group, and how many of each group are held out."""

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


def seen(truth: dict[str, tuple[Floats, Floats]], rng: np.random.Generator, group: str = "") -> HeldOut:
    """Pushes of every well with their errors, and the truth."""
    study = pushes_study()
    moduli = {}
    for name, (time, modulus) in truth.items():
        speckle = SPECKLE[int(rng.integers(len(SPECKLE)))]
        moduli[name] = study.observe(rng, lambda t, x=time, y=modulus: np.interp(t, x, y), speckle, INTERVAL, RUN)
    return HeldOut(moduli, truth, group)


def widened(composition: Composition, rng: np.random.Generator) -> Composition:
    """Blood whose factors, fibrinogen, platelets and lysis lie further apart than those of any kind of patient.

    How much is a choice made here, no source: it is there so that the library has neighbours for odd blood.
    """

    def about(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    common = about(0.3, 1.6)
    return replace(
        composition,
        factors={
            name: min(value * common * float(np.exp(0.2 * rng.standard_normal())), 5.0)
            for name, value in composition.factors.items()
        },
        platelet_function=composition.platelet_function * about(0.25, 1.4),
        fibrinogen=composition.fibrinogen * about(0.6, 1.6),
        platelets=composition.platelets * about(0.6, 1.6),
        antithrombin=composition.antithrombin * about(0.6, 1.4),
        antiplasmin=composition.antiplasmin * about(0.6, 1.4),
        tpa=composition.tpa * about(0.5, 2.0),
    )


def other_choices(rng: np.random.Generator) -> Choices:
    """The model with other choices, within what its literature leaves open."""
    return Choices(
        meizothrombin_clots=bool(rng.random() < 0.7),
        gel_share=float(rng.uniform(0.15, 0.30)),
        concentration_exponent=float(rng.uniform(1.4, 2.5)),
        platelet_law="add" if rng.random() < 0.5 else "multiply",
        cross_linked_lysis=float(rng.uniform(0.2, 1.0)),
        resting_membrane=float(10.0 ** rng.uniform(-2.3, -1.5)),
        heparin_scale=float(0.15 * 2.0 ** rng.uniform(-1.0, 1.0)),
        q10=float(rng.uniform(1.7, 2.5)),
        macroglobulin_reach=float(rng.uniform(0.1, 0.4)),
        meizothrombin_activates=bool(rng.random() < 0.7),
    )


def as_group(patient: VirtualPatient, group: str, seed: int, number: int) -> tuple[VirtualPatient, Choices | None]:
    """A patient and the model as they are in a group."""
    rng = np.random.default_rng([seed, 15, GROUPS.index(group), PATIENT_KINDS.index(patient.kind), number])
    if group == "wider blood":
        return replace(patient, composition=widened(patient.composition, rng)), None
    return patient, other_choices(rng) if group == "other models" else None


Person = tuple[VirtualPatient, Choices | None, str]


class Unseen(Sequence[HeldOut]):
    """Held-out patients, each made when it is looked at: the covariances of all of them would fill a gigabyte."""

    def __init__(self, people: list[Person], known: dict[str, str], seed: int) -> None:
        self._people, self._known, self._seed = people, known, seed

    def __len__(self) -> int:
        return len(self._people)

    def __getitem__(self, index):  # type: ignore[no-untyped-def]
        if index >= len(self._people):
            raise IndexError(index)
        patient, choices, group = self._people[index]
        truth = true_curves(patient.composition, self._known, choices)
        return seen(truth, np.random.default_rng([self._seed, 14, index]), group)


def make(per_kind: tuple[int, ...], held_per_kind: int, seed: int, *, talk: bool = True) -> KineticPrior:
    """Learn the prior from patients of each kind: so many of each group in the library, and others held out."""
    assay = demo_assay()
    known = classes(assay)
    library, others, first = [], list[Person](), 0
    for group, count in zip(GROUPS, per_kind):
        for kind in KINDS:
            # No two groups share a patient.
            people = draw(kind, first + count + held_per_kind, seed)[first:]
            for number, patient in enumerate(people):
                person, choices = as_group(patient, group, seed, number)
                if number < count:
                    library.append(true_curves(person.composition, known, choices))
                else:
                    others.append((person, choices, group))
        first += count + held_per_kind
    counts = ", ".join(f"{count} {group}" for group, count in zip(GROUPS, per_kind))
    words = (
        f"virtual patients of each kind ({', '.join(KINDS)}): {counts} in the library and {held_per_kind} of each such "
        f"group held out, seed {seed}, wells of the demo assay, a push every {INTERVAL:g} s"
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
    parser.add_argument("--per-kind", type=int, nargs=3, default=PER_KIND, metavar="COUNT", help="by group")
    parser.add_argument("--held-per-kind", type=int, default=HELD_PER_KIND, help="of every group")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--out", type=Path, default=OUT)
    args = parser.parse_args()
    args.out.parent.mkdir(parents=True, exist_ok=True)
    stored = save_prior(args.out, make(tuple(args.per_kind), args.held_per_kind, args.seed), overwrite=True)
    print(f"\n{args.out}: {args.out.stat().st_size} bytes, sha256 {stored.sha256}")


if __name__ == "__main__":
    main()
