"""Stanch: an open bench for assays that read the shear modulus of clotting blood.

``stanch.open``, ``convert``, ``analyse`` and ``simulate`` are the job from Python; each is imported on first use.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stanch import kernelcache
from stanch.version import __version__

if TYPE_CHECKING:
    from stanch.pipeline import analyse
    from stanch.readings.assay import load_assay
    from stanch.recording.container import open_recording as open
    from stanch.recording.convert import convert
    from stanch.virtual.simulate import simulate

kernelcache.prepare()

__all__ = ["__version__", "analyse", "convert", "load_assay", "open", "simulate"]

_HOMES = {
    "analyse": ("stanch.pipeline", "analyse"),
    "convert": ("stanch.recording.convert", "convert"),
    "load_assay": ("stanch.readings.assay", "load_assay"),
    "open": ("stanch.recording.container", "open_recording"),
    "simulate": ("stanch.virtual.simulate", "simulate"),
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'stanch' has no attribute {name!r}")
    from importlib import import_module

    module, attribute = _HOMES[name]
    return getattr(import_module(module), attribute)


def __dir__() -> list[str]:
    return sorted(__all__)
