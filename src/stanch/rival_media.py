"""Which medium the pushes of a recording speak for, well by well, and what difference the choice makes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, NothingReadableError
from stanch.mechanics.rheology.records import MODELS, ModelName, Rheology
from stanch.readings.assay_records import FREQUENCY, AssaySettings
from stanch.stages import table_of, to_displacement

if TYPE_CHECKING:
    from stanch.echo.records import Displacement
    from stanch.mechanics.rheology.evidence import RunEvidence
    from stanch.recording.container import Recording
    from stanch.recording.records import Well

__all__ = ["RHEOMETER", "MediaOfWell", "StateAt", "compare_media", "picked", "speaks_from"]

Floats = NDArray[np.float64]

RHEOMETER = 1.0
"""Frequency of an oscillating rheometer, beside which the stated one is put: common practice, no source [Hz]."""

SPEAKS = 0.95
"""Probability from which a model counts as spoken for [-]."""


@dataclass(frozen=True)
class StateAt:
    """What one model says of every push at one frequency.

    Parameters
    ----------
    frequency : float
        [Hz].
    storage, storage_low, storage_high : ndarray, shape (push,)
        G' and its 95 % interval [Pa].
    loss_tangent, loss_low, loss_high : ndarray, shape (push,)
        G''/G' and its 95 % interval; the upper end may be infinite [-].
    """

    frequency: float
    storage: Floats
    storage_low: Floats
    storage_high: Floats
    loss_tangent: Floats
    loss_low: Floats
    loss_high: Floats


@dataclass(frozen=True)
class MediaOfWell:
    """The models of one well beside each other.

    Parameters
    ----------
    well : str
    push : ndarray of int64, shape (push,)
        Which pushes of the recording were compared [-].
    push_time : ndarray, shape (push,)
        Since activation [s].
    evidence : dict of str to ndarray, shape (push,)
        Log evidence of every push by each model, NaN where a push tells nothing [-].
    run : RunEvidence or None
        Over the run; None where no push could be compared.
    spoken_from : float or None
        Time from which on the pushes so far speak for ``run.model`` to the end, see :func:`speaks_from` [s].
    states : dict of str to tuple of StateAt
        By model: at the stated frequency and at 1 Hz.
    band : tuple of float, or None
        Frequencies that the frames of the last push inform, by the model spoken for [Hz].
    problems : tuple of str
        Why there is nothing, where there is nothing.
    """

    well: str
    push: NDArray[np.int64]
    push_time: Floats
    evidence: dict[str, Floats]
    run: RunEvidence | None
    spoken_from: float | None
    states: dict[str, tuple[StateAt, ...]]
    band: tuple[float, float] | None
    problems: tuple[str, ...] = ()


def compare_media(
    source: str | PathLike[str],
    *,
    wells: Sequence[str] = (),
    models: Sequence[ModelName] = MODELS,
    frequency: float | None = None,
    pushes: int | None = 60,
    progress: Callable[[float], None] = lambda _fraction: None,
) -> tuple[float, tuple[MediaOfWell, ...]]:
    """Fit the pushes of a recording with several media, and weigh the media.

    Parameters
    ----------
    source : path-like
        The recording; it is never changed.
    wells : sequence of str
        Names of the wells; all where empty.
    models : sequence of str
        Of ``MODELS``, two or more.
    frequency : float, optional
        At which moduli are stated [Hz]; by default that of the assay document in the recording, else 100 Hz.
    pushes : int or None
        Pushes of each well, spread over the run [-]; None: all.
    progress : callable
        Told the fraction done [-].

    Returns
    -------
    tuple of float and tuple of MediaOfWell
        The stated frequency [Hz], and the wells in the order of the recording.

    Raises
    ------
    InputError
        If a well is unknown, or fewer than two models are named.
    NothingReadableError
        If no well holds echoes or displacement that could be compared.
    """
    import scipy.linalg  # noqa: F401 - its linear algebra must be loaded before its threads can be limited
    from threadpoolctl import threadpool_limits

    from stanch.recording.container import open_recording

    if len(set(models)) < 2:
        raise InputError("models", got=", ".join(models) or "none", allowed="two or more different ones")
    with threadpool_limits(limits=1, user_api="blas"), open_recording(source) as opened:
        names = [well.name for well in opened.wells]
        for name in wells:
            if name not in names:
                raise InputError("well", got=name, allowed=", ".join(names))
        settings = _settings(opened)
        at = frequency or settings.stated_frequency or settings.frequency or FREQUENCY
        chosen = [well for well in opened.wells if not wells or well.name in wells]
        found = []
        for k, well in enumerate(chosen):
            found.append(_well(opened, well, settings, tuple(dict.fromkeys(models)), at, pushes))
            progress((k + 1) / len(chosen))
    if all(one.run is None for one in found):
        why = " ".join(f"Well {one.well}: {' '.join(one.problems)}" for one in found)
        raise NothingReadableError(
            f"recording {source}: no well could be compared. {why}", do="See: stanch inspect REC."
        )
    return at, tuple(found)


def _settings(source: Recording) -> AssaySettings:
    from stanch.readings.assay import load_assay

    if source.assay_text is None:
        return AssaySettings()
    return load_assay(source.assay_text, where="assay document in the recording").settings


def _well(
    source: Recording,
    well: Well,
    settings: AssaySettings,
    models: tuple[ModelName, ...],
    frequency: float,
    pushes: int | None,
) -> MediaOfWell:
    nothing = MediaOfWell(well.name, np.empty(0, dtype=np.int64), np.empty(0), {}, None, None, {}, None)
    followed = to_displacement(source, well, settings)
    if followed.displacement is None:
        why = followed.problems or ("It starts at finished moduli, which were fitted before.",)
        return replace(nothing, problems=why)
    push = _spread(followed.displacement.push_time.size, pushes)
    displacement = picked(followed.displacement, push)
    try:
        return _compared(source, replace(nothing, push=push), displacement, models, frequency)
    except InputError as error:
        return replace(nothing, problems=(str(error),))


def _compared(
    source: Recording,
    nothing: MediaOfWell,
    displacement: Displacement,
    models: tuple[ModelName, ...],
    frequency: float,
) -> MediaOfWell:
    from stanch.mechanics.rheology.difference import informed_band
    from stanch.mechanics.rheology.evidence import over_run
    from stanch.mechanics.rheology.fit import compare, fit
    from stanch.mechanics.settings import InvertSettings

    table, acquisition, geometry = table_of(source, nothing.well, displacement)
    given = (displacement, table, acquisition, geometry)
    how = InvertSettings(threads=1)
    evidence = compare(*given, models=models, frequency=frequency, settings=how)
    if not np.isfinite(np.array(list(evidence.values()))).all(axis=0).any():
        return replace(nothing, problems=("No push tells the models apart.",))
    run = over_run(evidence, displacement.link)
    states: dict[str, tuple[StateAt, ...]] = {}
    band = None
    for model in models:
        fitted = fit(*given, model=model, frequency=frequency, settings=how).rheology
        if fitted is None:
            continue
        states[model] = tuple(_state(fitted, at) for at in (frequency, RHEOMETER))
        usable = np.flatnonzero(np.isfinite(fitted.storage))
        if model == run.model and usable.size:
            medium = {name: float(values[usable[-1]]) for name, values in fitted.parameters.items()}
            band = informed_band(model, medium, table, acquisition, displacement.frame_time)
    since = speaks_from(displacement.push_time, evidence, displacement.link)
    time = displacement.push_time
    return MediaOfWell(nothing.well, nothing.push, time, evidence, run, since, states, band)


def _state(rheology: Rheology, frequency: float) -> StateAt:
    from stanch.mechanics.rheology.difference import storage_at
    from stanch.mechanics.rheology.tangent import loss_tangent_at

    found = storage_at(rheology, frequency)
    return StateAt(frequency, found.storage, found.low, found.high, *loss_tangent_at(rheology, frequency))


def _spread(size: int, wanted: int | None) -> NDArray[np.int64]:
    count = size if wanted is None else min(wanted, size)
    return np.unique(np.linspace(0, max(size - 1, 0), count).round().astype(np.int64))


def picked(displacement: Displacement, push: NDArray[np.int64]) -> Displacement:
    """Some pushes of a well.

    Parameters
    ----------
    displacement : Displacement
    push : ndarray of int64, shape (picked,)
        Rising indices [-].

    Returns
    -------
    Displacement
        Slow shift and coherence stay those since the push before in the recording.
    """
    cut: dict[str, Any] = {}
    for name, value in vars(displacement).items():
        if name == "link":
            cut[name] = None if value is None else value[np.ix_(push, push)]
        elif name not in ("frame_time", "depth", "energy_depth") and isinstance(value, np.ndarray):
            cut[name] = value[push]
    return replace(displacement, **cut)


def speaks_from(time: Floats, evidence: dict[str, Floats], link: Floats | None = None) -> float | None:
    """From when on the pushes so far speak for the model that the whole run speaks for.

    Parameters
    ----------
    time : ndarray, shape (push,)
        [s].
    evidence : dict of str to ndarray, shape (push,)
        Log evidence by model [-].
    link : ndarray, shape (push, push), optional
        Squared coherence of the pre-push lines of two pushes [-].

    Returns
    -------
    float or None
        First time from which on the pushes up to then give the model a probability of at least 95 %, counted with
        pushes that are independent by their speckle and all models alike before; None where they never do [s].
    """
    from stanch.mechanics.rheology.evidence import over_run

    good = np.flatnonzero(np.isfinite(np.array(list(evidence.values()))).all(axis=0))
    if good.size == 0:
        return None
    table = {name: values[good] for name, values in evidence.items()}
    linked = None if link is None else link[np.ix_(good, good)]
    best = over_run(table, linked).model
    since = None
    for k in range(good.size, 0, -1):
        part = over_run({n: v[:k] for n, v in table.items()}, None if linked is None else linked[:k, :k])
        if part.probability[best] < SPEAKS:
            break
        since = float(time[good[k - 1]])
    return since
