"""Scatter and bias of tracked displacement against the Cramér-Rao bound of the simulated spectra.

Echoes are sums over point scatterers: each adds a Gaussian-modulated cosine at its own two-way delay, evaluated in
closed form at the moved position - no shift, filter or transform of a sampled line is involved. Unsheared, all
scatterers move alike; sheared, each moves by exp(-r^2/a^2) exp(-(z/L)^2) of the peak, seen by a beam of energy
sensitivity exp(-r^2/w^2).

The bound is that of Walker and Trahey (1995), 1/(2 T int (2 pi f)^2 C/(1 - C) df), with C from the simulated pulse and
noise spectra, the averaged reference and, sheared, the coherence that the movement leaves across the beam. Along the
gate the record says which depths the echo weighted; the error is taken against that, as the model fit does.

Run ``python benchmarks/displacement_scatter.py --pushes 200``.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stanch.echo import TrackSettings, track
from stanch.echo.bound import delay_sd_spectrum
from stanch.recording.records import Acquisition, Geometry

Floats = NDArray[np.float64]

ACQUISITION = Acquisition(40e6, 9e6, 1540.0, 1050.0, 2e-4, 2, -2.5e-3)
GEOMETRY = Geometry(2.8e-3, 7e-3, 3.2e-3, 0.4e-3, 2.2e-3, 0.19e-3)
SAMPLES = 256
# Rising in steps of at most a fifth of the peak, as at a frame rate that follows the push, then falling.
COURSE = np.r_[0.0, 0.0, 0.15, 0.35, 0.55, 0.75, 0.9, 1.0, 1.0, 0.95, 0.8, 0.6, 0.4]
FRAME_TIME = np.r_[-2:0, 1:12] * 125e-6
PEAK_FRAME = 7


@dataclass(frozen=True)
class Scene:
    """One condition: peak movement [m], noise [dB], shear on or off, fractional bandwidth of the echo."""

    peak: float
    snr_db: float
    sheared: bool
    bandwidth: float = 0.6

    @property
    def sigma(self) -> float:
        """SD of the pulse's Gaussian energy spectrum [Hz]."""
        return self.bandwidth * ACQUISITION.centre_frequency / (2 * np.sqrt(2 * np.log(4)))


def _beam() -> tuple[Floats, Floats]:
    """Positions r^2/w^2 across the beam and their energy weights: Gauss-Laguerre, exact for the shear used."""
    nodes, weights = np.polynomial.laguerre.laggauss(5)
    return nodes, weights


def simulate(scene: Scene, pushes: int, seed: int, step: float = 2e-5) -> Floats:
    """Echoes, shape (push, frame, sample); Gaussian scatterer strengths, so the speckle is fully developed."""
    rng = np.random.default_rng(seed)
    fs, f0, c = ACQUISITION.sampling_rate, ACQUISITION.centre_frequency, ACQUISITION.sound_speed
    start = ACQUISITION.first_sample_depth
    end = start + SAMPLES * ACQUISITION.sample_spacing
    height = np.arange(start - 0.6e-3, end + 0.6e-3, step)
    nodes, weights = _beam() if scene.sheared else (np.zeros(1), np.ones(1))
    z, u = (x.ravel() for x in np.meshgrid(height, nodes))
    part = np.ones(z.size)
    if scene.sheared:
        part = np.exp(-u * (GEOMETRY.beam_radius / GEOMETRY.push_radius) ** 2 - (z / GEOMETRY.push_length) ** 2)
    strength = rng.normal(size=(pushes, z.size)) * np.repeat(np.sqrt(weights), height.size)
    half = int(np.ceil(fs * 3.2 / (2 * np.pi * scene.sigma))) + 1
    steps = np.arange(-half, half + 1)
    lines = np.empty((pushes, COURSE.size, SAMPLES))
    for frame, course in enumerate(COURSE):
        delay = (z - start + course * scene.peak * part) * 2 / c
        index = np.round(delay * fs).astype(int)[:, None] + steps
        t = index / fs - delay[:, None]
        # Energy spectrum exp(-(f - f0)^2 / 2 sigma^2): envelope exp(-(2 pi sigma t)^2).
        pulse = np.exp(-((2 * np.pi * scene.sigma * t) ** 2)) * np.cos(2 * np.pi * f0 * t)
        response = np.zeros((z.size, SAMPLES))
        inside = (index >= 0) & (index < SAMPLES)
        response[np.nonzero(inside)[0], index[inside]] = pulse[inside]
        lines[:, frame] = strength @ response
    lines /= np.sqrt(np.mean(lines**2))
    return 2000 * (lines + 10 ** (-scene.snr_db / 20) * rng.normal(size=lines.shape))


