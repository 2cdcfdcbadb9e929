"""From structure to mechanics: modulus of fibrin and platelets, viscosity, and the material near the gel point."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.virtual.blood.choices import Choices
from stanch.virtual.blood.records import Constant
from stanch.virtual.material import Material

__all__ = [
    "CONSTANTS",
    "fibrin_ceiling",
    "gel_exponent",
    "liquid_viscosity",
    "material",
    "relative_viscosity",
    "set_viscosity",
    "storage",
]

Floats = NDArray[np.float64]

FIBRIN_MODULUS = Constant(
    "fibrin_modulus",
    30.0,
    "Pa",
    "calibrated",
    "Of a complete network without cross-links or platelets, 1 g of fibrin per litre of the well: normal fibrin "
    "modulus inside 90 to 360 Pa",
)
CROSS_LINK_FACTOR = Constant(
    "cross_link_factor", 3.0, "1", "calibrated", "Modulus of a fully cross-linked network over one without: 2 to 5"
)
OWN_MODULUS = Constant(
    "platelet_own_modulus",
    190.0,
    "Pa",
    "calibrated",
    "What the platelet factor multiplies where platelets add a modulus of their own: that of a normal fibrin network",
)
SET_VISCOSITY = Constant(
    "set_viscosity",
    0.2,
    "Pa·s",
    "calibrated",
    "What the clot adds at 1 kPa, growing with the square root of the modulus: loss tangent at 100 Hz of a mature clot "
    "inside 0.05 to 0.2",
)
PLASMA_VISCOSITY = Constant(
    "plasma_viscosity", 1.2e-3, "Pa·s", "choice", "At 37 degrees Celsius; 1.1 to 1.3 mPa·s is usual (from memory)"
)
WATER_VISCOSITY = Constant(
    "crystalloid_viscosity", 0.7e-3, "Pa·s", "choice", "At 37 degrees Celsius, as water (from memory)"
)
AT45 = Constant(
    "relative_viscosity_at_45",
    3.2,
    "1",
    "published",
    "Pries, Neuhaus, Gaehtgens 1992 (PMID 1481902) as restated by Secomb & Pries 2013, large tubes, high shear",
)
CELL_EXPONENT = Constant(
    "relative_viscosity_exponent",
    -0.8,
    "1",
    "published",
    "Pries, Neuhaus, Gaehtgens 1992 (PMID 1481902) as restated by Secomb & Pries 2013, large tubes, high shear",
)
FRACTAL_DIMENSION = Constant(
    "gel_fractal_dimension",
    1.74,
    "1",
    "published",
    "Healthy whole blood at the gel point, 1.74 +- 0.07: Evans et al. 2010, Blood 116:3341, abstract",
)
MATURE_ORDER = Constant(
    "mature_order",
    0.2,
    "1",
    "calibrated",
    "Order of the spring-pot in the complete network: loss tangent 0.05 to 0.2 at 1 Hz and at 100 Hz",
)

CONSTANTS = (
    FIBRIN_MODULUS,
    CROSS_LINK_FACTOR,
    OWN_MODULUS,
    SET_VISCOSITY,
    PLASMA_VISCOSITY,
    WATER_VISCOSITY,
    AT45,
    CELL_EXPONENT,
    FRACTAL_DIMENSION,
    MATURE_ORDER,
)

_SET_MODULUS = 1000.0  # modulus at which SET_VISCOSITY holds [Pa]


def relative_viscosity(haematocrit: float) -> float:
    """Viscosity of blood in bulk over that of its plasma, at high shear rate.

    Parameters
    ----------
    haematocrit : float
        0 to below 1 [-].

    Returns
    -------
    float
        [-].

    Notes
    -----
    Pries, Neuhaus & Gaehtgens 1992 as restated by Secomb & Pries 2013, for wide tubes.

    Examples
    --------
    >>> round(relative_viscosity(0.45), 4)
    3.2
    """
    c = CELL_EXPONENT.value
    grown: float = ((1.0 - haematocrit) ** c - 1.0) / (0.55**c - 1.0)
    return 1.0 + (AT45.value - 1.0) * grown


def liquid_viscosity(haematocrit: float, plasma_share: float) -> float:
    """Viscosity of the liquid sample in a well.

    Parameters
    ----------
    haematocrit : float
        In the well [-].
    plasma_share : float
        Share of undiluted plasma in the liquid between the cells [-].

    Returns
    -------
    float
        [Pa·s].
    """
    water = WATER_VISCOSITY.value
    return relative_viscosity(haematocrit) * (water + plasma_share * (PLASMA_VISCOSITY.value - water))


def fibrin_ceiling(fibrin: float, exponent: float) -> float:
    """Modulus of a complete fibrin network without cross-links or platelets.

    Parameters
    ----------
    fibrin : float
        Per volume of the well, cells included [kg/m^3].
    exponent : float
        Of the concentration [-].

    Returns
    -------
    float
        [Pa].
    """
    grown: float = FIBRIN_MODULUS.value * fibrin**exponent
    return grown


def gel_exponent(fractal_dimension: float) -> float:
    """Exponent n of a critical gel, whose storage and loss moduli both grow as frequency to the n.

    Parameters
    ----------
    fractal_dimension : float
        Of the clusters, 1 to 2.5 [-].

    Returns
    -------
    float
        [-].

    Raises
    ------
    InputError
        If the dimension is outside 1 to 2.5.

    Notes
    -----
    ``n = 3 (5 - 2 d)/(2 (5 - d))`` with screened excluded volume in three dimensions (Muthukumar 1989, from memory).

    Examples
    --------
    >>> gel_exponent(2.0)
    0.5
    """
    if not 1.0 <= fractal_dimension <= 2.5:
        raise InputError("fractal_dimension", got=fractal_dimension, allowed="1 to 2.5")
    return 3.0 * (5.0 - 2.0 * fractal_dimension) / (2.0 * (5.0 - fractal_dimension))


def set_viscosity(modulus: ArrayLike) -> Floats:
    """Viscosity that a clot adds to its liquid.

    Parameters
    ----------
    modulus : array_like
        [Pa].

    Returns
    -------
    ndarray
        [Pa·s].
    """
    out: Floats = SET_VISCOSITY.value * np.sqrt(np.asarray(modulus, dtype=float) / _SET_MODULUS)
    return out


def _pot(
    viscosity: ArrayLike, progress: ArrayLike, kept: ArrayLike, bridged: ArrayLike, frequency: float
) -> tuple[Floats, Floats, Floats]:
    """Storage of the spring-pot at the frequency [Pa], its order, and the share of the loss that it carries."""
    whole = np.asarray(kept, dtype=float)
    critical = gel_exponent(FRACTAL_DIMENSION.value)
    order = critical + (MATURE_ORDER.value - critical) * np.asarray(progress, dtype=float) ** 2 * whole
    share = np.asarray(bridged, dtype=float) * whole
    loss = 2.0 * math.pi * frequency * np.asarray(viscosity, dtype=float) * share
    return loss / np.tan(order * math.pi / 2.0), order, share


def storage(
    network: ArrayLike,
    viscosity: ArrayLike,
    progress: ArrayLike,
    kept: ArrayLike,
    bridged: ArrayLike,
    choices: Choices,
) -> Floats:
    """Storage modulus at the stated frequency under the chosen rheology.

    Parameters
    ----------
    network : array_like
        Modulus of the network [Pa].
    viscosity : array_like
        Loss modulus over angular frequency [Pa·s].
    progress, kept, bridged : array_like
        Network formed, share left by lysis, and how near the gel point is, 0 to 1 [-].
    choices : Choices

    Returns
    -------
    ndarray
        [Pa].
    """
    g = np.asarray(network, dtype=float)
    if choices.rheology == "kelvin_voigt":
        return g
    pot, _, _ = _pot(viscosity, progress, kept, bridged, choices.frequency)
    out: Floats = np.hypot(g, pot)
    return out


def material(
    network: float, viscosity: float, progress: float, kept: float, bridged: float, choices: Choices
) -> Material:
    """The linear material of a sample.

    Parameters
    ----------
    network, viscosity : float
        Modulus of the network [Pa], loss modulus over angular frequency [Pa·s].
    progress, kept, bridged : float
        Network formed, share left by lysis, and how near the gel point is, 0 to 1 [-].
    choices : Choices

    Returns
    -------
    Material

    Notes
    -----
    Both rheologies have the same loss modulus at the stated frequency. In a critical gel it moves from a dashpot to a
    spring-pot as the gel point comes near, so that at the gel point the spring-pot is alone and the loss tangent does
    not depend on frequency (Winter & Chambon 1986, J Rheol 30:367, from memory). Beyond it a spring joins, and the
    order falls with the square of the network's progress (a choice). The storage modulus is that of network and
    spring-pot, added in squares, so that the spring is zero at the gel point and the spring-pot hardly counts in the
    set clot (a choice). Before the gel point the mixture of dashpot and spring-pot only fills in the time.
    """
    if choices.rheology == "kelvin_voigt":
        return Material(network, viscosity)
    f = choices.frequency
    pot, order, share = (float(x) for x in _pot(viscosity, progress, kept, bridged, f))
    whole = math.hypot(network, pot)
    spring = network * network / (whole + pot) if whole > 0 else 0.0
    size = pot / math.cos(order * math.pi / 2.0) / (2.0 * math.pi * f) ** order
    return Material(spring, viscosity=viscosity * (1.0 - share), pot=size, order=order)
