"""Verification of an assay: what a laboratory must show before anyone may use its numbers.

Every protocol takes a table (or plain arrays through its own functions) and returns an account; none needs ultrasound.

>>> from stanch.verify import PROTOCOLS
>>> len(PROTOCOLS)
16
"""

from __future__ import annotations

from importlib import import_module

from stanch.errors import UsageError

# Imported here and now: a later first import of the module would put it in the place of the function `protocol`.
from stanch.verify.protocol import Protocol

__all__ = ["PROTOCOLS", "protocol"]

PROTOCOLS = (
    "precision",
    "linearity",
    "detection",
    "agreement",
    "reference-limits",
    "control",
    "lots",
    "discrimination",
    "hold",
    "interference",
    "budget",
    "wells",
    "reagents",
    "probe",
    "external",
    "design",
)


def protocol(name: str) -> Protocol:
    """The protocol of this name.

    Parameters
    ----------
    name : str
        One of `PROTOCOLS`.

    Returns
    -------
    Protocol

    Raises
    ------
    UsageError
        If there is none.
    """
    if name not in PROTOCOLS:
        raise UsageError("protocol", got=name, allowed=", ".join(PROTOCOLS))
    module = import_module(f"stanch.verify.{name.replace('-', '_')}.protocol")
    found: Protocol = module.PROTOCOL
    return found
