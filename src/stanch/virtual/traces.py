"""Displacement traces without echoes: the movement under the beam with the speckle's deviation and noise added.

For studies of thousands of runs, where making echoes would take too long.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.recording.records import Geometry
from stanch.virtual.material import Material
from stanch.virtual.medium import material_response, well_modes

__all__ = ["Gate", "Traces", "drifting_link", "gate", "traces"]

Floats = NDArray[np.float64]
Link = Literal["fresh", "frozen"]


@dataclass(frozen=True)
class Gate:
    """How the modes of a well are seen through one tracking gate.

    Parameters
    ----------
    eigenvalue : ndarray, shape (mode,)
        [1/m^2].
    weight : ndarray, shape (2, mode)
        Coupling of push and gate through the mode, for Laguerre orders 0 and 1 of r^2/w^2 [-].
    """

    eigenvalue: Floats
    weight: Floats

    def response(
        self, frame_time: ArrayLike, modulus: float, viscosity: float, density: float, push_duration: float
    ) -> Floats:
        """Movement per unit of force density, of a spring and a dashpot.

        Parameters
        ----------
        frame_time : array_like, shape (frame,)
            From the start of the push [s].
        modulus, viscosity, density, push_duration : float
            [Pa], [Pa·s], [kg/m^3], [s].

        Returns
        -------
        ndarray, shape (2, frame)
            D0 and D1 [m·m^3/N].
        """
        return self.material_response(frame_time, Material(modulus, viscosity=viscosity), density, push_duration)

    def material_response(
        self, frame_time: ArrayLike, material: Material, density: float, push_duration: float
    ) -> Floats:
        """Movement per unit of force density, of any linear material.

        Parameters
        ----------
        frame_time : array_like, shape (frame,)
            From the start of the push [s].
        material : Material
        density, push_duration : float
            [kg/m^3], [s].

        Returns
        -------
        ndarray, shape (2, frame)
            D0 and D1 [m·m^3/N].
        """
        q = material_response(self.eigenvalue, frame_time, material, density, push_duration)
        out: Floats = self.weight @ q / density
        return out


def gate(geometry: Geometry, first: float, last: float, *, profile: ArrayLike | None = None) -> Gate:
    """See a well through a tracking gate.

    Parameters
    ----------
    geometry : Geometry
    first, last : float
        Ends of the gate along the beam, 0 at the focus [m].
    profile : array_like, optional
        Echo energy at even steps from `first` to `last` [-]; even by default.

    Returns
    -------
    Gate
    """
    if not last > first:
        raise InputError("gate", got=(first, last), allowed="first below last [m]")
    modes = well_modes(geometry, first, last)
    depth = modes.depth
    energy = np.ones(depth.size)
    if profile is not None:
        given = np.asarray(profile, dtype=float)
        energy = np.interp(depth, np.linspace(first, last, given.size), given)
    # Trapezium rule on the even grid.
    share = energy.copy()
    share[[0, -1]] *= 0.5
    seen = modes.beam @ (share / share.sum()) * modes.force
    size = np.abs(seen).max(axis=0) / np.sqrt(modes.eigenvalue)
    keep = size > 1e-6 * size.max()
    return Gate(modes.eigenvalue[keep], seen[:, keep])


def drifting_link(pushes: int, memory: float) -> Floats:
    """Squared coherence of the speckle of two pushes that falls exponentially with their distance.

    Parameters
    ----------
    pushes : int
        [-].
    memory : float
        Pushes over which it falls to 1/e [-].

    Returns
    -------
    ndarray, shape (push, push)
        [-].
    """
    k = np.arange(pushes)
    out: Floats = np.exp(-np.abs(k[:, None] - k) / memory)
    return out


@dataclass(frozen=True)
class Traces:
    """Displacement traces and what was put in.

    Parameters
    ----------
    displacement, clean : ndarray, shape (push, frame)
        With and without noise [m].
    deviation : ndarray, shape (push,)
        delta of the speckle [-].
    """

    displacement: Floats
    clean: Floats
    deviation: Floats


def traces(
    seen: Gate,
    frame_time: ArrayLike,
    modulus: ArrayLike | Sequence[Material],
    viscosity: ArrayLike | None,
    force: ArrayLike,
    *,
    density: float,
    push_duration: float,
    noise: float,
    rng: np.random.Generator,
    speckle_cells: float | None = None,
    link: Link | Floats = "frozen",
    reference_frames: int = 1,
) -> Traces:
    """Traces of many pushes of one well.

    Parameters
    ----------
    seen : Gate
    frame_time : array_like, shape (frame,)
        Of the frames after the reference frames, from the start of the push [s].
    modulus : array_like or sequence of Material, shape (push,)
        Of springs [Pa]; or the whole material of each push.
    viscosity, force : array_like, shape (push,)
        [Pa·s], None beside materials; [N/m^3].
    density, push_duration : float
        [kg/m^3], [s].
    noise : float
        Standard deviation of one frame [m].
    rng : Generator
    speckle_cells : float, optional
        M, independent cells in the gate [-]; the deviation has the variance 1/(2 (M - 1)). Without it there is none.
    link : str or ndarray, shape (push, push)
        ``fresh`` (a new deviation at each push), ``frozen`` (one for all) or the squared coherence of two pushes [-].
    reference_frames : int
        Frames that the reference line averages; its noise is common to all frames of a push [-].

    Returns
    -------
    Traces

    Notes
    -----
    ``d = F (D0 + delta D1) + noise``, covariance of the noise ``noise^2 (I + 1 1^T / reference_frames)``.
    """
    materials = _materials(modulus, viscosity)
    pushes = max(len(materials), np.size(force))
    if {len(materials), np.size(force)} - {1, pushes}:
        raise InputError("force", got=np.size(force), allowed=f"one, or one for each of {len(materials)} pushes")
    materials = materials * (pushes // len(materials))
    f = np.broadcast_to(np.asarray(force, dtype=float), pushes)
    delta = np.zeros(pushes)
    if speckle_cells is not None:
        if not speckle_cells > 1:
            raise InputError("speckle_cells", got=speckle_cells, allowed="above 1")
        delta = _deviations(rng, pushes, link) / np.sqrt(2.0 * (speckle_cells - 1.0))
    each = {m: seen.material_response(frame_time, m, density, push_duration) for m in dict.fromkeys(materials)}
    responses = np.stack([each[m] for m in materials])
    clean = f[:, None] * (responses[:, 0] + delta[:, None] * responses[:, 1])
    own = rng.standard_normal(clean.shape)
    shared = rng.standard_normal((pushes, 1)) / np.sqrt(reference_frames)
    return Traces(clean + noise * (own + shared), clean, delta)


def _materials(modulus: ArrayLike | Sequence[Material], viscosity: ArrayLike | None) -> list[Material]:
    """The material of every push, or one for all."""
    given: list[Any] = list(modulus) if isinstance(modulus, Sequence) else []
    if given and all(isinstance(m, Material) for m in given):
        if viscosity is not None:
            raise InputError("viscosity", got=viscosity, allowed="None: materials have their own")
        return given
    if viscosity is None:
        raise InputError("viscosity", got=None, allowed="a number beside moduli [Pa·s]")
    g, eta = np.broadcast_arrays(*(np.atleast_1d(np.asarray(x, dtype=float)) for x in (modulus, viscosity)))
    return [Material(float(a), viscosity=float(b)) for a, b in zip(g, eta, strict=True)]


def _deviations(rng: np.random.Generator, pushes: int, link: Link | Floats) -> Floats:
    """Unit-variance deviations with the covariance that the link says."""
    if isinstance(link, str):
        if link == "fresh":
            return rng.standard_normal(pushes)
        if link == "frozen":
            return np.full(pushes, rng.standard_normal())
        raise InputError("link", got=link, allowed="fresh, frozen or an array")
    if link.shape != (pushes, pushes):
        raise InputError("link", got=link.shape, allowed=f"shape ({pushes}, {pushes})")
    value, vector = np.linalg.eigh(link)
    out: Floats = vector @ (np.sqrt(np.maximum(value, 0.0)) * rng.standard_normal(pushes))
    return out
