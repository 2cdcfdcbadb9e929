"""Displacement to modulus: the fit of every push of one well."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError
from stanch.mechanics.records import BEAM_ORDERS, LOG_OFFSET, Moduli, SpectralTable
from stanch.mechanics.response import coupling
from stanch.mechanics.speckle import JointSolution, SharedLink, depth_polynomial, joint_solution, prior_sd, shared_link
from stanch.recording.records import Acquisition, Geometry

__all__ = ["InvertSettings", "invert"]

Floats = NDArray[np.float64]

MOST_ROWS = 520
"""Longest table the compiled kernel has work space for."""

NORMAL_95 = 1.959963984540054
CHUNK = 256
STRAIN_LIMIT = 0.10
RIVAL_SHARE = 0.98
GROSS_THRESHOLD = 6.0
SPECKLE_SLACK = 0.05
SETTLED = 1e-8
CAREFUL_ROUNDS = 2
MOST_DEGREE = 4
GATE_SHARE = 0.35
"""Prior SD of how the gate is weighted along its depth (order 0) over that of the speckle across the beam. Each spot
counts in the phase with its own local frequency, which `sensitivity` leaves out. Fitted to echoes of 65 dB with a prior
of 1 it came out at 0.2 to 0.5."""


@dataclass(frozen=True)
class InvertSettings:
    """How pushes are fitted.

    Parameters
    ----------
    speckle : bool
        Whether the speckle weighting is estimated; off leaves it out of model and intervals.
    speckle_terms : tuple of pairs of int
        Terms of the speckle weighting that are estimated: Laguerre order across the beam and degree of the polynomial
        along the gate, the first (1, 0) [-].
    bending : bool
        Whether the bending of the echo's phase by movement that differs under the beam is estimated.
    robust : bool
        Whether outlying frames are held down.
    outlier_threshold : float
        Leave-one-out residual beyond which a frame's variance is raised, by the fourth power of the excess ratio. At
        4, one clean Gaussian frame in 16 000 is touched [standard deviations].
    start_modulus : tuple of float
        G of the start grid, ascending [Pa].
    start_viscosity : tuple of float
        eta of the start grid, ascending [Pa·s].
    rounds : int
        Most joint speckle rounds [-].
    evaluations : int
        Most evaluations of the model per search [-].
    tolerance : float
        Predicted change of the weighted sum of squares at which a search ends [-].
    misfit_z : float
        Standard score of the residual sum of squares beyond which a push is flagged as misfit and its covariance
        scaled up [-].
    most_unexplained : float
        Unexplained share of the weighted sum of squares beyond which a misfit push has no estimate [-].
    fewest_frames : int
        Good frames below which a push is refused [-].
    least_signal : float
        Explained weighted sum of squares below which no movement is seen and the push is refused [-].
    threads : int
        Of the compiled kernel [-].
    """

    speckle: bool = True
    speckle_terms: tuple[tuple[int, int], ...] = ((1, 0), (2, 0), (0, 1), (0, 2))
    bending: bool = True
    robust: bool = True
    outlier_threshold: float = 4.0
    start_modulus: tuple[float, ...] = field(
        default_factory=lambda: tuple(float(x) for x in np.geomspace(10.0, 8010.0, 48) - 10.0)
    )
    start_viscosity: tuple[float, ...] = field(
        default_factory=lambda: tuple(float(x) for x in np.geomspace(0.002, 2.0, 16))
    )
    rounds: int = 8
    evaluations: int = 40
    tolerance: float = 1e-6
    misfit_z: float = 3.7190164854557084
    most_unexplained: float = 0.1
    fewest_frames: int = 6
    least_signal: float = 25.0
    threads: int = 2

    def __post_init__(self) -> None:
        if len(self.start_modulus) < 3 or len(self.start_viscosity) < 3:
            raise InputError(
                "start grid", got=(len(self.start_modulus), len(self.start_viscosity)), allowed="3 or more"
            )
        if min(self.start_modulus) <= -LOG_OFFSET or min(self.start_viscosity) <= 0:
            raise InputError(
                "start grid",
                got=(min(self.start_modulus), min(self.start_viscosity)),
                allowed=f"moduli above {-LOG_OFFSET} Pa, viscosities above 0",
            )
        if self.outlier_threshold <= 1 or self.threads < 1 or self.rounds < 1:
            raise InputError(
                "outlier_threshold, threads or rounds",
                got=(self.outlier_threshold, self.threads, self.rounds),
                allowed="above 1, at least 1, at least 1",
            )
        known = all(0 <= k < BEAM_ORDERS and 0 <= m <= MOST_DEGREE and k + m > 0 for k, m in self.speckle_terms)
        if not known or self.speckle_terms[:1] not in ((), ((1, 0),)):
            raise InputError(
                "speckle_terms",
                got=self.speckle_terms,
                allowed=f"(1, 0) first, then orders to {BEAM_ORDERS - 1} with degrees to {MOST_DEGREE}, not (0, 0)",
            )


@dataclass(frozen=True)
class Frames:
    """The frame times as the kernel takes them."""

    time: Floats
    inside: int
    after: int
    spacing: float
    duration: float

    @classmethod
    def of(cls, time: Floats, duration: float) -> Frames:
        """Sort frames into before, inside and after the push; spacing 0 where they are irregular."""
        time = np.ascontiguousarray(time, dtype=float)
        if time.ndim != 1 or time.size < 4 or not np.all(np.isfinite(time)) or np.any(np.diff(time) <= 0):
            raise InputError("frame_time", got=time.shape, allowed="four or more finite times, rising")
        inside = int(np.searchsorted(time, 0.0, side="right"))
        after = int(np.searchsorted(time, duration, side="right"))
        tail = time[after:]
        if tail.size < 3:
            raise InputError("frame_time", got=f"{tail.size} frames after the push", allowed="three or more")
        spacing = float(tail[-1] - tail[0]) / (tail.size - 1)
        regular = bool(np.all(np.abs(tail - tail[0] - spacing * np.arange(tail.size)) < 1e-7 * spacing))
        return cls(time, inside, after, spacing if regular else 0.0, duration)

    @property
    def arguments(self) -> tuple[Any, ...]:
        """In the order the kernel wants."""
        return self.time, self.inside, self.after, self.spacing, self.duration


@dataclass(frozen=True)
class Library:
    """The start grid with its traces of unit norm, shape (frame, cell)."""

    grid_y: Floats
    grid_e: Floats
    cells: NDArray[np.float32]


@dataclass
class _Work:
    """Arrays of the pushes that can be fitted."""

    data: Floats
    variance: Floats
    step_variance: Floats
    shared_variance: Floats
    coefficient: Floats
    slope: Floats
    bending: float
    bent: Floats
    tau: Floats
    link: SharedLink
    inflation: Floats
    y: Floats
    e: Floats
    delta: Floats
    status: NDArray[np.int64]

    def deviated(self) -> tuple[Floats, Floats]:
        """Coefficients, and data less the bending, at the present deviations."""
        terms = self.slope.shape[1]
        coefficient = self.coefficient + np.einsum("pk,pkn->pn", self.delta[:, :terms], self.slope)
        return coefficient, self.data - self.bend()

    def bend(self) -> Floats:
        """Movement by bending at the present deviations [m]."""
        return self.delta[:, -1:] * self.bent if self.bending else np.zeros_like(self.data)


@dataclass(frozen=True)
class _Lines:
    """Every push linearised at its solution; see ``kernel.linearise_pushes``."""

    information: Floats
    gradient: Floats
    force: Floats
    cost: Floats
    fitted: Floats


def invert(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    geometry: Geometry,
    settings: InvertSettings | None = None,
) -> Moduli:
    """Fit modulus, viscosity and force of every push of one well.

    Parameters
    ----------
    displacement : Displacement
        Of the well, with its noise model.
    table : SpectralTable
        Of the well's geometry, covering the tracking gate.
    acquisition : Acquisition
        Density and push duration are used.
    geometry : Geometry
        Push radius is used, for the strain.
    settings : InvertSettings, optional
        Defaults if not given.

    Returns
    -------
    Moduli
        Every push; those without an estimate are flagged, not usable and NaN.

    Raises
    ------
    InputError
        If the frames do not rise in time or the gate reaches beyond the table.

    Notes
    -----
    Per push, weighted least squares in y = ln(G + 10 Pa) and ln eta with the force projected out. The noise model of
    :class:`~stanch.echo.records.Displacement` is applied to data, model and derivatives alike by a scalar Kalman
    recursion along the frames. Each push starts from its own best cell of a grid by matched filter, so the result does
    not depend on the pushes before it. Speckle deviations are then solved jointly (:mod:`stanch.mechanics.speckle`).

    The weighted phase of movement D that differs under the beam is bent by ``-(k/2) Im(<D^2> - <D>^2)``, k the phase
    per movement. In the Laguerre series the largest part of it is ``k D1^2`` times the difference of the imaginary
    parts of two deviations, so its prior SD is ``sqrt(2) tau``. It grows with the square of the movement.
    """
    s = settings or InvertSettings()
    frames = Frames.of(displacement.frame_time, acquisition.push_duration)
    variance, flags = _variance(displacement)
    refused = (np.count_nonzero(variance, axis=1) < s.fewest_frames) | (flags & PushFlag.REFUSED != 0)
    flags[refused] |= PushFlag.REFUSED
    use = np.flatnonzero(~refused)
    scale = table.eigenvalue / acquisition.density
    if scale.size > MOST_ROWS:
        raise InputError("spectral table", got=f"{scale.size} rows", allowed=f"at most {MOST_ROWS}")
    work = _prepare(displacement, table, acquisition, variance, use, s)
    library = _library(table, displacement.depth, acquisition.density, scale, frames, s)
    _first_fit(work, library, scale, frames, s)
    lines = _linearise(work, scale, frames, s)
    speckle = bool(np.any(work.tau > 0))
    chi2, misfit, solution = _joint(work, lines, s, spread=not speckle)
    if speckle:
        for turn in range(s.rounds):
            step = np.clip(solution.step[:, :2], -0.5, 0.5)
            work.delta = solution.delta
            if turn < CAREFUL_ROUNDS:
                _refit(work, np.stack([work.y, work.e], axis=1) + step, scale, frames, s)
            else:
                work.y, work.e = work.y + step[:, 0], work.e + step[:, 1]
            lines = _linearise(work, scale, frames, s)
            chi2, misfit, solution = _joint(work, lines, s, spread=False)
            # What is left to move, and is moved below.
            left = max(np.max(np.abs(solution.delta - work.delta)), np.max(np.abs(solution.step[:, 0])))
            if turn >= CAREFUL_ROUNDS - 1 and left < SETTLED:
                break
        chi2, misfit, solution = _joint(work, lines, s, spread=True)
    # The searches end within a small part of a standard error; the last linear step takes out what is left.
    work.y = work.y + np.clip(solution.step[:, 0], -0.01, 0.01)
    work.e = work.e + np.clip(solution.step[:, 1], -0.01, 0.01)
    work.delta = solution.delta
    flags[use[misfit]] |= PushFlag.MISFIT
    hopeless = misfit & (lines.cost > s.most_unexplained * lines.information[:, 2, 2])
    flags[use[hopeless]] |= PushFlag.REFUSED
    return _collect(displacement, geometry, flags, use, work, solution, lines, chi2, s)


def _variance(displacement: Displacement) -> tuple[Floats, NDArray[np.int64]]:
    """Variance of every frame, 0 where it is refused, and the flags so far."""
    flags = displacement.flags.copy()
    good = (displacement.weight > 0) & np.isfinite(displacement.value) & np.isfinite(displacement.sd)
    broken = (displacement.weight > 0) & ~good
    flags[broken.any(axis=1)] |= PushFlag.NOT_FINITE
    good &= displacement.sd > 0
    variance = np.zeros(displacement.value.shape)
    variance[good] = displacement.sd[good] ** 2 / displacement.weight[good]
    rest = np.isfinite(displacement.shared_sd) & np.isfinite(displacement.step_sd).all(axis=1)
    rest &= np.isfinite(displacement.sensitivity).all(axis=1)
    flags[~rest] |= PushFlag.NOT_FINITE
    variance[~rest] = 0.0
    return variance, flags


def _prepare(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    variance: Floats,
    use: NDArray[np.intp],
    s: InvertSettings,
) -> _Work:
    density = acquisition.density
    sensitivity = displacement.sensitivity[use]
    tau = prior_sd(displacement.speckle_cells[use])
    terms = s.speckle_terms if s.speckle and np.any(tau > 0) else ()
    if not terms:
        tau = np.zeros(use.size)
    coefficient = coupling(table, displacement.depth, sensitivity) / density
    slope = np.empty((use.size, len(terms), table.eigenvalue.size))
    for at, (order, degree) in enumerate(terms):
        along = sensitivity * depth_polynomial(displacement.depth, sensitivity, degree)
        slope[:, at] = coupling(table, displacement.depth, along, order) / density
        if order == 0:
            slope[:, at] *= GATE_SHARE
    phase = 4.0 * math.pi * acquisition.centre_frequency / acquisition.sound_speed
    bending = math.sqrt(2.0) * phase if s.bending and terms else 0.0
    link = displacement.link if terms else None
    if link is not None and use.size < len(link):
        link = link[np.ix_(use, use)]
    return _Work(
        data=np.where(variance[use] > 0, displacement.value[use], 0.0),
        variance=np.ascontiguousarray(variance[use]),
        step_variance=np.ascontiguousarray(displacement.step_sd[use] ** 2),
        shared_variance=np.ascontiguousarray(displacement.shared_sd[use] ** 2),
        coefficient=np.ascontiguousarray(coefficient),
        slope=slope,
        bending=bending,
        bent=np.zeros(variance[use].shape),
        tau=tau,
        link=shared_link(link, use.size),
        inflation=np.ones((use.size, variance.shape[1])),
        y=np.zeros(use.size),
        e=np.zeros(use.size),
        delta=np.zeros((use.size, len(terms) + (bending > 0))),
        status=np.zeros(use.size, dtype=np.int64),
    )


def _library(
    table: SpectralTable, depth: Floats, density: float, scale: Floats, frames: Frames, s: InvertSettings
) -> Library:
    """Start grid and its traces of unit norm; independent of the pushes, so that they cannot affect each other."""
    inside = depth[(depth >= table.depth[0] - 1e-9) & (depth <= table.depth[-1] + 1e-9)]
    coefficient = coupling(table, inside if inside.size else None) / density
    arrays = (coefficient, scale, frames.time)
    return _cached_library(tuple(a.tobytes() for a in arrays), frames.duration, s.start_modulus, s.start_viscosity)


@lru_cache(maxsize=16)
def _cached_library(
    arrays: tuple[bytes, ...], duration: float, start_modulus: tuple[float, ...], start_viscosity: tuple[float, ...]
) -> Library:
    """The wells of one recording mostly share their library."""
    kernel = _kernel()
    coefficient, scale, time = (np.frombuffer(a) for a in arrays)
    g, eta = (a.ravel() for a in np.meshgrid(start_modulus, start_viscosity, indexing="ij"))
    out = np.empty((g.size, 3, time.size))
    frames = Frames.of(time, duration)
    kernel.traces(g, eta, np.tile(coefficient, (g.size, 1)), scale.copy(), *frames.arguments, out)
    cells = out[:, 0].T / np.sqrt((out[:, 0] ** 2).sum(axis=1))
    grid_y, grid_e = np.log(np.asarray(start_modulus) + LOG_OFFSET), np.log(np.asarray(start_viscosity))
    return Library(grid_y, grid_e, np.ascontiguousarray(cells, dtype=np.float32))


def _kernel() -> Any:
    """The compiled kernel, loaded on first use."""
    from stanch.mechanics import kernel

    return kernel


def _chunks(pushes: int, threads: int, job: Callable[[slice], None]) -> None:
    """Run the job over slices of the pushes; the kernel releases the interpreter lock."""
    size = max(32, min(CHUNK, -(-pushes // (2 * threads))))
    pieces = [slice(a, min(a + size, pushes)) for a in range(0, pushes, size)]
    if threads == 1 or len(pieces) == 1:
        for piece in pieces:
            job(piece)
        return
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(job, pieces))


def _first_fit(work: _Work, library: Library, scale: Floats, frames: Frames, s: InvertSettings) -> None:
    kernel = _kernel()
    speckle = bool(np.any(work.tau > 0))
    threshold = math.inf if not s.robust else max(s.outlier_threshold, GROSS_THRESHOLD if speckle else 0.0)
    cost, count = np.empty(work.y.size), np.empty(work.y.size, dtype=np.int64)

    def job(piece: slice) -> None:
        data, variance = work.data[piece], work.variance[piece]
        starts, rival = np.empty((len(data), 2, 2)), np.empty(len(data), dtype=np.bool_)
        kernel.pick_starts(
            data, variance, work.step_variance[piece], work.shared_variance[piece], s.robust, library.cells,
            library.grid_e.size, RIVAL_SHARE, library.grid_y, library.grid_e, starts, rival, work.inflation[piece],
        )  # fmt: skip
        kernel.fit_pushes(
            data, variance, work.step_variance[piece], work.shared_variance[piece], work.coefficient[piece], scale,
            *frames.arguments, starts, rival, threshold, 2.0, SPECKLE_SLACK if speckle else 0.0, s.evaluations,
            s.tolerance, work.inflation[piece], work.y[piece], work.e[piece], cost[piece], work.status[piece],
            count[piece],
        )  # fmt: skip

    _chunks(work.y.size, s.threads, job)


def _refit(work: _Work, start: Floats, scale: Floats, frames: Frames, s: InvertSettings) -> None:
    """Fit again at the present speckle deviations, from the solution before."""
    kernel = _kernel()
    coefficient, data = work.deviated()
    starts = np.repeat(start[:, None, :], 2, axis=1)
    rival = np.zeros(work.y.size, dtype=np.bool_)
    threshold = s.outlier_threshold if s.robust else math.inf
    cost, count = np.empty(work.y.size), np.empty(work.y.size, dtype=np.int64)

    def job(piece: slice) -> None:
        kernel.fit_pushes(
            data[piece], work.variance[piece], work.step_variance[piece], work.shared_variance[piece],
            coefficient[piece], scale, *frames.arguments, starts[piece], rival[piece], threshold, 2.0, 0.0,
            s.evaluations, s.tolerance, work.inflation[piece], work.y[piece], work.e[piece], cost[piece],
            work.status[piece], count[piece],
        )  # fmt: skip

    _chunks(work.y.size, s.threads, job)


def _linearise(work: _Work, scale: Floats, frames: Frames, s: InvertSettings) -> _Lines:
    kernel = _kernel()
    n, k = work.data.shape
    coefficient, data = work.deviated()
    size = 3 + work.delta.shape[1]
    force, information, gradient = np.empty(n), np.empty((n, size, size)), np.empty((n, size))
    cost, fitted, bent = np.empty(n), np.empty((n, k)), np.zeros((n, k))

    def job(piece: slice) -> None:
        kernel.linearise_pushes(
            data[piece], work.variance[piece], work.step_variance[piece], work.shared_variance[piece],
            coefficient[piece], work.slope[piece], work.bending, scale, *frames.arguments, work.y[piece], work.e[piece],
            work.inflation[piece], force[piece], information[piece], gradient[piece], cost[piece], fitted[piece],
            bent[piece],
        )  # fmt: skip

    _chunks(n, s.threads, job)
    fitted += work.bend()
    work.bent = bent
    return _Lines(information, gradient, force, cost, fitted)


def _chi2(work: _Work, cost: Floats, s: InvertSettings) -> tuple[Floats, NDArray[np.bool_]]:
    """Reduced weighted sum of squares over frames that are not held down, and which are too large for chance."""
    freedom = np.maximum(np.count_nonzero((work.variance > 0) & (work.inflation == 1.0), axis=1) - 3.0, 1.0)
    reduced = cost / freedom
    # Wilson and Hilferty (1931): the cube root of a chi-square over its degrees of freedom is nearly normal.
    spread = 2.0 / (9.0 * freedom)
    score = (np.cbrt(reduced) - (1.0 - spread)) / np.sqrt(spread)
    return reduced, score > s.misfit_z


def _joint(
    work: _Work, lines: _Lines, s: InvertSettings, *, spread: bool
) -> tuple[Floats, NDArray[np.bool_], JointSolution]:
    """Reduced chi-square, misfit and the joint step.

    Where the noise model is refuted the push's own information is scaled down to its residuals; a push without a fit
    says nothing about the speckle.
    """
    chi2, misfit = _chi2(work, lines.cost, s)
    scale = np.where(misfit, 1.0 / np.maximum(chi2, 1.0), 1.0)
    information, gradient = lines.information * scale[:, None, None], lines.gradient * scale[:, None]
    silent = (work.status != 0) | ~(information[:, 2, 2] >= s.least_signal)
    information[silent, 3:, :] = 0.0
    information[silent, :, 3:] = 0.0
    gradient[silent, 3:] = 0.0
    return chi2, misfit, joint_solution(information, gradient, work.delta, work.tau, work.link, spread=spread)


def _collect(
    displacement: Displacement,
    geometry: Geometry,
    flags: NDArray[np.int64],
    use: NDArray[np.intp],
    work: _Work,
    solution: JointSolution,
    lines: _Lines,
    chi2: Floats,
    s: InvertSettings,
) -> Moduli:
    information, fitted = lines.information, lines.fitted
    force = lines.force * np.exp(np.clip(solution.step[:, 2], -0.1, 0.1))
    pushes = displacement.push_time.size

    def spread(values: Floats) -> Floats:
        out = np.full(pushes, np.nan)
        out[use] = values
        return out

    all_fitted = np.full(displacement.value.shape, np.nan)
    usable = np.zeros(pushes, dtype=bool)
    sd_y, sd_e, sd_f = (np.sqrt(solution.variance(i)) for i in range(3))
    converged = (work.status == 0) & (force > 0) & np.isfinite(sd_y) & np.isfinite(sd_e) & (sd_y < 5.0)
    seen = information[:, 2, 2] >= s.least_signal
    flags[use[~converged & seen]] |= PushFlag.NO_CONVERGENCE
    flags[use[~seen]] |= PushFlag.REFUSED
    good = converged & seen & (flags[use] & PushFlag.REFUSED == 0)
    usable[use[good]] = True
    y = work.y
    modulus, low = np.exp(y) - LOG_OFFSET, np.exp(y - NORMAL_95 * sd_y) - LOG_OFFSET
    # A fit below zero does not make the upper end better known than a fit at zero would.
    high = np.exp(np.maximum(y, math.log(LOG_OFFSET)) + np.minimum(NORMAL_95 * sd_y, 50.0)) - LOG_OFFSET
    rejected = low > 0
    viscosity, factor = np.exp(work.e), np.exp(np.minimum(NORMAL_95 * sd_e, 50.0))
    strain = np.abs(fitted).max(axis=1) / geometry.push_radius
    flags[use[good & (strain > STRAIN_LIMIT)]] |= PushFlag.STRAIN
    deviation, deviation_sd = (np.full((pushes, work.delta.shape[1]), np.nan) for _ in range(2))
    deviation[use], deviation_sd[use] = work.delta, solution.delta_sd
    deviation[~usable], deviation_sd[~usable] = np.nan, np.nan
    if usable.all():
        covariance = solution.covariance(0)
    else:
        covariance = np.full((pushes, pushes), np.nan)
        both = np.flatnonzero(good)
        covariance[np.ix_(use[both], use[both])] = solution.covariance(0)[np.ix_(both, both)]
    all_fitted[use] = fitted
    all_fitted[~usable] = np.nan
    values = {
        "modulus": modulus,
        "modulus_low": np.maximum(low, 0.0),
        "modulus_high": high,
        "viscosity": viscosity,
        "viscosity_low": viscosity / factor,
        "viscosity_high": viscosity * factor,
        "force": force,
        "force_sd": force * sd_f,
        "log_modulus": y,
        "speckle": work.delta[:, 0] if work.delta.shape[1] else np.zeros(use.size),
        "speckle_sd": solution.delta_sd[:, 0] if work.delta.shape[1] else np.zeros(use.size),
        "strain": strain,
        "reduced_chi2": chi2,
    }
    zero_rejected = np.zeros(pushes, dtype=bool)
    zero_rejected[use] = rejected & good
    return Moduli(
        push_time=displacement.push_time,
        covariance=covariance,
        zero_rejected=zero_rejected,
        usable=usable,
        flags=flags,
        fitted=all_fitted,
        deviation=deviation,
        deviation_sd=deviation_sd,
        rheology=None,
        **{name: np.where(usable, spread(value), np.nan) for name, value in values.items()},
    )
