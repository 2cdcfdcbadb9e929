"""A result of invented numbers, made without the stages before it: six wells of simple growth and decline."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.curve.records import Curve
from stanch.echo.records import Displacement
from stanch.estimate import Estimate
from stanch.findings.evaluate import evaluate
from stanch.findings.quality import assess
from stanch.mechanics.records import Moduli
from stanch.mechanics.rheology.records import Rheology
from stanch.pipeline import Result, WellResult
from stanch.quantities import QUANTITIES
from stanch.readings.assay import load_assay
from stanch.readings.gel import read_gel_time, read_onset_delay
from stanch.readings.records import Contrast, Reading, WellReadings
from stanch.recording.records import Acquisition, Additive, Geometry, SampleFacts, Well

Floats = NDArray[np.float64]

GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
ACQUISITION = Acquisition(40e6, 9e6, 1575.0, 1055.0, 200e-6, 2, -1.0e-3)
PUSHES, FRAMES, PATHS = 120, 30, 400

# name: onset [s], plateau [Pa], share lost in the run
WELLS: dict[str, tuple[float, float, float]] = {
    "low": (960.0, 380.0, 0.3),
    "low + neutraliser": (420.0, 400.0, 0.28),
    "base": (170.0, 420.0, 0.32),
    "base + blocker": (180.0, 80.0, 0.25),
    "base + antifibrinolytic": (172.0, 430.0, 0.02),
    "base + both": (181.0, 84.0, 0.01),
}


def modulus_at(name: str, time: Floats) -> Floats:
    onset, plateau, lost = WELLS[name]
    age = np.maximum(time - onset + 40.0, 0.0)
    grown = plateau * (1.0 - np.exp(-((age / 420.0) ** 1.4)))
    decline = 1.0 - lost * np.clip((time - onset - 1200.0) / 2400.0, 0.0, 1.0)
    return np.asarray(grown * decline)


def make_result(assay_text: str | None = None, **changes: Any) -> Result:
    """The whole record, as the pipeline would return it."""
    text = assay_text or (files("stanch.virtual") / "demo" / "assay.toml").read_text(encoding="utf-8")
    assay = load_assay(text, "assay.toml")
    rng = np.random.default_rng(7)
    wells = tuple(_well(name, index, assay, rng) for index, name in enumerate(WELLS))
    readings = tuple(one.readings for one in wells if one.readings is not None)
    contrasts = tuple(_contrast(c, {w.well: w for w in readings}, rng) for c in assay.contrasts)
    sample = SampleFacts(
        "liver-transplant sample 7 (demo data)", "patient", "2026-03-01T08:00:00+00:00", demo=True, haematocrit=0.27
    )
    now = "2026-03-01T10:00:00+00:00"
    started = "2026-03-01T08:40:00+00:00"
    temperatures = (np.arange(0.0, 3600.0, 60.0), np.full(60, 310.1))
    quality = assess(sample, wells, temperatures=temperatures, started_at=started, assay=assay, now=now)
    findings, not_assessed, cannot_see = evaluate(assay, readings, contrasts, quality)
    values: dict[str, Any] = {
        "identity": "4f" * 32,
        "state": "closed",
        "sample": sample,
        "acquisition": ACQUISITION,
        "wells": wells,
        "contrasts": contrasts,
        "findings": findings,
        "not_assessed": not_assessed,
        "cannot_see": cannot_see,
        "quality": quality,
        "assay_name": assay.name,
        "assay_sha256": assay.sha256,
        "assay_source": "recording",
        "assay_text": text,
        "seed": 0,
        "software": "stanch 0.0",
        "created": now,
        "source": "run.h5",
    }
    return Result(**(values | changes))


def with_rheology(result: Result, frequency: float = 100.0) -> Result:
    """The same run as if its pushes had been fitted with a fractional medium."""
    wells = tuple(_richer(one, frequency, k) for k, one in enumerate(result.wells))
    return replace(result, wells=wells, rheology="fractional_kelvin_voigt", frequency=frequency)


def loss_at(name: str, time: Floats) -> Floats:
    """Loss tangent: a viscosity of 5 mPa·s in the liquid, a fifth of the modulus in the clot."""
    modulus = modulus_at(name, time)
    return np.asarray((0.2 * modulus + 5e-3 * 2.0 * np.pi * 100.0) / np.maximum(modulus, 0.05))


def _richer(one: WellResult, frequency: float, seed: int) -> WellResult:
    name, c, m, rng = one.well.name, one.curve, one.moduli, np.random.default_rng([11, seed])
    assert c is not None
    assert m is not None
    assert one.readings is not None
    truth = loss_at(name, c.time)
    paths = truth * np.exp(np.minimum(0.05 + 0.02 * truth, 0.6) * rng.standard_normal((PATHS, 1)))
    low, middle, high = np.quantile(paths, [0.025, 0.5, 0.975], axis=0)
    curve = replace(
        c, loss_tangent=middle, loss_low=low, loss_high=high, loss_paths=paths, loss_centre=middle,
        loss_resampled=paths[:50], frequency=frequency,
    )  # fmt: skip
    value, nothing = loss_at(name, m.push_time), np.zeros(PUSHES)
    sd = np.minimum(0.05 + 0.05 * value, 3.0)
    rheology = Rheology(
        "fractional_kelvin_voigt", frequency, {"spring": m.modulus}, np.zeros((PUSHES, 1, 1)), m.modulus,
        value * m.modulus, np.log(value) + sd * rng.standard_normal(PUSHES), sd,
        0.1 + 3.0 / (1.0 + np.maximum(m.modulus, 0.0) / 20.0) * np.exp(0.2 * rng.standard_normal(PUSHES)), nothing,
    )  # fmt: skip
    gel = read_gel_time(curve, c.time, 60.0, np.zeros(PATHS), True)
    delay = read_onset_delay(one.readings["onset"], gel, start=float(c.time[0]), end=float(c.time[-1]) - 60.0)
    others = [r for r in one.readings.readings if r.key != "gel_time"]
    readings = replace(one.readings, readings=(others[0], gel, delay, *others[1:]))
    return replace(one, curve=curve, moduli=replace(m, rheology=rheology), readings=readings)


def _well(name: str, index: int, assay: Any, rng: np.random.Generator) -> WellResult:
    planned = next(w for w in assay.wells if w.name == name)
    well = Well(
        name,
        planned.activator,
        tuple(Additive(a, "5 µL", f"lot {index}", "2027-01-31") for a in planned.additives),
        activated_at="2026-03-01T08:40:00+00:00",
    )
    curve = make_curve(name, rng)
    moduli = make_moduli(name, rng)
    displacement = make_displacement(name, moduli, rng)
    return WellResult(well, "echo", GEOMETRY, displacement, moduli, curve, _read(name, curve, assay))


def make_curve(name: str, rng: np.random.Generator) -> Curve:
    time = np.arange(4.0, 3600.0, 4.0)
    truth = modulus_at(name, time)
    gain = np.exp(0.02 * rng.standard_normal((PATHS, 1)))
    wobble = np.exp(0.006 * rng.standard_normal((PATHS, time.size)))
    paths = truth * gain * wobble
    low, mid, high = np.quantile(paths, [0.025, 0.5, 0.975], axis=0)
    eta = 0.006 + 0.1 * truth / 400.0
    return Curve(time, mid, low, high + 0.5, paths, eta, 0.9 * eta, 1.1 * eta, time, 1, {})


def make_moduli(name: str, rng: np.random.Generator) -> Moduli:
    time = 6.0 + 30.0 * np.arange(PUSHES)
    truth = modulus_at(name, time)
    g = truth * np.exp(0.02 * rng.standard_normal(PUSHES)) + 0.2 * rng.standard_normal(PUSHES)
    rejected = truth > 3.0
    eta = (0.006 + 0.1 * truth / 400.0) * np.exp(0.05 * rng.standard_normal(PUSHES))
    usable = np.ones(PUSHES, bool)
    flags = np.zeros(PUSHES, np.int64)
    fitted = _trace(truth)
    return Moduli(
        push_time=time,
        modulus=g,
        modulus_low=np.where(rejected, 0.96 * g, 0.0),
        modulus_high=np.maximum(1.04 * g, 1.0),
        viscosity=eta,
        viscosity_low=0.9 * eta,
        viscosity_high=1.1 * eta,
        force=np.full(PUSHES, 2.0e4),
        force_sd=np.full(PUSHES, 200.0),
        log_modulus=np.log(np.maximum(g, 0.0) + 10.0),
        covariance=np.eye(PUSHES) * 4e-4,
        speckle=np.zeros(PUSHES),
        speckle_sd=np.full(PUSHES, 0.05),
        strain=fitted.max(axis=1) / GEOMETRY.push_radius,
        reduced_chi2=np.exp(0.1 * rng.standard_normal(PUSHES)),
        zero_rejected=rejected,
        usable=usable,
        flags=flags,
        fitted=fitted,
    )


def frame_times() -> Floats:
    return 125e-6 * np.arange(1, FRAMES + 1)


def _trace(modulus: Floats) -> Floats:
    g = np.maximum(modulus, 2.0)[:, None]
    t = frame_times()[None, :]
    rate = np.sqrt(g / 1055.0) / 0.4e-3
    return np.asarray(3e-6 * np.exp(-t * rate / 4.0) * np.sin(rate * t) / np.sqrt(g / 100.0))


def make_displacement(name: str, moduli: Moduli, rng: np.random.Generator) -> Displacement:
    assert moduli.fitted is not None
    sd = np.full((PUSHES, FRAMES), 8e-8)
    solid = modulus_at(name, moduli.push_time) > 10.0
    coherence = np.where(solid, 0.97, 0.05) + 0.01 * rng.standard_normal(PUSHES)
    shift = np.where(solid, -2e-7, 0.0) * rng.random(PUSHES)
    depth = np.linspace(-1e-3, 1e-3, 21)
    energy_depth = np.linspace(-2.5e-3, 2.5e-3, 16)
    energy = 1e4 * rng.gamma(20.0, 1 / 20.0, (PUSHES, 16))
    return Displacement(
        push_time=moduli.push_time,
        frame_time=frame_times(),
        value=moduli.fitted + sd * rng.standard_normal(sd.shape),
        sd=sd,
        step_sd=np.zeros_like(sd),
        shared_sd=np.full(PUSHES, 5e-8),
        weight=np.ones_like(sd),
        depth=depth,
        sensitivity=np.tile(np.full(21, 1 / 21), (PUSHES, 1)),
        speckle_cells=np.full(PUSHES, 12.0),
        coherence=np.full(PUSHES, 0.998),
        link=None,
        slow_shift=shift,
        slow_coherence=coherence,
        zone_coherence=np.tile(coherence[:, None], (1, 4)),
        energy=energy,
        energy_depth=energy_depth,
        flags=np.zeros(PUSHES, np.int64),
        estimator="autocorrelation",
    )


def _read(name: str, curve: Curve, assay: Any) -> WellReadings:
    d = assay.definitions()
    set_ = curve.paths >= d.onset_modulus
    onset = np.where(set_.any(axis=1), curve.time[np.argmax(set_, axis=1)], np.inf) + 0.5
    at = np.clip(((onset + d.hold) / 4.0).astype(int), 0, curve.time.size - 1)
    early = curve.paths[np.arange(PATHS), at]
    plateau = curve.paths.max(axis=1)
    steep = (curve.paths[:, 15:] - curve.paths[:, :-15]).max(axis=1) / 60.0
    rows = [("onset", onset, "s"), ("early_modulus", early, "Pa"), ("plateau", plateau, "Pa")]
    rows += [("steepest_rise", steep, "Pa/s")]
    readings = [Reading(k, Estimate.from_samples(x, u, systematic=0.03 if u == "Pa" else None), x) for k, x, u in rows]
    why = "A gel time needs a rheology richer than Kelvin-Voigt."
    readings.insert(1, Reading("gel_time", Estimate.unavailable("s", why), np.empty(0)))
    return WellReadings(name, tuple(readings))


def _contrast(c: Any, wells: dict[str, WellReadings], rng: np.random.Generator) -> Contrast:
    kind, key = c.kind, c.reading or c.report
    if kind == "decline":
        kept = {"base": 0.71, "base + blocker": 0.76}[c.base]
        total = 0.97 * kept
        value = {"retention": kept, "total_retention": total, "excess_loss_rate": 1.2e-4, "shared_decline": 0.02}[key]
        samples = value + 0.02 * abs(value) * rng.standard_normal(PATHS)
        unit = "1/min" if key == "excess_loss_rate" else "1"
        samples = samples * (60.0 if unit == "1/min" else 1.0)
        return Contrast(c.name, kind, key, c.base, c.other, Estimate.from_samples(samples, unit), samples)
    base, other = wells[c.base][key].samples, wells[c.other][key].samples
    if kind == "ratio":
        samples, unit = base / other, "1"
    elif kind == "share":
        samples, unit = (base - other) / base, "1"
    else:
        samples = base - other if c.report != "remainder" else other
        unit = "Pa" if QUANTITIES[key].unit == "Pa" else "s"
    return Contrast(c.name, kind, key, c.base, c.other, Estimate.from_samples(samples, unit), samples)


def make_echo(rng: np.random.Generator) -> NDArray[np.int16]:
    """Echo lines of one push: frozen scatterers that move a little."""
    depth = np.arange(256)
    scatter = rng.standard_normal(256)
    kernel = np.exp(-(((np.arange(-12, 13)) / 5.0) ** 2)) * np.cos(2 * np.pi * 9 / 40 * np.arange(-12, 13))
    line = np.convolve(scatter, kernel, mode="same")
    shifts = np.concatenate([np.zeros(2), 0.3 * np.sin(np.linspace(0, 3, FRAMES))])
    rows = [np.interp(depth + s, depth, line) for s in shifts]
    return np.asarray(np.round(400 * np.array(rows)), dtype=np.int16)
