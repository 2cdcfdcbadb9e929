"""Movement of a sample in a closed cylindrical well after a push.

The sample is incompressible, so its axisymmetric movement is written through a stream function ``psi = r^2 chi(r, z)``:
``u_z = 2 chi + r chi_r``, ``u_r = -r chi_z``. ``chi`` is a tensor product of B-splines: every field is free of
divergence by construction and no pressure is needed. All modes of the discrete operator are found by one dense
symmetric eigen-solve; none is left out, so no static completion is needed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.recording.records import Geometry
from stanch.virtual.material import Material
from stanch.virtual.relaxance import mode_response

__all__ = ["WellModes", "material_response", "push_response", "well_eigenvalues", "well_modes"]

Floats = NDArray[np.float64]
Wall = Literal["bonded", "slip"]

_DEGREE = 5
_MOST_FUNCTIONS = 6000  # 0.3 GB per matrix
_MOST_VALUES = 60_000_000  # of the fields of all modes, 0.5 GB


@dataclass(frozen=True)
class WellModes:
    """The modes of one well, and the movement around the beam that a push can cause.

    The movement along the beam at a grid point is ``F / rho * sum_m (q @ mixing)[m] axial[m]`` with
    ``q_n = force_n h_n(t)``.

    Parameters
    ----------
    eigenvalue : ndarray, shape (mode,)
        Of the Stokes operator, ascending [1/m^2].
    force : ndarray, shape (mode,)
        Coupling of the unit-peak push to the mode, direction away from the transducer [-].
    radius : ndarray, shape (radius,)
        Even grid from the axis [m].
    depth : ndarray, shape (depth,)
        Even grid of beam positions, 0 at the focus, ascending, clipped to the well [m].
    mixing : ndarray, shape (mode, field)
        How the modes combine to the fields that matter [-].
    axial, radial : ndarray, shape (field, radius, depth)
        Movement away from the transducer, and away from the axis [-].
    beam : ndarray, shape (2, mode, depth)
        Mean of the axial movement of the modes over the beam, weighted by the Laguerre polynomials of order 0 and 1
        of r^2/w^2 [-].
    """

    eigenvalue: Floats
    force: Floats
    radius: Floats
    depth: Floats
    mixing: Floats
    axial: Floats
    radial: Floats
    beam: Floats


@dataclass(frozen=True)
class _Line:
    """One-dimensional spline basis at its quadrature points: values and two derivatives, shape (point, function)."""

    x: Floats
    weight: Floats
    value: Floats
    first: Floats
    second: Floats
    knots: Floats
    keep: slice

    def at(self, x: ArrayLike) -> tuple[Any, Any]:
        """Values and first derivatives at other points."""
        splines = _splines(self.knots)
        return splines(np.asarray(x))[:, self.keep], splines.derivative()(np.asarray(x))[:, self.keep]


def _splines(knots: Floats) -> Any:
    from scipy.interpolate import BSpline

    return BSpline(knots, np.eye(knots.size - _DEGREE - 1), _DEGREE)


def _line(breaks: Floats, drop_first: int, drop_last: int) -> _Line:
    knots = np.concatenate([np.repeat(breaks[0], _DEGREE), breaks, np.repeat(breaks[-1], _DEGREE)])
    node, weight = np.polynomial.legendre.leggauss(_DEGREE + 3)
    half = np.diff(breaks)[:, None] / 2
    x = (breaks[:-1, None] + half * (1 + node)).ravel()
    splines = _splines(knots)
    keep = slice(drop_first, knots.size - _DEGREE - 1 - drop_last)
    return _Line(
        x,
        (half * weight).ravel(),
        splines(x)[:, keep],
        splines.derivative(1)(x)[:, keep],
        splines.derivative(2)(x)[:, keep],
        knots,
        keep,
    )


def _breaks(low: float, high: float, centre: float, finest: float, coarsest: float) -> Floats:
    """Break points that are `finest` apart at `centre` and grow by a fifth per element away from it."""

    def away(length: float) -> Floats:
        if length <= 0:
            return np.zeros(1)
        steps = [0.0]
        size = finest
        while steps[-1] < length:
            steps.append(steps[-1] + min(size, coarsest))
            size *= 1.2
        x: Floats = np.array(steps)
        x *= length / x[-1]
        return x

    left, right = away(centre - low), away(high - centre)
    return np.concatenate([centre - left[::-1], centre + right[1:]])


def _operator(r: _Line, z: _Line) -> tuple[Floats, Floats]:
    """Stiffness and mass matrices of twice the strain squared and of the movement squared."""

    def product(a: Floats, b: Floats, line: _Line, weight: Floats | float = 1.0) -> Floats:
        out: Floats = a.T @ ((line.weight * weight)[:, None] * b)
        return out

    x = r.x[:, None]
    axial = 2 * r.value + x * r.first  # u_z, and the z derivative with chi_z
    shear = 3 * r.first + x * r.second  # d u_z / dr
    stretch = r.value + x * r.first  # - d u_r / dr with chi_z
    lateral = x * r.value  # - u_r with chi_z
    z00, z11, z22 = product(z.value, z.value, z), product(z.first, z.first, z), product(z.second, z.second, z)
    z02 = product(z.value, z.second, z)
    strain = 2 * (product(axial, axial, r, r.x) + product(stretch, stretch, r, r.x) + product(r.value, r.value, r, r.x))
    cross = np.kron(product(shear, lateral, r, r.x), z02)
    stiffness = np.kron(product(shear, shear, r, r.x), z00) + np.kron(strain, z11)
    stiffness += np.kron(product(lateral, lateral, r, r.x), z22) - cross - cross.T
    mass = np.kron(product(axial, axial, r, r.x), z00) + np.kron(product(lateral, lateral, r, r.x), z11)
    return stiffness, mass


def _solve(geometry: Geometry, wall: Wall, refine: float) -> tuple[_Line, _Line, Floats, Floats]:
    from scipy.linalg import eigh

    if wall not in ("bonded", "slip"):
        raise InputError("wall", got=wall, allowed="bonded, slip")
    radius, depth = geometry.well_radius, geometry.well_depth
    fine_r = min(geometry.push_radius, radius / 5) / (4.0 * refine)
    fine_z = min(geometry.push_length, depth / 4) / (5.0 * refine)
    r = _line(_breaks(0.0, radius, 0.0, fine_r, radius / (14 * refine)), 0, 2 if wall == "bonded" else 1)
    z = _line(
        _breaks(0.0, depth, geometry.focus_height, fine_z, depth / (24 * refine)),
        2,
        2 if geometry.lid == "rigid" else 0,
    )
    size = r.value.shape[1] * z.value.shape[1]
    if size > _MOST_FUNCTIONS:
        raise InputError(
            "push_radius or push_length",
            got=f"a well that needs {size} functions",
            allowed=f"up to {_MOST_FUNCTIONS}",
            do="Make the push wider or longer, or the well smaller.",
        )
    stiffness, mass = _operator(r, z)
    eigenvalue, vector = eigh(stiffness, mass, overwrite_a=True, overwrite_b=True, check_finite=False)
    return r, z, eigenvalue, vector


def well_eigenvalues(geometry: Geometry, count: int = 6, *, wall: Wall = "bonded", refine: float = 1.0) -> Floats:
    """Lowest eigenvalues of the Stokes operator of a well.

    Parameters
    ----------
    geometry : Geometry
        The well; push and focus only place the elements.
    count : int
        How many [-].
    wall : str
        ``bonded`` (no slip) or ``slip`` (frictionless, impermeable side wall).
    refine : float
        Elements per length relative to the default [-].

    Returns
    -------
    ndarray, shape (count,)
        Ascending [1/m^2].
    """
    lowest: Floats = _solve(geometry, wall, refine)[2][:count]
    return lowest


@lru_cache(maxsize=16)
def well_modes(
    geometry: Geometry,
    first_depth: float,
    last_depth: float,
    *,
    wall: Wall = "bonded",
    reach: float = 3.0,
    refine: float = 1.0,
) -> WellModes:
    """All modes of a well and the movement around its beam.

    Parameters
    ----------
    geometry : Geometry
        The well, the push and the beam.
    first_depth, last_depth : float
        Part of the beam wanted, 0 at the focus, positive away from the transducer [m]; clipped to the well.
    wall : str
        ``bonded`` (no slip) or ``slip`` (frictionless, impermeable side wall: a clot that has let go).
    reach : float
        Outermost radius of the grid in beam radii [-].
    refine : float
        Elements and grid points per length relative to the default [-].

    Returns
    -------
    WellModes
    """
    r, z, eigenvalue, vector = _solve(geometry, wall, refine)
    sign = 1.0 if geometry.beam_from == "base" else -1.0
    shape = (r.value.shape[1], z.value.shape[1], eigenvalue.size)
    # Scaled by the size of the well, so that force and fields are pure numbers.
    volume = geometry.well_radius**2 * geometry.well_depth
    coefficient = np.sqrt(volume) * vector.reshape(shape)

    push_r = (2 * r.value + r.x[:, None] * r.first).T @ (r.weight * r.x * np.exp(-((r.x / geometry.push_radius) ** 2)))
    push_z = z.value.T @ (z.weight * np.exp(-(((z.x - geometry.focus_height) / geometry.push_length) ** 2)))
    force = sign / volume * np.einsum("i,j,ijn->n", push_r, push_z, coefficient, optimize=True)

    low = -geometry.focus_height if sign > 0 else geometry.focus_height - geometry.well_depth
    start, end = max(first_depth, low), min(last_depth, low + geometry.well_depth)
    if not end > start:
        raise InputError("recorded line", got=(first_depth, last_depth), allowed="a line that crosses the sample [m]")
    depth = np.linspace(start, end, 1 + int(np.ceil((end - start) * refine / (0.07 * geometry.push_length))) + 2)
    outer = min(reach * geometry.beam_radius, geometry.well_radius)
    radius = np.linspace(0.0, outer, 3 + int(np.ceil(outer * refine / (0.075 * geometry.push_radius))))
    if eigenvalue.size * depth.size * radius.size > _MOST_VALUES:
        raise InputError(
            "recorded line",
            got=f"{depth.size} steps of depth",
            allowed=f"up to {_MOST_VALUES // (eigenvalue.size * radius.size)}",
            do="Make the push longer or the line shorter.",
        )
    z_value, z_first = z.at(np.clip(geometry.focus_height + sign * depth, 0.0, geometry.well_depth))
    along_z = np.einsum("zj,ijn->inz", z_value, coefficient, optimize=True)
    slope_z = np.einsum("zj,ijn->inz", z_first, coefficient, optimize=True)

    r_value, r_first = r.at(radius)
    axial = sign * np.einsum("ri,inz->nrz", 2 * r_value + radius[:, None] * r_first, along_z, optimize=True)
    radial = -np.einsum("ri,inz->nrz", radius[:, None] * r_value, slope_z, optimize=True)
    return _compress(eigenvalue, force, radius, depth, axial, radial, sign * _beam_mean(r, geometry, along_z))


def _beam_mean(r: _Line, geometry: Geometry, along_z: Floats) -> Floats:
    """Mean of u_z over the beam for Laguerre orders 0 and 1, shape (2, mode, depth)."""
    node, weight = np.polynomial.legendre.leggauss(60)
    outer = min(6.0 * geometry.beam_radius, geometry.well_radius)
    x = outer * (1 + node) / 2
    value, first = r.at(x)
    s = (x / geometry.beam_radius) ** 2
    density = weight * x * np.exp(-s)
    density /= density.sum()
    axial = 2 * value + x[:, None] * first
    return np.stack([np.einsum("i,inz->nz", axial.T @ (density * k), along_z, optimize=True) for k in (1.0, 1.0 - s)])


def _compress(
    eigenvalue: Floats, force: Floats, radius: Floats, depth: Floats, axial: Floats, radial: Floats, beam: Floats
) -> WellModes:
    """Drop modes that no push can show and find the few fields that span the movement."""
    peak = np.abs(axial).max(axis=(1, 2))
    share = np.abs(force) * peak / np.sqrt(eigenvalue)
    keep = share > 1e-7 * share.max()
    eigenvalue, force, axial, radial, beam = eigenvalue[keep], force[keep], axial[keep], radial[keep], beam[:, keep]
    flat = np.concatenate([axial.reshape(force.size, -1), radial.reshape(force.size, -1)], axis=1)
    scale = np.abs(force) / np.sqrt(eigenvalue)
    left, size, right = np.linalg.svd(scale[:, None] * flat, full_matrices=False)
    rank = int(np.count_nonzero(size > 2e-6 * size[0]))
    fields = right[:rank].reshape(rank, 2, radius.size, depth.size)
    mixing = left[:, :rank] * size[:rank] / scale[:, None]
    return WellModes(eigenvalue, force, radius, depth, mixing, fields[:, 0].copy(), fields[:, 1].copy(), beam)


def push_response(
    eigenvalue: Floats, time: ArrayLike, modulus: float, viscosity: float, density: float, duration: float
) -> Floats:
    """Movement of each mode after a push of unit modal force, by the complex roots of its equation.

    ``q'' + (eta lambda / rho) q' + (G lambda / rho) q = 1`` during the push and 0 after it, from rest.

    Parameters
    ----------
    eigenvalue : ndarray, shape (mode,)
        [1/m^2].
    time : array_like, shape (frame,)
        From the start of the push [s]; nothing has moved at or before 0.
    modulus : float
        G [Pa].
    viscosity : float
        eta [Pa·s].
    density : float
        rho [kg/m^3].
    duration : float
        Of the push [s].

    Returns
    -------
    ndarray, shape (mode, frame)
        [s^2].

    Examples
    --------
    >>> round(float(push_response(np.array([0.0]), [1e-3], 0.0, 0.0, 1000.0, 1e-3)[0, 0]), 12)
    5e-07
    """
    t = np.asarray(time, dtype=float)
    damping = viscosity * eigenvalue / (2 * density)
    stiffness = modulus * eigenvalue / density
    root = np.sqrt((damping**2 - stiffness).astype(complex))
    # A double root is split symmetrically; the error is of second order in the split.
    smallest = 1e-5 * np.maximum(np.sqrt(stiffness + damping**2), 1e-2 / max(duration, 1e-9))
    root = np.where(np.abs(root) < smallest, smallest, root)
    fast: NDArray[Any] = -damping - root
    slow: NDArray[Any] = stiffness / fast
    slow = np.where(np.abs(slow - fast) < smallest, -damping + root, slow)
    total = np.zeros((eigenvalue.size, t.size), dtype=complex)
    roots: list[tuple[float, Any]] = [(1.0, slow), (-1.0, fast)]
    ends, which = np.unique(np.clip(t, 0.0, duration), return_inverse=True)
    rest = np.maximum(t - duration, 0.0)
    for sign, s in roots:
        total += sign * np.exp(s[:, None] * rest) * _integral(s[:, None], ends[None, :])[:, which]
    out: Floats = (total / (slow - fast)[:, None]).real
    return out


def material_response(
    eigenvalue: Floats, time: ArrayLike, material: Material, density: float, duration: float
) -> Floats:
    """Movement of each mode after a push of unit modal force, for any linear material.

    Parameters
    ----------
    eigenvalue : ndarray, shape (mode,)
        [1/m^2].
    time : array_like, shape (frame,)
        From the start of the push [s]; nothing has moved at or before 0.
    material : Material
    density : float
        [kg/m^3].
    duration : float
        Of the push [s].

    Returns
    -------
    ndarray, shape (mode, frame)
        [s^2].

    Notes
    -----
    A spring and a dashpot go through :func:`push_response`, everything else through
    :func:`~stanch.virtual.relaxance.mode_response`, which gives the same for a spring and a dashpot.
    """
    if material.kelvin_voigt:
        return push_response(eigenvalue, time, material.equilibrium, material.viscosity, density, duration)
    return mode_response(eigenvalue, time, material, density, duration)


def _integral(s: NDArray[np.complex128], t: Floats) -> NDArray[np.complex128]:
    """Integral of exp(s x) over x from 0 to t."""
    x = s * t
    small = np.abs(x) < 1e-8
    safe = np.where(small, 1.0, s)
    out: NDArray[np.complex128] = np.where(small, t * (1 + x / 2), np.expm1(np.where(small, 0.0, x)) / safe)
    return out


def filled_to(geometry: Geometry, height: float) -> Geometry:
    """The geometry of a well that is filled only to a height: shallower, with a free surface."""
    return replace(geometry, well_depth=height, lid="free")
