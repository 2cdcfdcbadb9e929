"""The fit of every push of one well with a stated model of the medium."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.echo.records import Displacement
from stanch.errors import InputError
from stanch.mechanics.joint import NORMAL_95, SETTLED, Frames, Lines, Solved, Work, collect, in_chunks, solve
from stanch.mechanics.records import LOG_OFFSET, Moduli, SpectralTable
from stanch.mechanics.response import coupling
from stanch.mechanics.rheology.contour import Contour, contour
from stanch.mechanics.rheology.evidence import log_evidence
from stanch.mechanics.rheology.models import (
    PARAMETERS,
    damping_ratio,
    from_search,
    log_jacobian,
    modulus_gradient,
)
from stanch.mechanics.rheology.priors import Priors, bounds, grid
from stanch.mechanics.rheology.profile import profile
from stanch.mechanics.rheology.records import MODELS, ModelName, Rheology
from stanch.mechanics.settings import InvertSettings
from stanch.mechanics.speckle import JointSolution
from stanch.recording.records import Acquisition, Geometry

__all__ = ["LARGEST_LOSS_TANGENT", "compare", "fit"]

Floats = NDArray[np.float64]

RIVAL_SHARE = 0.98
GROSS_THRESHOLD = 6.0
SPECKLE_SLACK = 0.05

LARGEST_LOSS_TANGENT = 1000.0
"""Where the interval of the loss tangent ends when G' = 0 is not rejected, so that it has no upper limit of its own."""

MORE_EVALUATIONS, LOOSER = 3, 100.0
"""Times the evaluations and the tolerance of a search with a prior, whose valleys are long and flat."""

FREE = ("kelvin_voigt", "spring_pot")
"""Models whose parameters the frames always tell apart: searched without a prior, which only the evidence needs."""


@dataclass(frozen=True)
class Library:
    """Start grid, places in it, and traces of unit norm, shape (frame, cell)."""

    grid: Floats
    place: NDArray[np.int64]
    cells: NDArray[np.float32]


