"""Networks of elementary reactions as data: their rates, Jacobian, conserved sums and SBML text come from the data.

A reaction is one line with its rate constants as its source prints them (M^-1 s^-1 or s^-1). A network turns its
reactions into one-way steps of the law of mass action, ``rate = constant * product of the reactants``, in SI units:
concentrations in mol/m^3, constants in m^3/(mol s) or 1/s. :mod:`stanch.virtual.blood.stiff` solves it;
:meth:`Network.rates` and :meth:`Network.jacobian` are the plain form of what is compiled there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.virtual.blood.conserved import left_null_space

__all__ = ["Network", "Reaction", "merge", "reaction"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

PER_MOLAR = 1e-3
"""1 M^-1 in m^3/mol."""


@dataclass(frozen=True)
class Reaction:
    """One reaction between named species.

    Parameters
    ----------
    reactants, products : tuple of str
        Names of species, each as often as it takes part; one or two reactants, or none for a constant inflow.
    forward : float
        Rate constant as printed, in M^-1 s^-1 [L/mol/s] for two reactants, s^-1 [1/s] for one, M s^-1 [mol/L/s] for
        none.
    reverse : float or None
        The same for the way back, None for a reaction that has none [1/s] or [L/mol/s].
    source : str
        Where the constants were read.

    Raises
    ------
    InputError
        If a name is empty, a constant is no number of 0 or above, or more than two molecules would have to meet.
    """

    reactants: tuple[str, ...]
    products: tuple[str, ...]
    forward: float
    reverse: float | None
    source: str

    def __post_init__(self) -> None:
        if not all(name and name == name.strip() for name in self.reactants + self.products):
            raise InputError("species", got=self.reactants + self.products, allowed="names without outer blanks")
        if not self.reactants and not self.products:
            raise InputError("reaction", got="nothing on either side", allowed="at least one species")
        for side, constant in ((self.reactants, self.forward), (self.products, self.reverse)):
            if constant is None:
                continue
            if len(side) > 2:
                raise InputError(
                    f"reaction {self.name}",
                    got=f"{len(side)} reactants",
                    allowed="at most two",
                    do="Write it in steps.",
                )
            if not (math.isfinite(constant) and constant >= 0):
                raise InputError(f"reaction {self.name}", got=constant, allowed="a finite rate constant, 0 or above")

    @property
    def name(self) -> str:
        """The reaction as text, for instance ``Xa + Va <-> Xa:Va``."""
        arrow = "->" if self.reverse is None else "<->"
        return f"{' + '.join(self.reactants)} {arrow} {' + '.join(self.products)}".strip()


def reaction(text: str, forward: float, reverse: float | None = None, *, source: str) -> Reaction:
    """A reaction from its text.

    Parameters
    ----------
    text : str
        Species joined by " + ", with the arrow " -> " or, where `reverse` is given, " <-> ".
    forward : float
        As printed [L/mol/s] or [1/s].
    reverse : float, optional
        The way back [1/s] or [L/mol/s].
    source : str
        Where the constants were read.

    Returns
    -------
    Reaction
        The reaction.

    Raises
    ------
    InputError
        If the text has no arrow, or the wrong one for the constants given.

    Examples
    --------
    >>> reaction("Xa + Va <-> Xa:Va", 4e8, 0.2, source="invented").products
    ('Xa:Va',)
    """
    arrow = " -> " if reverse is None else " <-> "
    left, found, right = f" {text} ".partition(arrow)
    if not found or "->" in right or "->" in left:
        raise InputError("reaction", got=text, allowed=f"two sides with '{arrow.strip()}' between them")
    sides = [tuple(name.strip() for name in side.split(" + ") if name.strip()) for side in (left, right)]
    return Reaction(sides[0], sides[1], forward, reverse, source)


@dataclass(frozen=True)
class Network:
    """Reactions that share species.

    Parameters
    ----------
    reactions : tuple of Reaction
        No two with the same text.

    Raises
    ------
    InputError
        If a reaction is there twice.
    """

    reactions: tuple[Reaction, ...]

    def __post_init__(self) -> None:
        names = [r.name for r in self.reactions]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice or not names:
            raise InputError("reactions", got=twice or "none", allowed="at least one, each once")

    @cached_property
    def _hash(self) -> int:
        return hash(self.reactions)

    def __hash__(self) -> int:
        # Networks are keys of what is worked out once for each; hashing every reaction anew would show in the timing.
        return self._hash

    @cached_property
    def species(self) -> tuple[str, ...]:
        """Names in the order of their first mention; the order of every array of concentrations."""
        return tuple(dict.fromkeys(name for r in self.reactions for name in r.reactants + r.products))

    @cached_property
    def _places(self) -> dict[str, int]:
        return {name: place for place, name in enumerate(self.species)}

    def index(self, name: str) -> int:
        """Place of a species.

        Raises
        ------
        InputError
            If it takes no part.
        """
        if name not in self._places:
            raise InputError("species", got=name, allowed=", ".join(self.species))
        return self._places[name]

    @cached_property
    def steps(self) -> tuple[tuple[int, tuple[str, ...], tuple[str, ...], float], ...]:
        """One-way steps: number of the reaction, reactants, products, constant in SI units."""
        made = []
        for number, r in enumerate(self.reactions):
            for left, right, printed in ((r.reactants, r.products, r.forward), (r.products, r.reactants, r.reverse)):
                if printed is not None:
                    # M^-1 s^-1, s^-1 and M s^-1 for two, one and no reactants.
                    made.append((number, left, right, printed * PER_MOLAR ** (len(left) - 1)))
        return tuple(made)

    @cached_property
    def stoichiometry(self) -> NDArray[np.int64]:
        """Change of each species by each one-way step, shape (species, steps) [-]."""
        out = np.zeros((len(self.species), len(self.steps)), dtype=np.int64)
        for column, (_, left, right, _) in enumerate(self.steps):
            for name in left:
                out[self._places[name], column] -= 1
            for name in right:
                out[self._places[name], column] += 1
        return out

    @cached_property
    def partners(self) -> Indices:
        """Places of the two reactants of each one-way step, shape (steps, 2); a lone one's partner is one past the end.

        There the arrays of concentrations are thought to hold a 1.
        """
        one = len(self.species)
        rows = [[self._places[name] for name in left] + [one, one] for _, left, _, _ in self.steps]
        return np.array([row[:2] for row in rows], dtype=np.int64)

    def initial(self, concentrations: Mapping[str, float]) -> Floats:
        """Concentrations in the order of the species.

        Parameters
        ----------
        concentrations : mapping of str to float
            By species; what is left out is 0 [mol/m^3].

        Returns
        -------
        ndarray, shape (species,)
            [mol/m^3].

        Raises
        ------
        InputError
            For a species that takes no part, or a value that is not a finite number of 0 or above.
        """
        out = np.zeros(len(self.species))
        for name, value in concentrations.items():
            if not (math.isfinite(value) and value >= 0):
                raise InputError(f"concentration of {name}", got=value, allowed="a finite number, 0 or above [mol/m^3]")
            out[self.index(name)] = value
        return out

    def constants(self, scale: Mapping[str, float] | None = None) -> Floats:
        """Rate constants of the one-way steps.

        Parameters
        ----------
        scale : mapping of str to float, optional
            By text of a reaction, a factor on its forward and reverse constants; with " (forward)" or " (reverse)"
            behind the text, on that one alone [-].

        Returns
        -------
        ndarray, shape (steps,)
            [m^3/mol/s] for two reactants, [1/s] for one.

        Raises
        ------
        InputError
            For a reaction that is not there or a factor that is not a finite number of 0 or above.
        """
        out = np.array([constant for _, _, _, constant in self.steps])
        for text, factor in (scale or {}).items():
            if not (math.isfinite(factor) and factor >= 0):
                raise InputError(f"factor of {text}", got=factor, allowed="a finite number, 0 or above")
            out[self._scaled(text)] *= factor
        return out

    @cached_property
    def _scalable(self) -> dict[str, list[int]]:
        found: dict[str, list[int]] = {}
        for place, (number, *_) in enumerate(self.steps):
            name = self.reactions[number].name
            way = " (reverse)" if name in found else " (forward)"
            found.setdefault(name, []).append(place)
            found[name + way] = [place]
        return found

    def _scaled(self, text: str) -> list[int]:
        if text not in self._scalable:
            raise InputError("reaction to scale", got=text, allowed="the text of a reaction of the network")
        return self._scalable[text]

    def rates(self, concentrations: ArrayLike, constants: ArrayLike | None = None) -> Floats:
        """Rate of change of every species.

        Parameters
        ----------
        concentrations : array_like, shape (species,)
            [mol/m^3].
        constants : array_like, shape (steps,), optional
            From :meth:`constants` [SI unit].

        Returns
        -------
        ndarray, shape (species,)
            [mol/m^3/s].
        """
        y = np.append(np.asarray(concentrations, dtype=float), 1.0)
        k = self.constants() if constants is None else np.asarray(constants, dtype=float)
        out: Floats = self.stoichiometry @ (k * y[self.partners[:, 0]] * y[self.partners[:, 1]])
        return out

    def jacobian(self, concentrations: ArrayLike, constants: ArrayLike | None = None) -> Floats:
        """Derivatives of :meth:`rates`.

        Parameters
        ----------
        concentrations : array_like, shape (species,)
            [mol/m^3].
        constants : array_like, shape (steps,), optional
            From :meth:`constants` [SI unit].

        Returns
        -------
        ndarray, shape (species, species)
            Of the rate of the row's species after the column's concentration [1/s].
        """
        y = np.append(np.asarray(concentrations, dtype=float), 1.0)
        k = self.constants() if constants is None else np.asarray(constants, dtype=float)
        n = len(self.species)
        slope = np.zeros((len(self.steps), n + 1))
        rows = np.arange(len(self.steps))
        for own, other in ((0, 1), (1, 0)):
            slope[rows, self.partners[:, own]] += k * y[self.partners[:, other]]
        out: Floats = self.stoichiometry @ slope[:, :n]
        return out

    @cached_property
    def conserved(self) -> NDArray[np.float64]:
        """Sums that no reaction changes, shape (sums, species): a basis with whole numbers, found exactly [-]."""
        return left_null_space(self.stoichiometry)


def merge(*networks: Network) -> Network:
    """One network from several, joined by the names of their species.

    Parameters
    ----------
    *networks : Network
        A reaction that two of them hold with the same constants is taken once.

    Returns
    -------
    Network
        Their reactions in order.

    Raises
    ------
    InputError
        If they hold one reaction with different constants.
    """
    found: dict[str, Reaction] = {}
    for r in (r for network in networks for r in network.reactions):
        other = found.setdefault(r.name, r)
        if (other.forward, other.reverse) != (r.forward, r.reverse):
            raise InputError(
                f"reaction {r.name}",
                got=f"constants of {other.source} and of {r.source}",
                allowed="one set of constants",
            )
    return Network(tuple(found.values()))
