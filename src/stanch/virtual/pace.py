"""A sample that ages faster or slower than its course says, because its temperature is off for a while."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.virtual.course import Course
from stanch.virtual.material import Material

__all__ = ["Pace", "PacedCourse", "pace_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Pace:
    """How fast a sample ages, constant from step to step.

    Parameters
    ----------
    time : ndarray, shape (step,)
        Since activation, the first 0, ascending [s].
    rate : ndarray, shape (step,)
        From each of them on, above 0; 1 at the temperature of the course [-].
    """

    time: Floats
    rate: Floats

    @property
    def _ages(self) -> Floats:
        return np.concatenate(([0.0], np.cumsum(np.diff(self.time) * self.rate[:-1])))

    def age(self, time: ArrayLike) -> Floats:
        """Time at which the course is as far as the sample: the integral of the rate.

        Parameters
        ----------
        time : array_like
            Since activation [s].

        Returns
        -------
        ndarray
            [s].

        Examples
        --------
        >>> float(Pace(np.array([0.0, 100.0]), np.array([1.0, 0.5])).age(300.0))
        200.0
        """
        t = np.asarray(time, dtype=float)
        k = np.maximum(np.searchsorted(self.time, t, side="right") - 1, 0)
        out: Floats = self._ages[k] + (t - self.time[k]) * self.rate[k]
        return out

    def when(self, age: ArrayLike) -> Floats:
        """Time at which the sample is as far as the course is at a time: the inverse of :meth:`age`.

        Parameters
        ----------
        age : array_like
            [s].

        Returns
        -------
        ndarray
            Since activation [s].
        """
        a, ages = np.asarray(age, dtype=float), self._ages
        k = np.maximum(np.searchsorted(ages, a, side="right") - 1, 0)
        out: Floats = self.time[k] + (a - ages[k]) / self.rate[k]
        return out


def pace_of(steps: Sequence[tuple[float, float]], q10: float, activated: float = 0.0) -> Pace | None:
    """The pace of a sample whose temperature is off by steps.

    Parameters
    ----------
    steps : sequence of tuple of float
        Time of the run, ascending [s], and how far the temperature is off from then on [K].
    q10 : float
        Factor on rates per 10 K [-].
    activated : float
        Time of the run at which the sample is activated [s].

    Returns
    -------
    Pace or None
        None where the sample ages as its course says.
    """
    before = [shift for time, shift in steps if time <= activated]
    after = [(time - activated, shift) for time, shift in steps if time > activated]
    time, shift = zip((0.0, before[-1] if before else 0.0), *after, strict=True)
    if not any(shift) or q10 == 1.0:
        return None
    return Pace(np.array(time), q10 ** (np.array(shift) / 10.0))


@dataclass(frozen=True)
class PacedCourse:
    """A course whose sample ages at a pace of its own; see :class:`stanch.virtual.course.Course`.

    One factor of temperature scales every rate of virtual blood but one, so a course at a temperature that changes is
    the course at the block's temperature in stretched time. The one is the relief of a clot that has let go of its
    wall, which is mechanical and here stretched with the rest. On stiffness and viscosity temperature does not act.

    Parameters
    ----------
    course : Course
        At the temperature where the pace is 1.
    pace : Pace
    """

    course: Course
    pace: Pace

    @property
    def start(self) -> float:
        """Start of gelation since activation [s]; infinite for a sample that never clots."""
        return float(self.pace.when(self.course.start))

    def material(self, time: float) -> Material:
        """The linear material at a time [s]."""
        return self.course.material(float(self.pace.age(time)))

    def modulus(self, time: ArrayLike) -> Floats:
        """Storage modulus at the course's stated frequency [Pa]."""
        return self.course.modulus(self.pace.age(time))

    def viscosity(self, time: ArrayLike) -> Floats:
        """Loss modulus over angular frequency, at the same frequency [Pa·s]."""
        return self.course.viscosity(self.pace.age(time))

    def progress(self, time: ArrayLike) -> Floats:
        """How far the network has formed, 0 to 1 [-]."""
        return self.course.progress(self.pace.age(time))

    def kept(self, time: ArrayLike) -> Floats:
        """Share of the structure that lysis has left [-]."""
        return self.course.kept(self.pace.age(time))

    def shift(self, time: ArrayLike) -> Floats:
        """How far the sample at the focus has sunk towards the base by retraction [m]."""
        return self.course.shift(self.pace.age(time))

    def detached(self, time: float) -> float | None:
        """Step of the sample where it has let go of the side wall [m]; None while it holds."""
        return self.course.detached(float(self.pace.age(time)))
