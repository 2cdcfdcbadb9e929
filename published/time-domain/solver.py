"""An independent solution of the push in a closed well: staggered grid, velocity and pressure, time stepping.

Shares nothing with the spectral table: finite volumes instead of splines, velocity and pressure instead of a stream
function, steps in time (average acceleration) instead of modes. Needs NumPy and SciPy only.

    python published/time-domain/solver.py            writes traces.csv anew
"""

from __future__ import annotations

import csv
import math
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

HERE = Path(__file__).parent
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One well, push, beam and medium; SI units."""

    name: str
    radius: float
    depth: float
    focus: float
    lid: str
    push_radius: float
    push_length: float
    beam_radius: float
    modulus: float
    viscosity: float
    density: float
    push_duration: float


def cases() -> list[Case]:
    """Every well of cases.toml with every medium it names."""
    document = tomllib.loads((HERE / "cases.toml").read_text(encoding="utf-8"))
    common = document["common"]
    found = []
    for well in document["well"]:
        media = well.pop("media")
        for modulus, viscosity in media:
            found.append(Case(**{**common, **well}, modulus=modulus, viscosity=viscosity))
    return found


class Grid:
    """Faces, centres and the discrete operators of a cylinder; radial faces crowd towards the axis."""

    def __init__(self, case: Case, radial: int, axial: int) -> None:
        crowd = 1.6
        self.rf = case.radius * np.sinh(crowd * np.linspace(0, 1, radial + 1)) / math.sinh(crowd)
        self.zf = np.linspace(0.0, case.depth, axial + 1)
        self.rc = 0.5 * (self.rf[1:] + self.rf[:-1])
        self.zc = 0.5 * (self.zf[1:] + self.zf[:-1])
        self.dr, self.dz = np.diff(self.rf), np.diff(self.zf)
        self.free = case.lid == "free"
        self.nr, self.nz = radial, axial
        self.ur_shape = (radial - 1, axial)
        self.uz_shape = (radial, axial if self.free else axial - 1)
        self._assemble()

    def _assemble(self) -> None:
        nr, nz = self.nr, self.nz
        inner = sparse.eye(nr + 1).tocsr()[:, 1:nr]
        moving = sparse.eye(nz + 1).tocsr()[:, 1 : nz + 1 if self.free else nz]
        step_r = sparse.diags([-np.ones(nr), np.ones(nr)], [0, 1], shape=(nr, nr + 1))
        step_z = sparse.diags([-np.ones(nz), np.ones(nz)], [0, 1], shape=(nz, nz + 1))
        eye_r, eye_z = sparse.eye(nr), sparse.eye(nz)

        def weigh(x: Floats, y: Floats) -> Any:
            return sparse.diags(np.outer(x, y).ravel())

        # Volumes of the cells around each unknown and around each corner.
        dual_r = np.concatenate([[self.dr[0] / 2], (self.dr[1:] + self.dr[:-1]) / 2, [self.dr[-1] / 2]])
        dual_z = np.concatenate([[self.dz[0] / 2], (self.dz[1:] + self.dz[:-1]) / 2, [self.dz[-1] / 2]])
        ring = self.rc * self.dr
        tall = dual_z[1:] if self.free else dual_z[1:-1]
        mass_r = np.outer((self.rf * dual_r)[1:-1], self.dz).ravel()
        mass_z = np.outer(ring, tall).ravel()
        self.mass = np.concatenate([mass_r, mass_z])
        # Strain rates: along r and z in the cells, around the axis on the radial faces, shear on the corners.
        e_rr = sparse.kron(sparse.diags(1 / self.dr) @ step_r @ inner, eye_z)
        e_tt = sparse.diags(np.outer(1 / self.rf[1:-1], np.ones(nz)).ravel())
        e_zz = sparse.kron(eye_r, sparse.diags(1 / self.dz) @ step_z @ moving)
        gap_z = np.concatenate([[self.dz[0] / 2], np.diff(self.zc), [self.dz[-1] / 2]])
        gap_r = np.concatenate([[1.0], np.diff(self.rc), [self.dr[-1] / 2]])
        jump_z = sparse.diags(1 / gap_z) @ sparse.diags([np.ones(nz), -np.ones(nz)], [0, -1], shape=(nz + 1, nz))
        jump_r = sparse.diags(1 / gap_r) @ sparse.diags([np.ones(nr), -np.ones(nr)], [0, -1], shape=(nr + 1, nr))
        shear = sparse.hstack([sparse.kron(inner, jump_z), sparse.kron(jump_r, moving)]).tocsr()
        around = dual_z.copy()
        if self.free:
            around[-1] = 0.0  # no shear stress on the free top
        corner = weigh(self.rf * dual_r, around)
        ur, uz = e_rr.shape[1], e_zz.shape[1]
        pad_r, pad_z = sparse.csr_matrix((nr * nz, uz)), sparse.csr_matrix((nr * nz, ur))
        rr = sparse.hstack([e_rr, pad_r]).tocsr()
        zz = sparse.hstack([pad_z, e_zz]).tocsr()
        tt = sparse.hstack([e_tt, sparse.csr_matrix((ur, uz))]).tocsr()
        cell = weigh(ring, self.dz)
        self.stiffness = (
            2 * (rr.T @ cell @ rr + zz.T @ cell @ zz + tt.T @ sparse.diags(mass_r) @ tt) + shear.T @ corner @ shear
        ).tocsc()
        out_r = sparse.kron(step_r @ sparse.diags(self.rf) @ inner, sparse.diags(self.dz))
        out_z = sparse.kron(sparse.diags(ring), step_z @ moving)
        self.divergence = sparse.hstack([out_r, out_z]).tocsr()


def solve(case: Case, depths: Floats, steps: int, dt: float, radial: int, spacing: float) -> Floats:
    """Beam-weighted movement per unit peak force [m^4/N] at depths [m] after every step, shape (depth, step)."""
    grid = Grid(case, radial, round(case.depth / spacing))
    velocity = grid.mass.size
    keep = np.arange(grid.nr * grid.nz) if grid.free else np.arange(1, grid.nr * grid.nz)
    div = grid.divergence[keep]
    inertia = case.density / dt * grid.mass
    implicit = sparse.diags(inertia) + (case.viscosity / 2 + case.modulus * dt / 4) * grid.stiffness
    scale = float(implicit.diagonal().mean() / np.abs(div.data).mean())
    system = sparse.bmat([[implicit, scale * div.T], [scale * div, None]]).tocsc()
    factor = splu(system)
    z = grid.zf[1:] if grid.free else grid.zf[1:-1]
    profile = np.outer(
        np.exp(-((grid.rc / case.push_radius) ** 2)), np.exp(-(((z - case.focus) / case.push_length) ** 2))
    )
    load = np.concatenate([np.zeros(math.prod(grid.ur_shape)), profile.ravel()]) * grid.mass
    beam = np.exp(-((grid.rf[:-1] / case.beam_radius) ** 2)) - np.exp(-((grid.rf[1:] / case.beam_radius) ** 2))
    beam /= beam.sum()
    at = [int(np.argmin(np.abs(z - case.focus - d))) for d in depths]
    if np.abs(z[at] - case.focus - depths).max() > 1e-9:
        raise ValueError(f"depths {depths} do not lie on a grid of spacing {spacing} m")
    u, v = np.zeros(velocity), np.zeros(velocity)
    seen = np.empty((depths.size, steps))
    rest = np.zeros(keep.size)
    for step in range(steps):
        pushing = 1.0 if (step + 0.5) * dt < case.push_duration else 0.0
        middle = case.modulus * (u + dt / 4 * v) + case.viscosity / 2 * v
        right = inertia * v - grid.stiffness @ middle + pushing * load
        new = factor.solve(np.concatenate([right, rest]))[:velocity]
        u += dt / 2 * (v + new)
        v = new
        seen[:, step] = beam @ u[-math.prod(grid.uz_shape) :].reshape(grid.uz_shape)[:, at]
    return seen


def extrapolated(
    case: Case, depths: Floats, steps: int, dt: float, radial: int, spacing: float
) -> tuple[Floats, Floats]:
    """Richardson extrapolation from this grid and one twice as coarse, and the change it makes over the peak."""
    fine = solve(case, depths, steps, dt, radial, spacing)
    coarse = solve(case, depths, steps, dt, radial // 2, 2 * spacing)
    best = (4 * fine - coarse) / 3
    return best, np.asarray(np.abs(best - fine).max() / np.abs(best).max())


def main() -> None:
    """Write traces.csv."""
    document = tomllib.loads((HERE / "cases.toml").read_text(encoding="utf-8"))
    grid = document["grid"]
    depths = np.array(grid["depth"])
    every = round(grid["frame_interval"] / grid["step"])
    steps = grid["frames"] * every
    with (HERE / "traces.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        head = ["well", "modulus_pa", "viscosity_pa_s", "depth_m", "extrapolated_by"]
        writer.writerow([*head, *(f"t{(k + 1) * grid['frame_interval'] * 1e6:.0f}_us" for k in range(grid["frames"]))])
        for case in cases():
            seen, change = extrapolated(case, depths, steps, grid["step"], grid["radial_cells"], grid["axial_spacing"])
            print(case.name, case.modulus, case.viscosity, f"{float(change):.1e}", file=sys.stderr)
            for d, row in zip(depths, seen[:, every - 1 :: every], strict=True):
                values = [f"{value:.6e}" for value in row]
                writer.writerow([case.name, case.modulus, case.viscosity, d, f"{float(change):.1e}", *values])


if __name__ == "__main__":
    main()