def _axial(depth: Floats) -> Floats:
    return np.asarray(np.exp(-((depth / GEOMETRY.push_length) ** 2)))


def _lateral() -> tuple[Floats, Floats]:
    nodes, weights = _beam()
    return np.exp(-nodes * (GEOMETRY.beam_radius / GEOMETRY.push_radius) ** 2), weights


def seen(scene: Scene, depth: Floats, sensitivity: Floats) -> Floats:
    """What the record says the beam sees at unit peak: mean over the beam, echo-energy weights along the gate."""
    if not scene.sheared:
        return np.ones(sensitivity.shape[0])
    part, weight = _lateral()
    return np.asarray(float(part @ weight) * (sensitivity @ _axial(depth)))


def bound(scene: Scene, depth: Floats, spacing: float) -> float:
    """Least SD of the peak displacement against the averaged reference [m]."""
    fs, f0, c = ACQUISITION.sampling_rate, ACQUISITION.centre_frequency, ACQUISITION.sound_speed
    f = np.linspace(0, fs / 2, 4001)
    power = np.exp(-((f - f0) ** 2) / (2 * scene.sigma**2))
    power = power / np.trapezoid(power, f)
    noise = 10 ** (-scene.snr_db / 10) / (fs / 2)
    before = ACQUISITION.frames_before_push
    coherence = power**2 / ((power + noise) * (power + noise / before))
    if scene.sheared:
        part, weight = _lateral()
        turn = 2j * np.pi * f[:, None] * (part - part @ weight) * scene.peak * 2 / c
        kept = np.mean([np.abs(np.exp(turn * along) @ weight) ** 2 for along in _axial(depth)], axis=0)
        coherence = coherence * kept
    gate_time = 2 * depth.size * spacing / c
    return delay_sd_spectrum(f, np.minimum(coherence, 1 - 1e-12), gate_time) * c / 2


@dataclass(frozen=True)
class Row:
    """Scatter, bias and standardised error at the peak frame of one condition."""

    scene: Scene
    bound: float
    scatter: float
    bias: float
    bias_sd: float


def measure(scene: Scene, pushes: int, seed: int, settings: TrackSettings) -> Row:
    """Track one condition."""
    echo = simulate(scene, pushes, seed)
    found = track(echo, np.arange(float(pushes)), FRAME_TIME, ACQUISITION, GEOMETRY, settings)
    spacing = float(np.diff(found.depth)[0])
    true = seen(scene, found.depth, found.sensitivity) * scene.peak
    error = found.value[:, PEAK_FRAME - 2] - true
    return Row(
        scene,
        bound(scene, found.depth, spacing),
        float(np.std(error, ddof=1)),
        float(np.mean(error) / np.mean(true)),
        float(np.std(error, ddof=1) / np.sqrt(pushes) / np.mean(true)),
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pushes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--estimator", default="autocorrelation", choices=["autocorrelation", "correlation"])
    parser.add_argument("--reference", default="auto", choices=["auto", "fixed", "progressive"])
    arguments = parser.parse_args()
    settings = TrackSettings(estimator=arguments.estimator, reference=arguments.reference)
    print(" snr  sheared  shift     bound     scatter   scatter/bound   bias       its SE")
    print(" dB            um        um        um                        %          %")
    for snr in (20, 30, 40):
        for sheared in (False, True):
            for peak in (0.5, 2, 8, 30, 100):
                row = measure(Scene(peak * 1e-6, snr, sheared), arguments.pushes, arguments.seed, settings)
                print(
                    f"{snr:4d}  {'yes' if sheared else 'no ':7s} {peak:6.1f}  {row.bound * 1e6:9.4f} "
                    f"{row.scatter * 1e6:9.4f}  {row.scatter / row.bound:9.3f}     {100 * row.bias:9.4f} "
                    f"{100 * row.bias_sd:9.4f}"
                )


if __name__ == "__main__":
    main()