@dataclass
class _Model:
    """The compiled fit with one model; keeps where it was last linearised, and the likelihood there."""

    model: str
    omega: float
    scale: Floats
    frames: Frames
    path: Contour
    library: Library
    priors: Priors
    settings: InvertSettings
    likelihood: Floats
    at: Floats
    delta: Floats

    @property
    def settled(self) -> float:
        """See :class:`~stanch.mechanics.joint.Search`."""
        return SETTLED if self.model in FREE else LOOSER**2 * SETTLED

    @property
    def path_arguments(self) -> tuple[Any, ...]:
        """Frames and contour as the kernel takes them."""
        f, c = self.frames, self.path
        return f.time, f.inside, f.after, f.duration, c.node, c.matrix, self.scale, self.omega

    @property
    def law(self) -> tuple[Any, ...]:
        """Model, prior and bounds as the kernel takes them."""
        from stanch.mechanics.rheology import kernel

        mean, sd = self.priors.of(self.model)
        low, high = bounds(self.model)
        precision = np.zeros(mean.size) if self.model in FREE else sd**-2
        # A parameter at its bound is no answer, unless another carries the modulus and the prior holds this one.
        strict = np.array([self.model in FREE or i == 0 for i in range(mean.size)])
        return kernel.KINDS[self.model], mean, precision, low, high, strict

    @property
    def _effort(self) -> tuple[int, float]:
        """Most evaluations and tolerance of a search."""
        s = self.settings
        if self.model in FREE:
            return s.evaluations, s.tolerance
        return MORE_EVALUATIONS * s.evaluations, LOOSER * s.tolerance

    def first(self, work: Work) -> None:
        """See :class:`~stanch.mechanics.joint.Search`."""
        from stanch.mechanics.rheology import search

        s, law, path, library = self.settings, self.law, self.path_arguments, self.library
        speckle = bool(np.any(work.tau > 0))
        threshold = math.inf if not s.robust else max(s.outlier_threshold, GROSS_THRESHOLD if speckle else 0.0)
        n, size = work.x.shape
        cost, count = np.empty(n), np.empty(n, dtype=np.int64)

        def job(piece: slice) -> None:
            data, variance = work.data[piece], work.variance[piece]
            starts, rival = np.empty((len(data), 2, size)), np.empty(len(data), dtype=np.bool_)
            search.pick_starts(
                data, variance, work.step_variance[piece], work.shared_variance[piece], s.robust, library.cells,
                library.place, library.grid, RIVAL_SHARE, starts, rival, work.inflation[piece],
            )  # fmt: skip
            search.fit_pushes(
                data, variance, work.step_variance[piece], work.shared_variance[piece], work.coefficient[piece], law,
                path, starts, rival, threshold, 2.0, SPECKLE_SLACK if speckle else 0.0, *self._effort,
                work.inflation[piece], work.x[piece], cost[piece], work.status[piece], count[piece],
            )  # fmt: skip

        in_chunks(n, s.threads, job)

    def refit(self, work: Work, start: Floats) -> None:
        """See :class:`~stanch.mechanics.joint.Search`."""
        self.again(work, start, self.settings.outlier_threshold if self.settings.robust else math.inf)

    def again(self, work: Work, start: Floats, threshold: float) -> None:
        """Fit again at the present speckle deviations with a threshold for outlying frames."""
        from stanch.mechanics.rheology import search

        s, law, path = self.settings, self.law, self.path_arguments
        n = len(work.x)
        coefficient, data = work.deviated()
        low, high = bounds(self.model)
        starts = np.repeat(np.clip(start, low, high)[:, None, :], 2, axis=1)
        rival = np.zeros(n, dtype=np.bool_)
        cost, count = np.empty(n), np.empty(n, dtype=np.int64)

        def job(piece: slice) -> None:
            search.fit_pushes(
                data[piece], work.variance[piece], work.step_variance[piece], work.shared_variance[piece],
                coefficient[piece], law, path, starts[piece], rival[piece], threshold, math.inf, 0.0, *self._effort,
                work.inflation[piece], work.x[piece], cost[piece], work.status[piece], count[piece],
            )  # fmt: skip

        in_chunks(n, s.threads, job)

    def linearise(self, work: Work) -> Lines:
        """See :class:`~stanch.mechanics.joint.Search`."""
        from stanch.mechanics.rheology import search

        law, path = self.law, self.path_arguments
        n, k = work.data.shape
        low, high = bounds(self.model)
        work.x = np.clip(work.x, low, high)
        coefficient, data = work.deviated()
        size = work.x.shape[1] + 1 + work.delta.shape[1]
        force, information, gradient = np.empty(n), np.empty((n, size, size)), np.empty((n, size))
        cost, fitted, bent, likelihood = np.empty(n), np.empty((n, k)), np.zeros((n, k)), np.empty(n)

        def job(piece: slice) -> None:
            search.linearise_pushes(
                data[piece], work.variance[piece], work.step_variance[piece], work.shared_variance[piece],
                coefficient[piece], work.slope[piece], work.bending, law, path, work.x[piece], work.inflation[piece],
                force[piece], information[piece], gradient[piece], cost[piece], fitted[piece], bent[piece],
                likelihood[piece],
            )  # fmt: skip

        in_chunks(n, self.settings.threads, job)
        fitted += work.bend()
        work.bent, self.likelihood, self.at, self.delta = bent, likelihood, work.x.copy(), work.delta.copy()
        return Lines(information, gradient, force, cost, fitted)


