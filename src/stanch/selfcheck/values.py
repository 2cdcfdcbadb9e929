"""The published values: beside the source in a checkout, inside the package in an installation."""

from __future__ import annotations

import csv
import tomllib
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from stanch.errors import InputError

__all__ = ["SOURCES", "citation", "document", "rows"]

# Which files of published/ the wheel carries; pyproject.toml lists the same.
SOURCES = {
    "closed-well-eigenvalues": ("eigenvalues.csv",),
    "displacement-bound": ("bound.csv",),
    "kelvin-voigt-dispersion": ("dispersion.csv",),
    "nist-anova": ("certified.csv", "atmwtag.csv", "sirstv.csv", "smls01.csv", "smls04.csv", "smls07.csv"),
    "nist-control-charts": ("cusum.csv", "ewma.csv", "flowrate.csv", "printed.toml"),
    "nist-regression": ("certified.toml", "misra1a.csv", "norris.csv", "pontius.csv"),
    "pin-amplitude": ("amplitude.csv",),
    "push-response": ("response.csv",),
}

STATUS = {
    "seen": "read in the source or in a copy of it",
    "computed": "computed for this project by another route",
    "memory": "formula from memory; the values are its arithmetic",
}


def _folder(slug: str) -> Traversable:
    packed = files("stanch.selfcheck") / "published" / slug
    if packed.is_dir():
        return packed
    beside = Path(__file__).resolve().parents[3] / "published" / slug
    if beside.is_dir():
        return beside
    raise InputError(
        f"published values {slug}",
        got="not in this installation",
        allowed="a whole installation",
        do="Install again, or run from a checkout.",
    )


def rows(slug: str, name: str) -> list[dict[str, str]]:
    """The rows of a table of published values.

    Parameters
    ----------
    slug : str
        Folder of the source.
    name : str
        File in it.

    Returns
    -------
    list of dict

    Raises
    ------
    InputError
        If the installation does not hold it.
    """
    text = (_folder(slug) / name).read_text(encoding="utf-8")
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def document(slug: str, name: str) -> dict[str, Any]:
    """A TOML document of published values.

    Parameters
    ----------
    slug, name : str
        Folder of the source, and file in it.

    Returns
    -------
    dict
    """
    return tomllib.loads((_folder(slug) / name).read_text(encoding="utf-8"))


def citation(slug: str) -> tuple[str, str]:
    """Where the values of a folder come from, in one sentence, and how they came here."""
    found = document(slug, "source.toml")
    return f"{found['title']}: {found['citation']}", STATUS[found["status"]]
