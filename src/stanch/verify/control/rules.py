"""Multirules as data: a rule is a record, and one function applies any set of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stanch.errors import InputError
from stanch.verify.intervals import checked
from stanch.verify.scales import grouped

__all__ = ["Judged", "Rule", "judge", "parse"]

Flags = NDArray[np.bool_]
Kind = Literal["beyond", "opposite", "range", "trend"]
Scope = Literal["across", "level", "run"]

WORDS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"]
SCOPES = {"across": "", "level": " by level", "run": " within a run"}


@dataclass(frozen=True)
class Rule:
    """A rule on results in standard deviations from the mean; every limit is strict.

    Parameters
    ----------
    kind : str
        ``beyond`` (so many of the last so many results beyond a limit; 0 SD is the mean itself and a result exactly on
        it breaks a run), ``opposite`` (two results of the same run beyond the limit on opposite sides), ``range``
        (largest less smallest result of a run above the limit), ``trend`` (so many in a row, each strictly above or
        each strictly below the one before).
    count, of : int
        How many of how many.
    beyond : float
        Limit [-].
    same_side : bool
        Whether the results counted must lie on one side.
    scope : str
        Which results follow each other: ``across`` all of them in order of the table, ``level`` those of one control
        level, ``run`` those of one run.
    """

    kind: Kind = "beyond"
    count: int = 1
    of: int = 1
    beyond: float = 0.0
    same_side: bool = True
    scope: Scope = "across"

    def __post_init__(self) -> None:
        if not 1 <= self.count <= self.of <= 60:
            raise InputError("rule", got=f"{self.count} of {self.of}", allowed="1 <= count <= of <= 60")
        if not (np.isfinite(self.beyond) and self.beyond >= 0):
            raise InputError("limit of a rule", got=self.beyond, allowed="zero or above [SD]")
        if self.kind in ("opposite", "range") and self.scope != "run":
            raise InputError("rule", got=f"{self.kind} with scope {self.scope}", allowed="scope run")
        if self.kind == "trend" and (self.count != self.of or self.count < 3):
            raise InputError("trend rule", got=f"{self.count} of {self.of}", allowed="at least 3 in a row")

    @property
    def name(self) -> str:
        """The rule in words, which `parse` reads back."""
        if self.kind == "opposite":
            return f"two of a run beyond {self.beyond:g} SD on opposite sides"
        if self.kind == "range":
            return f"range within a run above {self.beyond:g} SD"
        tail = SCOPES[self.scope]
        if self.kind == "trend":
            return f"{_word(self.of)} in a row rising or falling{tail}"
        if self.beyond == 0 and self.same_side and self.count == self.of:
            return f"{_word(self.of)} on one side{tail}"
        many = _word(self.count) + (
            "" if self.of == 1 else " in a row" if self.count == self.of else f" of {_word(self.of)}"
        )
        side = "" if self.of == 1 else " same side" if self.same_side else " either side"
        return f"{many} beyond {self.beyond:g} SD{side}{tail}"

    @property
    def alias(self) -> str:
        """Shorthand of the trade since 1981; empty where there is none."""
        if self.kind == "opposite":
            return f"R-{2 * self.beyond:g}s"
        if self.kind == "range":
            return ""
        if self.kind == "trend":
            return f"{self.of}-T"
        if not self.same_side and self.of > 1:
            return ""
        if self.beyond == 0:
            return f"{self.of}-x" if self.count == self.of else ""
        many = f"{self.of}" if self.count == self.of else f"{self.count}of{self.of}"
        return f"{many}-{self.beyond:g}s"


def _word(n: int) -> str:
    return WORDS[n] if n < len(WORDS) else str(n)


def _number(text: str) -> int:
    return WORDS.index(text) if text in WORDS else int(text)


_SCOPE = r"(?P<scope> by level| within a run)?"
_N = rf"(?:\d+|{'|'.join(WORDS)})"
_FORMS = (
    (re.compile(r"two of a run beyond (?P<m>[\d.]+) sd on opposite sides"), "opposite"),
    (re.compile(r"range within a run above (?P<m>[\d.]+) sd"), "range"),
    (re.compile(rf"(?P<n>{_N}) in a row rising or falling{_SCOPE}"), "trend"),
    (re.compile(rf"(?P<n>{_N}) on one side{_SCOPE}"), "side"),
    (
        re.compile(
            rf"(?P<k>{_N})(?P<row> in a row)?(?: of (?P<n>{_N}))? beyond (?P<m>[\d.]+) sd"
            rf"(?P<side> same side| either side)?{_SCOPE}"
        ),
        "beyond",
    ),
)


def parse(text: str) -> Rule:
    """A rule from its words.

    Parameters
    ----------
    text : str
        ``one beyond 3 SD``, ``two in a row beyond 2 SD same side``, ``two of three beyond 2 SD same side by level``,
        ``two of a run beyond 2 SD on opposite sides``, ``range within a run above 4 SD``, ``ten on one side``,
        ``seven in a row rising or falling``; numbers as words or digits.

    Returns
    -------
    Rule

    Raises
    ------
    InputError
        If it cannot be read.

    Examples
    --------
    >>> parse("two in a row beyond 2 SD same side").alias
    '2-2s'
    """
    plain = " ".join(text.lower().split())
    for form, kind in _FORMS:
        found = form.fullmatch(plain)
        if not found:
            continue
        part = found.groupdict()
        scope: Scope = {" by level": "level", " within a run": "run"}.get(part.get("scope") or "", "across")  # type: ignore[assignment]
        if kind == "opposite":
            return Rule("opposite", 2, 2, float(part["m"]), False, "run")
        if kind == "range":
            return Rule("range", 1, 1, float(part["m"]), False, "run")
        if kind == "trend":
            return Rule("trend", _number(part["n"]), _number(part["n"]), 0.0, True, scope)
        if kind == "side":
            return Rule("beyond", _number(part["n"]), _number(part["n"]), 0.0, True, scope)
        k = _number(part["k"])
        return Rule("beyond", k, _number(part["n"] or str(k)), float(part["m"]), part["side"] != " either side", scope)
    raise InputError(
        "rule",
        got=text,
        allowed="words such as: one beyond 3 SD; two in a row beyond 2 SD same side; ten on one side",
    )


@dataclass(frozen=True)
class Judged:
    """Which results complete which rule.

    Parameters
    ----------
    rules : tuple of Rule
    signal : ndarray of bool, shape (rule, result)
        True where a result completes the rule; for ``range`` the last result of the run.
    run : ndarray of int, shape (result,)
        Number of each result's run, in order of first appearance within its series.
    rejected : ndarray of bool, shape (rule, run)
        Runs with a signal.
    """

    rules: tuple[Rule, ...]
    signal: Flags
    run: NDArray[np.intp]
    rejected: Flags

    def completed(self, result: int) -> str:
        """Names of the rules that a result completes, by its place from 0."""
        return "; ".join(r.name for r, flag in zip(self.rules, self.signal[:, result], strict=True) if flag)

    def runs_by_rule(self) -> dict[str, int]:
        """How many runs each rule rejects [-]."""
        return {rule.name: int(self.rejected[i].sum()) for i, rule in enumerate(self.rules)}


def judge(
    rules: Sequence[Rule],
    z: ArrayLike,
    *,
    run: ArrayLike | None = None,
    level: ArrayLike | None = None,
    series: ArrayLike | None = None,
) -> Judged:
    """Apply rules to results in time order; memory is not emptied after a signal.

    Parameters
    ----------
    rules : sequence of Rule
    z : array_like, shape (result,)
        Results less their mean over their standard deviation [-].
    run : array_like of str, shape (result,), optional
        Run of each result; every result its own run when not given. Results of one run are brought together.
    level : array_like of str, shape (result,), optional
        Control level of each result.
    series : array_like of str, shape (result,), optional
        Results of different series (such as instruments) never follow each other.

    Returns
    -------
    Judged
    """
    values = checked(z, "results in standard deviations", least=1)
    own = _numbered(series, values.size, "series")
    runs = _numbered(run, values.size, "run") if run is not None else np.arange(values.size)
    if series is not None:
        runs = _numbered(own * (int(runs.max()) + 1) + runs, values.size, "run")
    levels = _numbered(level, values.size, "level")
    order = np.lexsort((np.arange(values.size), runs, own))
    signal = np.zeros((len(rules), values.size), dtype=bool)
    keys = {
        "across": own,
        "run": runs,
        "level": own * (int(levels.max()) + 1) + levels,
    }
    for i, rule in enumerate(rules):
        key = keys[rule.scope]
        rows = order[np.argsort(key[order], kind="stable")]
        signal[i, rows] = _signals(rule, values[rows], key[rows])
    rejected = np.zeros((len(rules), int(runs.max()) + 1), dtype=bool)
    for i in range(len(rules)):
        rejected[i, runs[signal[i]]] = True
    return Judged(tuple(rules), signal, runs, rejected)


def _numbered(names: ArrayLike | None, n: int, what: str) -> NDArray[np.intp]:
    if names is None:
        return np.zeros(n, dtype=np.intp)
    array = np.asarray(names)
    if array.shape != (n,):
        raise InputError(what, got=f"{array.size} names", allowed=f"one for each of {n} results")
    return grouped(array)[1]


def _signals(rule: Rule, z: NDArray[np.float64], key: NDArray[np.intp]) -> Flags:
    """Signals of a rule on results sorted into sections of equal key."""
    place = np.arange(z.size)
    begins = np.concatenate(([True], key[1:] != key[:-1]))
    start = np.maximum.accumulate(np.where(begins, place, 0))
    if rule.kind == "range":
        first = np.flatnonzero(begins)
        wide = np.maximum.reduceat(z, first) - np.minimum.reduceat(z, first) > rule.beyond
        out = np.zeros(z.size, dtype=bool)
        out[np.concatenate((first[1:], [z.size])) - 1] = wide
        return out
    above, below = z > rule.beyond, z < -rule.beyond
    if rule.kind == "trend":
        step = np.diff(z, prepend=z[:1])
        step[begins] = 0.0
        need = rule.of - 1
        rising, falling = _recent(step > 0, start, need), _recent(step < 0, start, need)
        return np.asarray((rising == need) | (falling == need))
    if rule.kind == "opposite":
        up, down = _recent(above, start, z.size), _recent(below, start, z.size)
        return (above & (down > 0)) | (below & (up > 0))
    if rule.same_side:
        up, down = _recent(above, start, rule.of), _recent(below, start, rule.of)
        return (above & (up >= rule.count)) | (below & (down >= rule.count))
    both = above | below
    return np.asarray(both & (_recent(both, start, rule.of) >= rule.count))


def _recent(flags: Flags, start: NDArray[np.intp], window: int) -> NDArray[np.intp]:
    """How many of the last `window` flags are set, within the section."""
    total = np.concatenate(([0], np.cumsum(flags)))
    place = np.arange(flags.size)
    return np.asarray(total[place + 1] - total[np.maximum(start, place - window + 1)])