def fit(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    geometry: Geometry,
    *,
    model: ModelName,
    frequency: float = 100.0,
    settings: InvertSettings | None = None,
    priors: Priors | None = None,
    rivals: Sequence[ModelName] = (),
) -> Moduli:
    """Fit every push of one well with a model of the medium, and state the complex modulus at a frequency.

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
    model : str
        One of ``MODELS``.
    frequency : float
        At which moduli and loss tangent are stated [Hz].
    settings : InvertSettings, optional
        As for :func:`stanch.mechanics.invert.invert`; its start grid is not used.
    priors : Priors, optional
        Defaults if not given.
    rivals : sequence of str
        Other models to be fitted to the same frames, for ``rheology.rivals``.

    Returns
    -------
    Moduli
        `modulus` is G' at `frequency`, `viscosity` G'' over the angular frequency; `rheology` is filled.

    Raises
    ------
    InputError
        If model or frequency are out of range, the frames do not rise or the gate reaches beyond the table.

    Notes
    -----
    As :func:`~stanch.mechanics.invert.invert`: weighted least squares with the force projected out, the noise of the
    displacement applied by a Kalman recursion, outlying frames held down, speckle deviations solved jointly. Intervals
    follow the profile of the sum of squares where that is not straight, see
    :func:`~stanch.mechanics.rheology.profile.profile`. Where
    G' = 0 is not rejected the loss tangent has only a lower limit: its logarithm then stands half way between that
    limit and ln 1000, with a standard deviation whose 95 % interval is just that range.
    """
    given = (displacement, table, acquisition, geometry)
    result, solved, search = _fitted(*given, model, frequency, settings, priors)
    others: list[str] = [name for name in dict.fromkeys(rivals) if name != model]
    if not others or result.rheology is None:
        return result
    found = {name: _fitted(*given, name, frequency, settings, priors)[1:] for name in others}
    found[model] = (solved, search)
    evidence = _same_frames(found, result.push_time.size)
    own = np.where(result.usable, evidence.pop(model), np.nan)
    return replace(result, rheology=replace(result.rheology, log_evidence=own, rivals=evidence))


def compare(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    geometry: Geometry,
    *,
    models: Sequence[ModelName] = MODELS,
    frequency: float = 100.0,
    settings: InvertSettings | None = None,
    priors: Priors | None = None,
) -> dict[str, Floats]:
    """Log evidence of every push by each of several models, on the same frames.

    Parameters
    ----------
    displacement, table, acquisition, geometry, frequency, settings, priors
        As in :func:`fit`.
    models : sequence of str
        Of ``MODELS``.

    Returns
    -------
    dict of str to ndarray, shape (push,)
        NaN where a push says nothing [-].

    Notes
    -----
    A frame counts as outlying, and is held down, only as far as every model holds it down: a model does not gain by
    leaving out frames that it cannot explain.
    """
    given = (displacement, table, acquisition, geometry)
    names: list[str] = list(models)
    found = {name: _fitted(*given, name, frequency, settings, priors)[1:] for name in names}
    return _same_frames(found, displacement.push_time.size)


def _same_frames(found: dict[str, tuple[Solved, _Model]], pushes: int) -> dict[str, Floats]:
    """Log evidences with the frames held down that all models hold down; changes the solutions' work."""
    common = np.min([solved.work.inflation for solved, _ in found.values()], axis=0)
    out = {}
    for name, (solved, search) in found.items():
        work, after = solved.work, solved
        if np.any(work.inflation != common):
            work.inflation = np.ascontiguousarray(common)
            search.again(work, work.x.copy(), math.inf)
            after = replace(solved, lines=search.linearise(work))
        values = log_evidence(search, after)
        values[(after.signal < search.settings.least_signal) | (after.lines.force <= 0)] = np.nan
        out[name] = np.full(pushes, np.nan)
        out[name][solved.use] = values
    return out


def _fitted(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    geometry: Geometry,
    model: str,
    frequency: float,
    settings: InvertSettings | None,
    priors: Priors | None,
) -> tuple[Moduli, Solved, _Model]:
    """:func:`fit`, with what it came from."""
    search = prepared(displacement, table, acquisition, model, frequency, settings, priors)
    size = len(PARAMETERS[model])
    solved = solve(displacement, table, acquisition, search, size, search.settings)
    # The last linear step may leave the bounds, beyond which an order is no medium.
    solved.work.x = np.clip(solved.work.x, *bounds(model))
    shape = None
    if search.settings.profiles:
        solved, shape = profile(search, solved, frequency)
        solved.work.x = np.clip(solved.work.x, *bounds(model))
    solution, y, e, moduli, angle = at_frequency(solved, model, frequency, frequency)
    straight = solution
    if shape is not None:
        solution = shape.widened(straight)
    result = collect(displacement, geometry, solved, y, e, solution, search.settings)
    if shape is not None:
        result = _two_sided(result, solved, y, _sides(straight, shape.modulus, 0))
    low = None if shape is None else _sides(straight, shape.phase, 3)[:, 0]
    return (
        replace(result, rheology=_rheology(search, solved, result, straight, solution, moduli, angle, low, frequency)),
        solved,
        search,
    )


