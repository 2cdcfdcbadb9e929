"""A protocol as data: its question, its options, and the function from a table to an account.

The command line, the documentation and the page are made from these records, so an option is declared once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from stanch.errors import UsageError
from stanch.verify.records import Account
from stanch.verify.table import Table

__all__ = ["Option", "Protocol", "resolve"]

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
    """

    name: str
    kind: Kind
    help: str
    default: Any = None
    choices: tuple[str, ...] = ()
    required: bool = False
    designs: tuple[str, ...] = ()

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
        For an unknown, missing or misplaced option, or a value outside the choices.
    """
    known = {option.key: option for option in protocol.options}
    named = {key: value for key, value in given.items() if value is not None and value != ()}
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
        value = named.get(key, option.default)
        if option.choices and value is not None and value not in option.choices:
            raise UsageError(f"option --{option.name}", got=value, allowed=", ".join(option.choices))
        settings[key] = value
    return settings
