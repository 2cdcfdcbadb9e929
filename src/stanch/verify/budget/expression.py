"""Arithmetic written as text, computed without ever running it as a program."""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from stanch.errors import InputError

__all__ = ["FUNCTIONS", "Expression", "parse_model"]

FUNCTIONS: dict[str, Callable[[Any], Any]] = {
    "sqrt": np.sqrt,
    "exp": np.exp,
    "log": np.log,
    "log10": np.log10,
    "sin": np.sin,
    "cos": np.cos,
    "tan": np.tan,
    "asin": np.arcsin,
    "acos": np.arccos,
    "atan": np.arctan,
    "abs": np.abs,
}
CONSTANTS = {"pi": math.pi}
BINARY: dict[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}
LONGEST = 4000
DEEPEST = 100
ALLOWED = f"numbers, names, + - * / **, brackets, pi and {', '.join(FUNCTIONS)}"


@dataclass(frozen=True)
class Expression:
    """A formula.

    Parameters
    ----------
    text : str
        As written.
    names : tuple of str
        Of the quantities in it, in the order of first use.
    tree : ast.expr
        Checked.
    """

    text: str
    names: tuple[str, ...]
    tree: ast.expr

    @classmethod
    def parse(cls, text: str) -> Expression:
        """Read a formula.

        Parameters
        ----------
        text : str
            Such as ``"density * (radius / time)**2"``.

        Returns
        -------
        Expression

        Raises
        ------
        InputError
            If anything but arithmetic is in it.

        Examples
        --------
        >>> float(Expression.parse("2 * x**2")({"x": 3.0}))
        18.0
        """
        if len(text) > LONGEST:
            raise InputError("model", got=f"{len(text)} characters", allowed=f"{LONGEST} or fewer")
        try:
            tree = ast.parse(text.strip(), mode="eval").body
        except (SyntaxError, ValueError, RecursionError, MemoryError):
            raise InputError("model", got=text, allowed=ALLOWED, do="Correct the formula.") from None
        names: dict[str, None] = {}
        _check(tree, text, names, 0)
        return cls(text.strip(), tuple(names), tree)

    def __call__(self, values: Mapping[str, Any]) -> Any:
        """The formula at these values.

        Parameters
        ----------
        values : mapping of str to float or ndarray
            By name [unit].

        Returns
        -------
        float or ndarray
            [unit].

        Raises
        ------
        InputError
            If a name has no value.
        """
        missing = [name for name in self.names if name not in values]
        if missing:
            raise InputError(
                f"model {self.text}",
                got=f"the name {missing[0]}",
                allowed=", ".join(values) or "names of inputs",
                do="Add it to the table or correct the formula.",
            )
        with np.errstate(all="ignore"):
            return self._value(self.tree, values)

    def _value(self, node: ast.expr, values: Mapping[str, Any]) -> Any:
        if isinstance(node, ast.Constant):
            # Whole numbers as floats: a tower of powers then overflows at once and never fills the memory.
            return np.float64(node.value)  # type: ignore[arg-type]
        if isinstance(node, ast.Name):
            return CONSTANTS[node.id] if node.id in CONSTANTS and node.id not in values else np.asarray(values[node.id])
        if isinstance(node, ast.UnaryOp):
            inner = self._value(node.operand, values)
            return -inner if isinstance(node.op, ast.USub) else inner
        if isinstance(node, ast.BinOp):
            return BINARY[type(node.op)](self._value(node.left, values), self._value(node.right, values))
        assert isinstance(node, ast.Call)
        assert isinstance(node.func, ast.Name)
        return FUNCTIONS[node.func.id](self._value(node.args[0], values))


def _check(node: ast.expr, text: str, names: dict[str, None], depth: int) -> None:
    if depth > DEEPEST:
        raise InputError("model", got=f"{depth} brackets in each other", allowed=f"{DEEPEST} or fewer")
    inner: tuple[ast.expr, ...] = ()
    good = False
    if isinstance(node, ast.Constant):
        good = isinstance(node.value, int | float) and not isinstance(node.value, bool) and abs(node.value) < 1e300
    elif isinstance(node, ast.Name):
        good = True
        if node.id not in CONSTANTS and node.id not in FUNCTIONS:
            names[node.id] = None
        elif node.id in FUNCTIONS:
            good = False
    elif isinstance(node, ast.UnaryOp):
        good, inner = isinstance(node.op, ast.USub | ast.UAdd), (node.operand,)
    elif isinstance(node, ast.BinOp):
        good, inner = type(node.op) in BINARY, (node.left, node.right)
    elif isinstance(node, ast.Call):
        good = isinstance(node.func, ast.Name) and node.func.id in FUNCTIONS and len(node.args) == 1
        good, inner = good and not node.keywords, tuple(node.args)
    if not good:
        part = ast.get_source_segment(text.strip(), node) or text
        raise InputError("model", got=part, allowed=ALLOWED, do="Correct the formula.")
    for one in inner:
        _check(one, text, names, depth + 1)


def parse_model(text: str) -> dict[str, Expression]:
    """One or several formulas, each with or without a name.

    Parameters
    ----------
    text : str
        ``"formula"``, or ``"name = formula; other = formula"``.

    Returns
    -------
    dict of str to Expression
        By name; a formula without one is called ``y``, ``y2``, ...

    Raises
    ------
    InputError
        If a formula cannot be read or a name occurs twice.
    """
    found: dict[str, Expression] = {}
    for k, part in enumerate((p for p in text.split(";") if p.strip()), start=1):
        name, equals, formula = part.partition("=")
        name = name.strip() if equals else ("y" if k == 1 else f"y{k}")
        if not name.isidentifier() or name in found:
            raise InputError("model", got=name, allowed="a name of letters, digits and _, each once")
        found[name] = Expression.parse(formula if equals else part)
    if not found:
        raise InputError("model", got=text, allowed=ALLOWED)
    return found