def _sides(straight: JointSolution, shape: Floats, at: int) -> Floats:
    """SD that a 95 % interval asks for to either side, shape (push, 2): what is shared, and what is the push's own."""
    own = straight.own[:, at, at]
    shared = np.maximum(straight.variance(at) - own, 0.0)
    return np.asarray(np.sqrt(shared[:, None] + own[:, None] * shape**2))


def _two_sided(result: Moduli, solved: Solved, y: Floats, sides: Floats) -> Moduli:
    """The same with intervals of the modulus that reach as far to either side as the frames allow."""
    low, high, rejected = result.modulus_low.copy(), result.modulus_high.copy(), result.zero_rejected.copy()
    use = solved.use
    ends = np.exp(y - NORMAL_95 * sides[:, 0]) - LOG_OFFSET
    far = np.exp(np.maximum(y, math.log(LOG_OFFSET)) + np.minimum(NORMAL_95 * sides[:, 1], 50.0)) - LOG_OFFSET
    here = result.usable[use]
    low[use], high[use] = np.where(here, np.maximum(ends, 0.0), np.nan), np.where(here, far, np.nan)
    rejected[use] = (ends > 0.0) & here
    return replace(result, modulus_low=low, modulus_high=high, zero_rejected=rejected)


def prepared(
    displacement: Displacement,
    table: SpectralTable,
    acquisition: Acquisition,
    model: str,
    frequency: float,
    settings: InvertSettings | None,
    priors: Priors | None,
) -> _Model:
    """The search of one well with one model."""
    if model not in PARAMETERS:
        raise InputError("rheology model", got=model, allowed=", ".join(MODELS))
    if not (math.isfinite(frequency) and frequency > 0):
        raise InputError("frequency", got=frequency, allowed="a positive finite frequency [Hz]")
    frames = Frames.of(displacement.frame_time, acquisition.push_duration)
    scale = np.ascontiguousarray(table.eigenvalue / acquisition.density)
    inside = displacement.depth[
        (displacement.depth >= table.depth[0] - 1e-9) & (displacement.depth <= table.depth[-1] + 1e-9)
    ]
    coefficient = coupling(table, inside if inside.size else None) / acquisition.density
    arrays = tuple(a.tobytes() for a in (coefficient, scale, frames.time))
    return _Model(
        model, 2.0 * math.pi * frequency, scale, frames, contour(frames.time, frames.duration),
        _library(arrays, frames.duration, model, frequency), priors or Priors(), settings or InvertSettings(),
        *(np.zeros(0) for _ in range(3)),
    )  # fmt: skip


@lru_cache(maxsize=16)
def _library(arrays: tuple[bytes, ...], duration: float, model: str, frequency: float) -> Library:
    """The wells of one recording mostly share their library; it does not depend on the pushes."""
    from stanch.mechanics.rheology import kernel, search

    coefficient, scale, time = (np.frombuffer(a).copy() for a in arrays)
    values, place = grid(model)
    frames, path = Frames.of(time, duration), contour(time, duration)
    cells = np.empty((len(values), time.size))
    search.traces(
        values, coefficient,
        (frames.time, frames.inside, frames.after, duration, path.node, path.matrix, scale, 2.0 * math.pi * frequency),
        kernel.KINDS[model], cells,
    )  # fmt: skip
    cells = cells.T / np.sqrt((cells**2).sum(axis=1))
    return Library(values, place, np.ascontiguousarray(cells, dtype=np.float32))


def at_frequency(
    solved: Solved, model: str, frequency: float, at: float
) -> tuple[JointSolution, Floats, Floats, Floats, Floats]:
    """What the solution says about y = ln(G' + 10 Pa), ln viscosity, ln F and the phase angle at a frequency.

    Returns the joint solution in these four, y, ln viscosity, G' and G'' of shape (push, 2), and the phase angle.
    """
    x = solved.work.x
    size = x.shape[1]
    moduli, slope = modulus_gradient(model, x, frequency, at)
    storage, loss = moduli[:, 0], moduli[:, 1]
    turn = np.zeros((len(x), 4, size + 1))
    turn[:, 0, :size] = slope[:, 0] / np.maximum(storage + LOG_OFFSET, 0.5)[:, None]
    turn[:, 1, :size] = slope[:, 1] / loss[:, None]
    turn[:, 2, size] = 1.0
    power = storage**2 + loss**2
    turn[:, 3, :size] = (storage[:, None] * slope[:, 1] - loss[:, None] * slope[:, 0]) / power[:, None]
    y = np.log(np.maximum(storage + LOG_OFFSET, 0.5))
    e = np.log(loss / (2.0 * math.pi * at))
    return solved.solution.turned(turn), y, e, moduli, np.arctan2(loss, storage)


