"""Priors as files: one NumPy archive with a JSON head, schema ``stanch.prior/1``."""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from dataclasses import asdict, replace
from importlib.resources import files
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError, IntegrityError
from stanch.files import replacing
from stanch.readings.definitions import Definitions
from stanch.readings.forecast.records import KineticPrior, Margin, Origin

__all__ = ["SCHEMA", "load_prior", "save_prior", "shipped_prior"]

SCHEMA = "stanch.prior/1"
_UNIT = 1e-3  # of the stored ln(G + 10 Pa)
_ABSENT = np.int16(-32768)


def save_prior(path: str | PathLike[str], prior: KineticPrior, *, overwrite: bool = False) -> KineticPrior:
    """Write a prior; ln(G + 10 Pa) is kept to 0.001.

    Parameters
    ----------
    path : path-like
    prior : KineticPrior
    overwrite : bool
        Whether an existing file may be replaced.

    Returns
    -------
    KineticPrior
        As it was stored, with its hash.

    Raises
    ------
    OutputExistsError
        If the file is there already.
    """
    names = sorted(prior.library)
    counts = np.stack([_counts(np.asarray(prior.library[name])) for name in names])
    head = {
        "schema": SCHEMA,
        "origin": asdict(prior.origin),
        "definitions": asdict(prior.definitions),
        "run_s": prior.run,
        "time_s": [float(t) for t in prior.time],
        "classes": names,
        "pairs": [list(pair) for pair in prior.pairs],
        "margins": {key: asdict(margin) for key, margin in sorted(prior.margins.items())},
    }
    text = json.dumps(head, ensure_ascii=False, sort_keys=True, allow_nan=False)
    digest = _digest(text, counts)
    with replacing(path, overwrite=overwrite) as beside, beside.open("wb") as sink:
        # Differences along time are small and compress well.
        steps = np.diff(counts, axis=2, prepend=np.int16(0))
        np.savez_compressed(sink, head=np.array(text), steps=steps, sha256=np.array(digest))
    return replace(prior, library=_library(names, counts), sha256=digest)


def load_prior(path: str | PathLike[str]) -> KineticPrior:
    """Read a prior.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    KineticPrior

    Raises
    ------
    InputError
        If it is no prior, or of a newer schema.
    IntegrityError
        If its content is not what was written.
    """
    path = Path(path)
    if not path.is_file():
        raise InputError(f"prior {path}", got="no such file", allowed="a file that stanch learn wrote")
    try:
        with path.open("rb") as source, np.load(source, allow_pickle=False) as stored:
            text, digest = str(stored["head"]), str(stored["sha256"])
            counts = np.cumsum(stored["steps"], axis=2, dtype=np.int16)
        head: dict[str, Any] = json.loads(text)
        if head["schema"] != SCHEMA:
            raise InputError(f"prior {path}", got=head["schema"], allowed=SCHEMA, do="Update Stanch or learn it again.")
        if _digest(text, counts) != digest:
            raise IntegrityError(f"prior {path}", got="content of another hash", do="Learn it again.")
        return _prior(head, counts, digest)
    except (ValueError, LookupError, TypeError, AttributeError, EOFError, OSError, zipfile.BadZipFile, zlib.error):
        raise InputError(
            f"prior {path}", got="damaged, or no prior", allowed=f"a file of schema {SCHEMA}", do="Learn it again."
        ) from None


def shipped_prior() -> KineticPrior:
    """The prior of the demo assay that comes with the package, learnt from a virtual population.

    Returns
    -------
    KineticPrior
    """
    return load_prior(str(files("stanch.readings.forecast").joinpath("data", "demo-assay.prior.npz")))


def _prior(head: dict[str, Any], counts: NDArray[np.int16], digest: str) -> KineticPrior:
    origin = dict(head["origin"])
    origin["identities"] = tuple(origin["identities"])
    return KineticPrior(
        Origin(**origin),
        Definitions(**head["definitions"]),
        float(head["run_s"]),
        np.asarray(head["time_s"], dtype=float),
        _library(head["classes"], counts),
        {key: Margin(**margin) for key, margin in head["margins"].items()},
        tuple((str(a), str(b)) for a, b in head["pairs"]),
        digest,
    )


def _counts(rows: NDArray[np.float64]) -> NDArray[np.int16]:
    known = np.isfinite(rows)
    return np.where(known, np.rint(np.where(known, rows, 0.0) / _UNIT), _ABSENT).astype(np.int16)


def _library(names: list[str], counts: NDArray[np.int16]) -> dict[str, NDArray[np.float64]]:
    return {name: np.where(rows == _ABSENT, np.nan, rows * _UNIT) for name, rows in zip(names, counts)}


def _digest(text: str, counts: NDArray[np.int16]) -> str:
    found = hashlib.sha256(text.encode())
    found.update(np.ascontiguousarray(counts, dtype="<i2").tobytes())
    return found.hexdigest()
