"""What subtracting pin amplitudes does, as a table and a picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stanch.verify.agreement._show import axis, numbers
from stanch.verify.agreement.amplitude import amplitude_to_modulus, subtracted
from stanch.verify.records import Column, Definition, Grid, Line, Picture, Points

Floats = NDArray[np.float64]
EXAMPLE = (60.0, 20.0)


def pin_grid(amplitudes: Floats, constant: float) -> Grid:
    """The worked pair, and pairs around the amplitudes of this study."""
    pairs = [EXAMPLE]
    whole = float(np.median(amplitudes))
    if whole > 0:
        pairs += [(whole, whole * share) for share in (0.25, 0.5, 0.75)]
    rows = []
    for one, two in pairs:
        found = subtracted(one, two, constant=constant)
        rows.append(
            (
                one,
                two,
                100 * found.share_amplitude,
                found.whole_modulus,
                found.rest_modulus,
                found.whole_modulus - found.rest_modulus,
                100 * found.share_modulus,
            )
        )
    return Grid(
        "What subtracting amplitudes does",
        (
            Column("amplitude of the whole clot"),
            Column("amplitude without the part"),
            Column("part by amplitudes", "%"),
            Column("modulus of the whole clot", "Pa"),
            Column("modulus without the part", "Pa"),
            Column("modulus of the part", "Pa"),
            Column("part by moduli", "%"),
        ),
        tuple(rows),
        note="Amplitude is not linear in modulus, so a difference of amplitudes is not the part's share. The first "
        "row is a worked example; the others take the median amplitude of this study.",
    )


def pin_picture(amplitudes: Floats, constant: float) -> Picture:
    """Share of a part by amplitudes and by moduli, along the amplitude that remains without it."""
    whole = float(np.median(amplitudes))
    whole = whole if whole > 0 else EXAMPLE[0]
    rest = np.linspace(0.0, whole, 101)
    modulus = amplitude_to_modulus(np.append(rest, whole), constant=constant)
    by_modulus = 100 * (1 - modulus[:-1] / modulus[-1])
    example = subtracted(*EXAMPLE, constant=constant)
    return Picture(
        "A part told from the whole: amplitudes against moduli",
        axis("amplitude without the part", ""),
        axis("share of the part", "%"),
        (
            Line(numbers(rest), numbers(100 * (1 - rest / whole)), "by amplitudes", series=1),
            Line(numbers(rest), numbers(by_modulus), "by moduli", series=2),
            Points(
                (EXAMPLE[1], EXAMPLE[1]),
                (100 * example.share_amplitude, 100 * example.share_modulus),
                "60 without, 20 with the part blocked",
                series=3,
            ),
        ),
        caption=f"Lines: whole clot of amplitude {whole:.4g}, the median of this study. Marks: amplitudes 60 and 20, "
        f"where subtracting amplitudes gives two thirds and the moduli {example.whole_modulus:.4g} and "
        f"{example.rest_modulus:.4g} Pa give five sixths.",
        alt="The share by amplitudes lies below the share by moduli everywhere between the ends.",
    )


def pin_definition(constant: float) -> Definition:
    return Definition(
        "modulus from a pin amplitude",
        f"G = {constant:g} Pa × A/(100 − A), A the amplitude from 0 to below 100. The constant belongs to one "
        "geometry and wire; an error in it scales every converted modulus alike.",
        "Hartert H, Schaeder JA. Biorheology 1:31-39 (1962), from memory"
        if constant == 500.0
        else "constant stated by the laboratory; form: Hartert H, Schaeder JA. Biorheology 1:31-39 (1962), from memory",
    )