def log_loss_tangent(
    angle: Floats, sd: Floats, rejected: NDArray[np.bool_], below: Floats | None = None
) -> tuple[Floats, Floats]:
    """ln tan of the phase angle and its SD, `below` that towards lower angles; see :func:`fit` for a G' of zero."""
    most = math.atan(LARGEST_LOSS_TANGENT)
    low = np.log(np.tan(np.clip(angle - NORMAL_95 * (sd if below is None else below), 1e-6, most)))
    here = np.clip(angle, 1e-6, most)
    value = np.log(np.tan(here))
    plain = sd / np.maximum(0.5 * np.abs(np.sin(2.0 * here)), 1e-300)
    half = 0.5 * (math.log(LARGEST_LOSS_TANGENT) - low)
    open_value, open_sd = low + half, np.maximum(half / NORMAL_95, 0.05)
    return np.where(rejected, value, open_value), np.where(rejected, plain, open_sd)


def _rheology(
    search: _Model, solved: Solved, result: Moduli, straight: JointSolution, solution: JointSolution, moduli: Floats,
    angle: Floats, low: Floats | None, frequency: float,
) -> Rheology:  # fmt: skip
    work, use, model = solved.work, solved.use, search.model
    pushes = result.push_time.size

    def spread(values: Floats) -> Floats:
        out = np.full((pushes, *values.shape[1:]), np.nan)
        out[use] = values
        out[~result.usable] = np.nan
        return out

    def square(values: Floats) -> Floats:
        out = np.full((pushes, pushes), np.nan)
        out[np.ix_(use, use)] = values
        out[~result.usable] = np.nan
        out[:, ~result.usable] = np.nan
        return out

    size = work.x.shape[1]
    alone = solution.alone()
    sd = np.sqrt(np.maximum(alone[:, 3, 3], 0.0))
    value, value_sd = log_loss_tangent(angle, sd, result.zero_rejected[use], low)
    # From the phase angle to ln(G''/G'); where that has no upper limit, pushes share nothing.
    turn = np.where(result.zero_rejected[use], 1.0 / np.maximum(0.5 * np.abs(np.sin(2.0 * angle)), 1e-9), 0.0)
    common = turn[:, None] * solution.covariance(3) * turn
    np.fill_diagonal(common, value_sd**2)
    linear = straight.alone()
    with np.errstate(invalid="ignore", divide="ignore"):
        wider = np.stack([np.sqrt(alone[:, i, i] / linear[:, i, i]) for i in (0, 3)], axis=1)
    logs = log_jacobian(model, work.x, frequency)
    parameters = from_search(model, work.x, frequency)
    eigenvalue, density = 1.0, 1.0 / float(search.scale[0])
    media = [dict(zip(parameters, row)) for row in zip(*(v.tolist() for v in parameters.values()))]
    ratio = np.array([damping_ratio(model, medium, eigenvalue, density) for medium in media])
    own = solved.solution.alone()[:, :size, :size]
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = np.clip(alone[:, 0, 3] / np.sqrt(alone[:, 0, 0] * alone[:, 3, 3]), -1.0, 1.0)
    return Rheology(
        model=model,  # type: ignore[arg-type]
        frequency=frequency,
        parameters={name: spread(values) for name, values in parameters.items()},
        covariance=spread(np.einsum("pij,pjk,plk->pil", logs, own, logs)),
        storage=spread(moduli[:, 0]),
        loss=spread(moduli[:, 1]),
        log_loss_tangent=spread(value),
        log_loss_tangent_sd=spread(value_sd),
        damping_ratio=spread(np.minimum(ratio, 1.0)),
        log_evidence=spread(log_evidence(search, solved)),
        correlation=spread(correlation),
        shared=square(common),
        cross=square(turn[:, None] * solution.cross(3, 0)),
        widening=spread(np.where(np.isfinite(wider), wider, 1.0)),
    )
