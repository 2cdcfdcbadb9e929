"""The Stokes operator of a closed cylindrical well, and its Krylov space for one force and one beam.

The axisymmetric, divergence-free movement is written with a stream function psi,
``u_r = -psi_z / r``, ``u_z = psi_r / r``, on tensor-product splines with continuous derivatives. Incompressibility then
holds exactly, there is no pressure, and the operator is symmetric, positive definite and banded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.errors import InputError
from stanch.mechanics.mesh import SplineSpace

__all__ = ["KrylovSpace", "StokesOperator", "Top", "Wall", "beam_nodes"]

Floats = NDArray[np.float64]
Top = Literal["rigid", "slip", "free"]
Wall = Literal["bonded", "slip"]
SHIFT = 2.0e7
"""Pole of the Krylov space [1/m^2], about (0.2 mm)^-2. Between the static response (0) and the first instants (large);
with it the accuracy asked for takes 10 to 30 % fewer rows than without."""

MOST_ENTRIES = 25_000_000
"""Of the band matrix [-]: 200 MB."""

TOP_DROP: dict[Top, int] = {"rigid": 2, "slip": 1, "free": 0}


def beam_nodes(beam_radius: float, well_radius: float, order: int) -> tuple[Floats, Floats]:
    """Radii and weights that average over the tracking beam.

    Parameters
    ----------
    beam_radius : float
        w in exp(-r^2/w^2) [m].
    well_radius : float
        Where the sample ends [m].
    order : int
        Degree of the Laguerre polynomial in r^2/w^2 [-].

    Returns
    -------
    radius : ndarray, shape (node,)
        [m].
    weight : ndarray, shape (node,)
        For order 0 they sum to 1 [-].
    """
    end = min((well_radius / beam_radius) ** 2, 40.0)
    node, weight = np.polynomial.legendre.leggauss(80)
    x = 0.5 * end * (node + 1.0)
    mass = weight * np.exp(-x)
    mass /= mass.sum()
    return beam_radius * np.sqrt(x), mass * np.polynomial.laguerre.lagval(x, np.eye(order + 1)[order])


@dataclass(frozen=True)
class StokesOperator:
    """Galerkin matrices of one well.

    Parameters
    ----------
    radial, axial : SplineSpace
        Factors of the stream function.
    stiffness : tuple of (ndarray, ndarray)
        Pairs whose Kronecker products sum to the symmetric-gradient form [1/m^3].
    mass : tuple of (ndarray, ndarray)
        Pairs whose Kronecker products sum to the inner product of the movement [1/m].
    """

    radial: SplineSpace
    axial: SplineSpace
    stiffness: tuple[tuple[Floats, Floats], ...]
    mass: tuple[tuple[Floats, Floats], ...]

    @classmethod
    def of_well(cls, radial_knots: Floats, axial_knots: Floats, top: Top, wall: Wall = "bonded") -> StokesOperator:
        """Assemble for no slip on the base and a `top` that is rigid, slips without friction, or is free.

        Parameters
        ----------
        radial_knots, axial_knots : ndarray, shape (knot,)
            From the axis to the wall, from the base to the top [m].
        top : str
            ``rigid``, ``slip`` or ``free``.
        wall : str
            ``bonded`` (no slip) or ``slip`` (impermeable, without friction).

        Notes
        -----
        With alpha = phi/r and beta = phi'/r the strain rates of psi = phi(r) chi(z) are -alpha' chi',
        -(alpha/r) chi', beta chi' and (beta' chi - alpha chi'')/2; the form is 2 eps:eps, integrated with r dr dz.
        Zero flux through every cross-section makes psi vanish on axis and wall alike.
        """
        radial = SplineSpace(radial_knots, (2, 2 if wall == "bonded" else 1))
        axial = SplineSpace(axial_knots, (2, TOP_DROP[top]))
        r, wr = radial.quadrature()
        phi, dphi, ddphi = (radial.values(r, k) for k in range(3))
        alpha, beta = phi / r[:, None], dphi / r[:, None]
        dalpha, dbeta = (dphi - alpha) / r[:, None], (ddphi - beta) / r[:, None]
        z, wz = axial.quadrature()
        chi, dchi, ddchi = (axial.values(z, k) for k in range(3))

        def across(f: Floats, g: Floats) -> Floats:
            return np.asarray((f * (wr * r)[:, None]).T @ g)

        def along(f: Floats, g: Floats) -> Floats:
            return np.asarray((f * wz[:, None]).T @ g)

        hoop = alpha / r[:, None]
        normal = 2.0 * (across(dalpha, dalpha) + across(hoop, hoop) + across(beta, beta))
        mixed_r, mixed_z = across(dbeta, alpha), along(chi, ddchi)
        stiffness = (
            (normal, along(dchi, dchi)),
            (across(dbeta, dbeta), along(chi, chi)),
            (-mixed_r, mixed_z),
            (-mixed_r.T, mixed_z.T),
            (across(alpha, alpha), along(ddchi, ddchi)),
        )
        mass = ((across(alpha, alpha), along(dchi, dchi)), (across(beta, beta), along(chi, chi)))
        return cls(radial, axial, stiffness, mass)

    @property
    def shape(self) -> tuple[int, int]:
        """Unknowns (radial, axial)."""
        return self.radial.size, self.axial.size

    def apply_mass(self, x: Floats) -> Floats:
        """Mass matrix [1/m] times coefficients [m^2] of shape (radial, axial)."""
        out: Floats = np.zeros(self.shape)
        for across, along in self.mass:
            out += across @ x @ along.T
        return out

    def force(self, push_radius: float, push_length: float, focus_height: float) -> Floats:
        """Load [m] of exp(-r^2/a^2 - ((z - zf)/L)^2), shape (radial, axial); a, L and zf in [m]."""
        r, wr = self.radial.quadrature()
        across = (wr * np.exp(-((r / push_radius) ** 2))) @ self.radial.values(r, 1)
        z, wz = self.axial.quadrature()
        along = (wz * np.exp(-(((z - focus_height) / push_length) ** 2))) @ self.axial.values(z)
        return np.outer(across, along)

    def beam(self, beam_radius: float, order: int) -> Floats:
        """Beam average [1/m^2] of the axial movement per radial spline, shape (radial,); `beam_radius` in [m]."""
        r, weight = beam_nodes(beam_radius, float(self.radial.knots[-1]), order)
        return np.asarray((weight / r) @ self.radial.values(r, 1))

    def factorise(self, shift: float = 0.0) -> Floats:
        """Banded Cholesky factor of stiffness + shift mass, `shift` in [1/m^2], smaller dimension innermost."""
        from scipy.linalg import cholesky_banded

        size = self.radial.degree * min(self.shape) * math.prod(self.shape)
        if size > MOST_ENTRIES:
            raise InputError(
                "well and push",
                got=f"a mesh of {self.shape[0]} by {self.shape[1]} splines",
                allowed=f"at most {MOST_ENTRIES} matrix entries, this takes {size}",
                do="Check the units of well_radius, well_depth, push_radius and push_length.",
            )
        swap = self.shape[0] < self.shape[1]
        terms = [*self.stiffness, *((shift * a, b) for a, b in self.mass)]
        pairs = [(b, a) if swap else (a, b) for a, b in terms]
        return np.asarray(cholesky_banded(_banded_kron(pairs, self.radial.degree), lower=True, check_finite=False))

    def solve(self, factor: Floats, load: Floats) -> Floats:
        """Response [m^4] to a load [m] of shape (radial, axial); the static one for a factor without shift."""
        from scipy.linalg import cho_solve_banded

        swap = self.shape[0] < self.shape[1]
        flat = (load.T if swap else load).ravel()
        x = cho_solve_banded((factor, True), flat, check_finite=False)
        return np.ascontiguousarray(x.reshape(self.shape[::-1]).T) if swap else x.reshape(self.shape)


def _banded_kron(pairs: list[tuple[Floats, Floats]], bandwidth: int) -> Floats:
    """Sum of Kronecker products of banded symmetric-structured matrices, in lower banded storage."""
    outer, inner = pairs[0][0].shape[0], pairs[0][1].shape[0]
    band: Floats = np.zeros((bandwidth * inner + bandwidth + 1, outer * inner))
    for step in range(bandwidth + 1):
        for shift in range(-bandwidth if step else 0, bandwidth + 1):
            row = step * inner + shift
            first = max(0, -shift)
            if row < 0 or step >= outer or abs(shift) >= inner:
                continue
            block = sum(np.outer(np.diag(a, -step), np.diag(b, -shift)) for a, b in pairs)
            target = band[row].reshape(outer, inner)
            target[: outer - step, first : first + inner - abs(shift)] += block
    return band


class KrylovSpace:
    """Lanczos iteration on the shifted inverse operator, started from the static response to a force.

    Full reorthogonalisation, twice, in the mass inner product. Whatever the number of rows, their sum reproduces the
    static response exactly.

    Parameters
    ----------
    operator : StokesOperator
    load : ndarray, shape (radial, axial)
        Of the unit-peak force [m].
    """

    def __init__(self, operator: StokesOperator, load: Floats) -> None:
        self.operator = operator
        start = operator.solve(operator.factorise(), load)
        self._factor = operator.factorise(SHIFT)
        mass = operator.apply_mass(start)
        self.scale = float(np.sqrt(np.vdot(start, mass)))
        self._basis: list[Floats] = [(start / self.scale).ravel()]
        self._mass: list[Floats] = [(mass / self.scale).ravel()]
        self._diagonal: list[float] = []
        self._off: list[float] = []
        self.exhausted = False

    @property
    def rows(self) -> int:
        """Rows that are complete."""
        return len(self._diagonal)

    def extend(self, rows: int) -> None:
        """Iterate until `rows` rows are complete or the space is exhausted."""
        shape = self.operator.shape
        while self.rows < rows and not self.exhausted:
            x = self.operator.solve(self._factor, self._mass[-1].reshape(shape)).ravel()
            basis, mass = np.stack(self._basis), np.stack(self._mass)
            overlap = mass @ x
            self._diagonal.append(float(overlap[-1]))
            x -= overlap @ basis
            x -= (mass @ x) @ basis
            weighted = self.operator.apply_mass(x.reshape(shape)).ravel()
            norm = float(np.sqrt(max(float(x @ weighted), 0.0)))
            if norm < 1e-13 * self._diagonal[0]:
                self.exhausted = True
                return
            self._off.append(norm)
            self._basis.append(x / norm)
            self._mass.append(weighted / norm)

    def table(self, rows: int, height: Floats, beams: list[Floats]) -> tuple[Floats, Floats, Floats]:
        """Ritz values and couplings from the first `rows` vectors.

        Parameters
        ----------
        rows : int
            At most the rows completed.
        height : ndarray, shape (depth,)
            Heights above the base [m]; outside the well nothing moves.
        beams : list of ndarray, shape (radial,)
            One per Laguerre order, from :meth:`StokesOperator.beam` [1/m^2].

        Returns
        -------
        eigenvalue : ndarray, shape (row,)
            Ascending [1/m^2].
        force : ndarray, shape (row,)
            Positive [-].
        beam : ndarray, shape (order, row, depth)
            [-].
        """
        off = np.array(self._off[: rows - 1])
        matrix = np.diag(np.array(self._diagonal[:rows])) + np.diag(off, 1) + np.diag(off, -1)
        ritz, vector = np.linalg.eigh(matrix)
        eigenvalue = 1.0 / ritz[::-1] - SHIFT
        vector = vector[:, ::-1] * np.where(vector[0, ::-1] < 0.0, -1.0, 1.0)
        force = self.scale * eigenvalue * vector[0]
        axial = self.operator.axial
        inside = (height >= 0.0) & (height <= axial.knots[-1])
        chi = axial.values(np.clip(height, 0.0, axial.knots[-1])) * inside[:, None]
        basis = np.stack(self._basis[:rows]).reshape(rows, *self.operator.shape)
        seen = np.stack([np.einsum("nij,i,zj->nz", basis, b, chi, optimize=True) for b in beams])
        return eigenvalue, force, np.einsum("nm,knz->kmz", vector, seen)
