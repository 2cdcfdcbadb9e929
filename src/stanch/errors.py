"""The error tree.

::

    StanchError                 exit 1: a fault of ours when it is this class itself
    ├── StiffError              exit 1: a reaction network that the solver cannot follow
    ├── UsageError              exit 2: the call cannot be meant
    │   └── OutputExistsError
    ├── InputError              exit 3: something handed in is wrong
    │   ├── DocumentError       a map, assay or scenario document
    │   ├── RecordingError      a recording or a foreign source file
    │   └── UnitError           a quantity whose unit is missing or of the wrong kind
    ├── IntegrityError          exit 4: stored data is not what was written
    └── NothingReadableError    exit 5: no well of the recording could be read

Every message is one line and says which input, the value it had, what is allowed and what to do next.
"""

from __future__ import annotations

__all__ = [
    "DocumentError",
    "InputError",
    "IntegrityError",
    "NothingReadableError",
    "OutputExistsError",
    "RecordingError",
    "StanchError",
    "StiffError",
    "UnitError",
    "UsageError",
]

LONGEST = 400


class StanchError(Exception):
    """Root of every error raised on purpose.

    Parameters
    ----------
    where : str
        The input at fault: a file, an option, a path inside a document, an argument.
    got : object, optional
        The value found there; shortened to 80 characters.
    allowed : str
        What would have been accepted.
    do : str
        What the reader can do next.
    """

    exit_code = 1

    def __init__(self, where: str, *, got: object = None, allowed: str = "", do: str = "") -> None:
        self.where = where
        self.got = got
        self.allowed = allowed
        self.do = do
        super().__init__(self._message())

    def _message(self) -> str:
        parts = [self.where]
        if self.got is not None:
            parts.append(f"got {_short(self.got)}")
        if self.allowed:
            parts.append(f"allowed: {self.allowed if len(self.allowed) <= LONGEST else self.allowed[:LONGEST] + '…'}")
        line = "; ".join(parts)
        if self.do:
            line = f"{line}{'' if line.endswith(('?', '.')) else '.'} {self.do}"
        return " ".join(line.split())

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.__dict__.copy()))


class StiffError(StanchError):
    """A reaction network that cannot be followed: the step became too small, or there would be too many."""


class UsageError(StanchError):
    """The call cannot be meant: a wrong option or argument."""

    exit_code = 2


class OutputExistsError(UsageError):
    """An output is already there and overwriting was not asked for."""


class InputError(StanchError):
    """Something handed in is wrong."""

    exit_code = 3


class DocumentError(InputError):
    """A map, assay or scenario document is wrong.

    Parameters
    ----------
    where : str
        The document.
    problems : list of str
        Every fault found, each beginning with its path in the document.
    do : str
        What the reader can do next.
    """

    def __init__(self, where: str, *, problems: list[str] | None = None, do: str = "", **kwargs: object) -> None:
        self.problems = list(problems or [])
        got = kwargs.get("got")
        allowed = str(kwargs.get("allowed", ""))
        text = where if not self.problems else f"{where}: " + "; ".join(self.problems)
        super().__init__(text, got=got, allowed=allowed, do=do)


class RecordingError(InputError):
    """A recording or a foreign source file is wrong."""


class UnitError(InputError):
    """A quantity has no unit or one of the wrong kind."""


class IntegrityError(StanchError):
    """Stored data is not what was written."""

    exit_code = 4


class NothingReadableError(StanchError):
    """No well of the recording could be read."""

    exit_code = 5


def _short(value: object, limit: int = 80) -> str:
    text = value if isinstance(value, str) else repr(value)
    text = text if text.isprintable() else repr(text)
    return text if len(text) <= limit else text[: limit - 1] + "…"


def _rebuild(kind: type[StanchError], state: dict[str, object]) -> StanchError:
    error = kind.__new__(kind)
    error.__dict__.update(state)
    Exception.__init__(error, StanchError._message(error))
    return error
