"""From SI to the surface: which unit a number is shown in, and the cautions every output carries."""

from __future__ import annotations

from dataclasses import replace

from stanch.echo.records import PushFlag
from stanch.estimate import Estimate
from stanch.quantities import QUANTITIES, UNITS
from stanch.readings.records import Contrast, Reading

__all__ = [
    "CAUTIONS",
    "MODEL_LABELS",
    "beside",
    "contrast_surface",
    "flag_words",
    "label",
    "moduli_are",
    "modulus_words",
    "printable",
    "reading_surface",
]

CAUTIONS = (
    "For research and assay development. Not a medical device.",
    "Treatment decisions belong to licensed clinicians under local protocols.",
    "Blood is infectious until shown otherwise.",
)

MODEL_LABELS = {
    "kelvin_voigt": "Kelvin-Voigt",
    "spring_pot": "spring-pot",
    "fractional_kelvin_voigt": "fractional Kelvin-Voigt",
    "zener": "Zener",
}
"""The media as a reader sees them."""


def moduli_are(rheology: str, frequency: float | None) -> str:
    """What every modulus of a result is, in one sentence.

    Parameters
    ----------
    rheology : str
        One of ``mechanics.rheology.records.MODELS``.
    frequency : float or None
        [Hz].

    Returns
    -------
    str
    """
    name = MODEL_LABELS[rheology]
    if frequency is None:
        return f"shear modulus of a {name} medium, the same at every frequency"
    return f"storage modulus G' at {frequency:g} Hz of a {name} medium"


def modulus_words(frequency: float | None) -> str:
    """Title of a modulus: ``"Modulus G' at 100 Hz"``; without a frequency [Hz] that of every frequency."""
    return "Modulus G'" if frequency is None else f"Modulus G' at {frequency:g} Hz"


def label(key: str) -> str:
    """The label of a quantity; the key itself where it has none."""
    found = QUANTITIES.get(key)
    return found.label if found is not None else key


def reading_surface(reading: Reading) -> Estimate:
    """A reading's estimate in the surface unit of its quantity."""
    return _scaled(reading.estimate, QUANTITIES[reading.key].unit if reading.key in QUANTITIES else None)


def contrast_surface(contrast: Contrast) -> Estimate:
    """A contrast's estimate in its surface unit: a share in %, a ratio as it is, else that of the quantity."""
    if contrast.kind == "share":
        return _scaled(contrast.estimate, "%")
    if contrast.kind == "ratio":
        return _scaled(contrast.estimate, "1")
    return _scaled(contrast.estimate, QUANTITIES[contrast.key].unit if contrast.key in QUANTITIES else None)


def beside(contrast: Contrast) -> tuple[Contrast, ...]:
    """A contrast and what stands beside it: the number before the block correction, or the difference offered.

    Parameters
    ----------
    contrast : Contrast

    Returns
    -------
    tuple of Contrast
        The contrast first.
    """
    rows = [contrast]
    if contrast.raw is not None:
        rows.append(replace(contrast, name=f"{contrast.name}, uncorrected", estimate=contrast.raw, raw=None))
    if contrast.offered is not None:
        name = f"{contrast.name}, difference instead"
        rows.append(replace(contrast, name=name, kind="difference", estimate=contrast.offered, offered=None))
    return tuple(rows)


def _scaled(estimate: Estimate, unit: str | None) -> Estimate:
    if unit is None or UNITS[unit].kind != UNITS[estimate.unit].kind:
        return estimate
    return estimate.scaled(unit)


def printable(text: str) -> str:
    """Text without control characters, so that a name cannot steer a terminal; line feeds stay."""
    return "".join(c if c.isprintable() or c == "\n" else "\ufffd" for c in text)


def flag_words(flags: int) -> str:
    """The bits of a push flag as words: ``"saturated drift"``; empty when none is set."""
    return " ".join(str(bit.name).lower() for bit in PushFlag if bit is not PushFlag.NONE and flags & int(bit))
