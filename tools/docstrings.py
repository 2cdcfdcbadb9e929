"""Reads the package's docstrings: sections in numpydoc order, parameters with their unit brackets."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
import re
from collections.abc import Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import stanch
from stanch.quantities import UNITS

SECTIONS = ("Parameters", "Returns", "Yields", "Raises", "Notes", "Examples", "References")

# Words that stand where a unit does: none, that of another argument, that of a file, counts of the digitiser.
WORDS = {"-", "unit", "SI unit", "as stored", "counts", "samples", "standard deviations", "squared counts"}
WORDS |= {"Pa·s^order"}  # a spring-pot's unit follows its exponent
ATOMS = {
    *("m", "cm", "mm", "um", "s", "ms", "us", "ns", "min", "h", "Hz", "kHz", "MHz", "Pa", "kPa", "N", "kN", "kg", "g"),
    *("K", "W", "J", "L", "mL", "uL", "mol", "Np", "dB", "rad", "deg", "1", "counts", "IU", "%"),
}
FACTOR = re.compile(r"(.+?)(\^-?\d+)?")
BRACKET = re.compile(r"\[([^\[\]]+)\]")
NUMERIC = re.compile(r"\b(float|complex|ndarray|array_like|ArrayLike|Floats|NDArray|float64|float32)\b")
NOT_A_MEASURE = re.compile(
    r"\bof (bool|int\w*|uint\w*|complex\w*|str|bytes|object)\b|\bint64\b|\bint16\b|\bcomplex\w*\b|\bbool_?\b"
    r"|\bstr_|\bbytes_|[Cc]allable"
)


@dataclass(frozen=True)
class Public:
    """A public function, method or record and where it is."""

    name: str
    item: Any

    @property
    def doc(self) -> str:
        return inspect.getdoc(self.item) or ""


@dataclass(frozen=True)
class Entry:
    """One line of a Parameters or Returns section with its indented text."""

    names: tuple[str, ...]
    kind: str
    text: str


def modules() -> Iterator[ModuleType]:
    yield stanch
    for found in pkgutil.walk_packages(stanch.__path__, "stanch."):
        if not any(part.startswith("_") for part in found.name.split(".")):
            yield importlib.import_module(found.name)


def public() -> list[Public]:
    """Every function, class and public method that a module defines and offers in its ``__all__``."""
    found = []
    for module in modules():
        offered = getattr(module, "__all__", None)
        for name, item in vars(module).items():
            item = inspect.unwrap(getattr(item, "py_func", item)) if callable(item) else item
            if name.startswith("_") or getattr(item, "__module__", None) != module.__name__:
                continue
            if offered is not None and name not in offered:
                continue
            if inspect.isfunction(item) or inspect.isclass(item):
                found.append(Public(f"{module.__name__}.{name}", item))
            if inspect.isclass(item):
                found += _methods(f"{module.__name__}.{name}", item)
    return found


def _methods(prefix: str, kind: type) -> Iterator[Public]:
    for name, item in vars(kind).items():
        item = getattr(item, "__func__", item)
        item = item.fget if isinstance(item, property) else item
        if not name.startswith("_") and inspect.isfunction(item) and item.__module__ == kind.__module__:
            yield Public(f"{prefix}.{name}", item)


def sections(doc: str) -> dict[str, str]:
    """Text of each section by heading; the text before the first under ''."""
    parts: dict[str, list[str]] = {"": []}
    heading = ""
    lines = doc.splitlines()
    skip = False
    for line, after in zip(lines, [*lines[1:], ""], strict=True):
        if skip:
            skip = False
        elif line.strip() in SECTIONS and set(after.strip()) == {"-"}:
            heading, skip = line.strip(), True
            parts[heading] = []
        else:
            parts[heading].append(line)
    return {name: "\n".join(text).strip("\n") for name, text in parts.items()}


def entries(text: str) -> list[Entry]:
    """The entries of a Parameters section."""
    found: list[Entry] = []
    for line in text.splitlines():
        if line and not line.startswith(" "):
            names, _, kind = line.partition(":")
            found.append(Entry(tuple(n.strip().lstrip("*") for n in names.split(",")), kind.strip(), ""))
        elif found:
            found[-1] = dataclasses.replace(found[-1], text=f"{found[-1].text} {line.strip()}".strip())
    return found


def returns(text: str) -> list[Entry]:
    """The entries of a Returns section: ``type`` or ``name : type``, then indented text."""
    found = []
    for entry in entries(text):
        kind = entry.kind or ", ".join(entry.names)
        found.append(Entry(entry.names if entry.kind else (), kind, entry.text))
    return found


def is_measure(kind: str) -> bool:
    """Whether a type text is of numbers that have a unit; counts, indices, flags, text and IQ samples have none."""
    return bool(NUMERIC.search(kind)) and not NOT_A_MEASURE.search(kind)


def is_unit(text: str) -> bool:
    """Whether a bracket's text is a unit: a listed one, or factors joined by · and / with whole powers."""
    if text in WORDS or text in UNITS:
        return True
    factors = [FACTOR.fullmatch(part) for part in re.split("[·/]", text)]
    return all(factor is not None and factor[1] in ATOMS for factor in factors)


def units(text: str) -> list[str]:
    """The units in the brackets of a text."""
    return [part for part in BRACKET.findall(text) if is_unit(part)]
