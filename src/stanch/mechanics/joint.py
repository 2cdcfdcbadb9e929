"""The fit of all pushes of one well: what does not depend on the model of the medium.

Noise of the frames, coefficients and speckle deviations of every push; the rounds in which fits push by push and the
joint solution for the speckle take turns; and what is read off the solution. Models enter as a :class:`Search`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement, PushFlag
from stanch.errors import InputError
from stanch.mechanics.records import LOG_OFFSET, Moduli, SpectralTable
from stanch.mechanics.response import coupling
from stanch.mechanics.settings import InvertSettings
from stanch.mechanics.speckle import JointSolution, SharedLink, depth_polynomial, joint_solution, prior_sd, shared_link
from stanch.recording.records import Acquisition, Geometry

__all__ = [
    "Frames",
    "Lines",
    "Search",
    "Solved",
    "Work",
    "collect",
    "frame_variance",
    "in_chunks",
    "prepare",
    "relinearised",
    "solve",
]

Floats = NDArray[np.float64]

NORMAL_95 = 1.959963984540054
CHUNK = 256
STRAIN_LIMIT = 0.10
SETTLED = 1e-8
CAREFUL_ROUNDS = 2
GATE_SHARE = 0.35
"""Prior SD of how the gate is weighted along its depth (order 0) over that of the speckle across the beam. Each spot
counts in the phase with its own local frequency, which `sensitivity` leaves out. Fitted to echoes of 65 dB with a prior
of 1 it came out at 0.2 to 0.5."""


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
        """Sort frames into before, inside and after the push [s]; spacing 0 where they are irregular."""
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


@dataclass
class Work:
    """Arrays of the pushes that can be fitted; x holds the parameters of the search, shape (push, parameter)."""

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
    x: Floats
    delta: Floats
    status: NDArray[np.int64]

    def deviated(self) -> tuple[Floats, Floats]:
        """Coefficients [m^3/kg], and data less the bending [m], at the present deviations."""
        terms = self.slope.shape[1]
        coefficient = self.coefficient + np.einsum("pk,pkn->pn", self.delta[:, :terms], self.slope)
        return coefficient, self.data - self.bend()

    def bend(self) -> Floats:
        """Movement by bending at the present deviations [m]."""
        return self.delta[:, -1:] * self.bent if self.bending else np.zeros_like(self.data)


@dataclass(frozen=True)
class Lines:
    """Every push linearised at its solution; local parameters, ln F the last of them, then deviations."""

    information: Floats
    gradient: Floats
    force: Floats
    cost: Floats
    fitted: Floats


class Search(Protocol):
    """How pushes are fitted with one model."""

    @property
    def settled(self) -> float:
        """Change of the first parameter and the deviations below which the rounds end [-]."""

    def first(self, work: Work) -> None:
        """Fit every push by itself, from its own start."""

    def refit(self, work: Work, start: Floats) -> None:
        """Fit again at the present speckle deviations, from `start`, shape (push, parameter) [-]."""

    def linearise(self, work: Work) -> Lines:
        """Linearise every push at its solution."""


@dataclass(frozen=True)
class Solved:
    """The solution of all pushes of a well, `work` holding the parameters."""

    work: Work
    lines: Lines
    chi2: Floats
    solution: JointSolution
    flags: NDArray[np.int64]
    use: NDArray[np.intp]

    @property
    def signal(self) -> Floats:
        """Explained weighted sum of squares of every push: the information on ln F [-]."""
        at = self.work.x.shape[1]
        return np.asarray(self.lines.information[:, at, at])


def solve(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    search: Search,
    size: int,
    s: InvertSettings,
) -> Solved:
    """Fit every push with `size` parameters of the search besides the force, and all their speckle deviations."""
    variance, flags = frame_variance(displacement)
    refused = (np.count_nonzero(variance, axis=1) < s.fewest_frames) | (flags & PushFlag.REFUSED != 0)
    flags[refused] |= PushFlag.REFUSED
    use = np.flatnonzero(~refused)
    work = prepare(displacement, table, acquisition, variance, use, s, size)
    search.first(work)
    lines = search.linearise(work)
    speckle = bool(np.any(work.tau > 0))
    chi2, misfit, solution = _joint(work, lines, s, spread=not speckle)
    if speckle:
        for turn in range(s.rounds):
            start = work.x + np.clip(solution.step[:, :size], -0.5, 0.5)
            work.delta = solution.delta
            if turn < CAREFUL_ROUNDS:
                search.refit(work, start)
            else:
                work.x = start
            lines = search.linearise(work)
            chi2, misfit, solution = _joint(work, lines, s, spread=False)
            # What is left to move, and is moved below.
            left = max(np.max(np.abs(solution.delta - work.delta)), np.max(np.abs(solution.step[:, 0])))
            if turn >= CAREFUL_ROUNDS - 1 and left < search.settled:
                break
        chi2, misfit, solution = _joint(work, lines, s, spread=True)
    # The searches end within a small part of a standard error; the last linear step takes out what is left.
    work.x = work.x + np.clip(solution.step[:, :size], -0.01, 0.01)
    work.delta = solution.delta
    flags[use[misfit]] |= PushFlag.MISFIT
    hopeless = misfit & (lines.cost > s.most_unexplained * lines.information[:, size, size])
    flags[use[hopeless]] |= PushFlag.REFUSED
    return Solved(work, lines, chi2, solution, flags, use)


def relinearised(solved: Solved, search: Search, s: InvertSettings) -> Solved:
    """The solution about where the parameters of its work have been moved to."""
    work = solved.work
    lines = search.linearise(work)
    chi2, _, solution = _joint(work, lines, s, spread=True)
    work.x = work.x + np.clip(solution.step[:, : work.x.shape[1]], -0.01, 0.01)
    work.delta = solution.delta
    return replace(solved, lines=lines, chi2=chi2, solution=solution)


def frame_variance(displacement: Displacement) -> tuple[Floats, NDArray[np.int64]]:
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


def prepare(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    variance: Floats,
    use: NDArray[np.intp],
    s: InvertSettings,
    size: int = 2,
) -> Work:
    """Arrays of the pushes in `use`, frames with `variance` [m^2], and room for `size` parameters of the search."""
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
    return Work(
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
        x=np.zeros((use.size, size)),
        delta=np.zeros((use.size, len(terms) + (bending > 0))),
        status=np.zeros(use.size, dtype=np.int64),
    )


def in_chunks(pushes: int, threads: int, job: Callable[[slice], None]) -> None:
    """Run the job over slices of the pushes; the kernel releases the interpreter lock."""
    size = max(32, min(CHUNK, -(-pushes // (2 * threads))))
    pieces = [slice(a, min(a + size, pushes)) for a in range(0, pushes, size)]
    if threads == 1 or len(pieces) == 1:
        for piece in pieces:
            job(piece)
        return
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(job, pieces))


def _chi2(work: Work, cost: Floats, local: int, s: InvertSettings) -> tuple[Floats, NDArray[np.bool_]]:
    """Reduced weighted sum of squares over frames that are not held down, and which are too large for chance."""
    freedom = np.maximum(np.count_nonzero((work.variance > 0) & (work.inflation == 1.0), axis=1) - float(local), 1.0)
    reduced = cost / freedom
    # Wilson and Hilferty (1931): the cube root of a chi-square over its degrees of freedom is nearly normal.
    spread = 2.0 / (9.0 * freedom)
    score = (np.cbrt(reduced) - (1.0 - spread)) / np.sqrt(spread)
    return reduced, score > s.misfit_z


def _joint(
    work: Work, lines: Lines, s: InvertSettings, *, spread: bool
) -> tuple[Floats, NDArray[np.bool_], JointSolution]:
    """Reduced chi-square, misfit and the joint step.

    Where the noise model is refuted the push's own information is scaled down to its residuals; a push without a fit
    says nothing about the speckle.
    """
    size = work.x.shape[1] + 1
    chi2, misfit = _chi2(work, lines.cost, size, s)
    scale = np.where(misfit, 1.0 / np.maximum(chi2, 1.0), 1.0)
    information, gradient = lines.information * scale[:, None, None], lines.gradient * scale[:, None]
    silent = (work.status != 0) | ~(information[:, size - 1, size - 1] >= s.least_signal)
    information[silent, size:, :] = 0.0
    information[silent, :, size:] = 0.0
    gradient[silent, size:] = 0.0
    return chi2, misfit, joint_solution(information, gradient, work.delta, work.tau, work.link, spread=spread)


def collect(
    displacement: Displacement,
    geometry: Geometry,
    solved: Solved,
    y: Floats,
    e: Floats,
    solution: JointSolution,
    s: InvertSettings,
) -> Moduli:
    """Moduli of every push; `solution` speaks of y = ln(G' + 10 Pa), e = ln viscosity and ln F [-]."""
    work, lines, flags, use = solved.work, solved.lines, solved.flags, solved.use
    fitted = lines.fitted
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
    seen = solved.signal >= s.least_signal
    flags[use[~converged & seen]] |= PushFlag.NO_CONVERGENCE
    flags[use[~seen]] |= PushFlag.REFUSED
    good = converged & seen & (flags[use] & PushFlag.REFUSED == 0)
    usable[use[good]] = True
    modulus, low = np.exp(y) - LOG_OFFSET, np.exp(y - NORMAL_95 * sd_y) - LOG_OFFSET
    # A fit below zero does not make the upper end better known than a fit at zero would.
    high = np.exp(np.maximum(y, math.log(LOG_OFFSET)) + np.minimum(NORMAL_95 * sd_y, 50.0)) - LOG_OFFSET
    rejected = low > 0
    viscosity, factor = np.exp(e), np.exp(np.minimum(NORMAL_95 * sd_e, 50.0))
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
        "reduced_chi2": solved.chi2,
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
