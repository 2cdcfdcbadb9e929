"""A kinetic prior from the laboratory's own runs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from os import PathLike

from stanch.errors import InputError
from stanch.pipeline import analyse
from stanch.readings.assay_records import AssayDocument
from stanch.readings.forecast.learn import FEWEST, HeldOut, learn
from stanch.readings.forecast.library import well_class
from stanch.readings.forecast.records import KineticPrior, Origin
from stanch.result import Result
from stanch.version import __version__

__all__ = ["learn_from"]


def learn_from(
    sources: Sequence[str | PathLike[str]],
    assay: AssayDocument | None = None,
    *,
    seed: int = 0,
    progress: Callable[[float], None] = lambda _fraction: None,
) -> KineticPrior:
    """Learn a prior from whole recordings of one assay.

    The final curves stand for the truth; their own errors are part of what the intervals then allow for.

    Parameters
    ----------
    sources : sequence of path-like
        Recordings; every second one, in the order of their identities, is held out.
    assay : AssayDocument, optional
        Overrides the ones in the recordings, which must otherwise be the same.
    seed : int
    progress : callable
        Told the fraction done [-].

    Returns
    -------
    KineticPrior

    Raises
    ------
    InputError
        If there are too few recordings, the same one twice, or assay documents differ.
    """
    if len(sources) < 2 * FEWEST:
        raise InputError("recordings", got=len(sources), allowed=f"at least {2 * FEWEST}", do="Add more whole runs.")
    results = []
    for number, source in enumerate(sources):
        results.append(analyse(source, assay, seed=seed))
        progress(0.5 * (number + 1) / len(sources))
    results.sort(key=lambda one: one.identity)
    if len({one.identity for one in results}) < len(results):
        raise InputError("recordings", got="the same one twice", allowed="each once")
    if assay is None:
        assay = _common_assay(results)
    ends = [_end(one) for one in results]
    run = max(ends) - max(ends) % 60.0
    whole = [one for one, end in zip(results, ends) if end >= run]
    known = {w.well.name: well_class(w.well.activator, w.well.additive_names) for one in whole for w in one.wells}
    pairs = tuple(
        dict.fromkeys(
            (known[c.base], known[c.other])
            for c in assay.contrasts
            if c.kind == "decline" and c.report in (None, "retention") and c.base in known and c.other in known
        )
    )
    origin = Origin(
        "own runs",
        f"{len(whole)} recordings, half of them held out, {len(results) - len(whole)} shorter ones left out",
        __version__,
        tuple(one.identity for one in whole),
    )
    held = [_held_out(one) for one in whole[1::2]]
    return learn(
        [one.truth for one in map(_held_out, whole[::2])],
        held,
        assay.definitions(),
        run=run,
        pairs=pairs,
        origin=origin,
        seed=seed,
        progress=lambda fraction: progress(0.5 + 0.5 * fraction),
    )


def _common_assay(results: Sequence[Result]) -> AssayDocument:
    from stanch.readings.assay import load_assay

    texts = {one.assay_sha256: one.assay_text for one in results}
    if len(texts) != 1 or None in texts:
        raise InputError(
            "assay documents", got=f"{len(texts)} different", allowed="one and the same", do="Name one with --assay."
        )
    return load_assay(str(next(iter(texts.values()))), where="assay document in the recordings")


def _end(result: Result) -> float:
    """Last time that every well which could be read has [s]."""
    ends = [float(w.curve.time[-1]) for w in result.wells if w.curve is not None]
    return min(ends, default=0.0)


def _held_out(result: Result) -> HeldOut:
    moduli, truth = {}, {}
    for one in result.wells:
        if one.moduli is None or one.curve is None:
            continue
        name = well_class(one.well.activator, one.well.additive_names)
        offset, curve = one.well.activation_offset, one.curve
        moduli[name] = replace(one.moduli, push_time=one.moduli.push_time - offset)
        truth[name] = (curve.time - offset, curve.modulus if curve.centre is None else curve.centre)
    return HeldOut(moduli, truth)
