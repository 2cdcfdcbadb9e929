"""A protocol as data: its question, its options, and the function from a table to an account.

The command line, the documentation and the page are made from these records, so an option is declared once.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from stanch.errors import UsageError
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["Option", "Protocol", "resolve"]

SMALLEST, LARGEST = 1e-100, 1e100

# Beyond, the tails of a distribution hold nothing that data could tell, and a complement rounds to 1.
PROBABILITIES = ("alpha", "beta", "confidence", "coverage", "power")
NEAREST = 1e-9

Kind = Literal["column", "columns", "number", "numbers", "count", "text", "texts", "choice", "flag"]


@dataclass(frozen=True)
class Option:
    """One option of a protocol.

    Parameters
    ----------
    name : str
        Long name with hyphens, without the leading ones: ``"error-ratio"``; `run` receives it with underscores.
    kind : str
        ``column``/``columns`` name columns of the table, ``number``/``numbers`` are floats, ``count`` is a whole
        number, ``choice`` one of `choices`, ``flag`` a switch; plurals may be given several times or with commas.
    help : str
        One sentence with the unit where there is one.
    default : object
        Value when not given; None means "not given".
    choices : tuple of str
        Of a ``choice``.
    required : bool
        Whether it must be given.
    designs : tuple of str
        Designs it belongs to; empty for all. Given with another design it is refused.
    most : int or None
        Largest ``count`` accepted, where a larger one would only keep the machine busy [-].
    """

    name: str
    kind: Kind
    help: str
    default: Any = None
    choices: tuple[str, ...] = ()
    required: bool = False
    designs: tuple[str, ...] = ()
    most: int | None = None

    @property
    def key(self) -> str:
        """Its name as an argument."""
        return self.name.replace("-", "_")


@dataclass(frozen=True)
class Protocol:
    """A verification protocol.

    Parameters
    ----------
    name : str
        As on the command line.
    question : str
        What it answers, ending with a question mark.
    summary : str
        One sentence on what it does with which table.
    options : tuple of Option
        A ``choice`` named ``design`` picks among designs where there are several.
    run : callable
        Takes the table and one keyword per option, all given, and returns the account.
    needs_table : bool
        False where everything can come from options.
    """

    name: str
    question: str
    summary: str
    options: tuple[Option, ...]
    run: Callable[..., Account]
    needs_table: bool = True

    def __call__(self, table: Table | None, **given: Any) -> Account:
        """Check the options, fill in the defaults and run.

        Parameters
        ----------
        table : Table or None
        **given
            Options by key.

        Returns
        -------
        Account

        Raises
        ------
        UsageError
            For an unknown, missing or misplaced option.
        """
        return self.run(table, **resolve(self, given))


def resolve(protocol: Protocol, given: Mapping[str, Any]) -> dict[str, Any]:
    """Every option of the protocol with its value.

    Parameters
    ----------
    protocol : Protocol
    given : mapping
        Options by key; None counts as not given.

    Returns
    -------
    dict

    Raises
    ------
    UsageError
        For an unknown, missing or misplaced option, a value of the wrong kind or one outside the choices.
    """
    known = {option.key: option for option in protocol.options}
    named = {key: value for key, value in given.items() if not _nothing(value)}
    unknown = sorted(set(named) - set(known))
    if unknown:
        raise UsageError(f"option {unknown[0]}", got=unknown[0], allowed=", ".join(sorted(known)))
    design = named.get("design", known["design"].default if "design" in known else None)
    settings: dict[str, Any] = {}
    for key, option in known.items():
        belongs = not option.designs or design in option.designs
        if key in named and not belongs:
            raise UsageError(
                f"option --{option.name}",
                got=f"given with the design {design}",
                allowed=f"the design {' or '.join(option.designs)}",
                do="Leave it out or change --design.",
            )
        if option.required and belongs and key not in named and option.default is None:
            raise UsageError(f"option --{option.name}", got="nothing", allowed=option.help.rstrip("."), do="Give it.")
        settings[key] = _checked(option, named[key]) if key in named else option.default
    return settings


def _nothing(value: object) -> bool:
    return value is None or (isinstance(value, tuple | list) and not value)


def _checked(option: Option, value: Any) -> Any:
    """A value of the kind the option has; nothing else reaches a protocol."""
    where = f"option --{option.name}"
    if option.kind == "number":
        found = _number(where, value, "a number")
        if option.name in PROBABILITIES and (0 < found < NEAREST or 1 - NEAREST < found < 1):
            raise UsageError(where, got=value, allowed=f"{NEAREST:g} to 1 - {NEAREST:g}")
        return found
    if option.kind == "numbers":
        several = value if isinstance(value, Iterable) and not isinstance(value, str) else (value,)
        return tuple(_number(where, one, "numbers") for one in several)
    if option.kind == "count":
        return _count(where, value, option.most)
    if option.kind in ("columns", "texts"):
        several = (value,) if isinstance(value, str) or not isinstance(value, Iterable) else tuple(value)
        return tuple(_text(where, one, "names of columns" if option.kind == "columns" else "texts") for one in several)
    if option.kind == "choice":
        if not isinstance(value, str) or value not in option.choices:
            raise UsageError(where, got=value, allowed=", ".join(option.choices))
        return value
    if option.kind == "flag":
        if value is not True and value is not False:
            raise UsageError(where, got=value, allowed="True or False")
        return value
    if option.kind == "text":
        # A text may be blank, and the model of a budget may be a function.
        return value if isinstance(value, str) or callable(value) else _text(where, value, "text")
    return _text(where, value, "the name of a column")


def _number(where: str, value: Any, what: str) -> float:
    try:
        found = math.nan if isinstance(value, str | bytes | bool) else float(value)
    except (TypeError, ValueError, OverflowError):
        found = math.nan
    if not (found == 0 or SMALLEST <= abs(found) <= LARGEST):
        said = "None" if value is None else value
        raise UsageError(where, got=said, allowed=f"{what}: 0, or {SMALLEST:g} to {LARGEST:g} in size")
    return found


def _count(where: str, value: Any, most: int | None) -> int:
    try:
        found = int(value) if isinstance(value, float) and value.is_integer() else operator.index(value)
    except TypeError:
        found = None
    if found is None or isinstance(value, bool) or not 0 <= found <= (2**63 - 1 if most is None else most):
        raise UsageError(where, got=value, allowed=f"a whole number from 0{'' if most is None else f' to {most}'}")
    return found


def _text(where: str, value: Any, what: str) -> str:
    if not isinstance(value, str) or not value:
        raise UsageError(where, got="None" if value is None else value, allowed=what)
    return value
