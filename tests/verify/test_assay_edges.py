"""Constant, tiny and badly scaled tables through the assay-specific protocols: right or refused, never a NaN."""

import json

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify import protocol
from stanch.verify.table import Table

S, W, D = np.repeat(list("abcdefghij"), 4), np.tile(list("wxyz"), 10), np.tile([0.0, 1, 2, 4], 10)
RIPPLE = 0.002 * np.tile([1.0, -1, -1, 1], 10)


def _cases(y, size, ripple=RIPPLE):
    """Every design on results of one size."""
    return {
        "wells": ("wells", {"y": y, "s": S, "w": W}, {"result": "y", "sample": "s", "well": "w", "allowed": 1.3}),
        "dose": (
            "interference",
            {"y": y, "s": S, "d": D},
            {"design": "dose", "dose": "d", "result": "y", "sample": "s", "allowed": 0.5 * size, "claim": 2.0},
        ),
        "paired": (
            "interference",
            {"c": y, "t": y * 1.01 + size * ripple},
            {"design": "paired", "control": "c", "test": "t", "allowed": 0.5 * size},
        ),
        "neutraliser": (
            "reagents",
            {"y": y, "s": S, "d": D},
            {"design": "neutraliser", "dose": "d", "result": "y", "sample": "s", "allowed": 1.3, "wanted": 2.0},
        ),
        "block": (
            "reagents",
            {"g": 3 * y, "k": 1.2 * y + size * ripple, "f": y},
            {"design": "block", "base": "g", "blocked": "k", "reference_well": "f", "least": 0.8},
        ),
        "antifibrinolytic": (
            "reagents",
            {"p": y - size, "u": 3 * y},
            {"design": "antifibrinolytic", "protected": "p", "unprotected": "u", "allowed": size},
        ),
        "null-effect": (
            "reagents",
            {"x": y, "y": 1.01 * y + size * ripple},
            {"design": "null-effect", "without": "x", "with_additive": "y", "allowed": 1.1},
        ),
        "contact": (
            "reagents",
            {"t": y, "b": 3 * y},
            {"design": "contact", "with_factor": "t", "blank": "b", "least": size},
        ),
        "probe": (
            "probe",
            {"d": S, "i": D + 1, "p": y},
            {"sample": "d", "plateau": "p", "interval": "i", "allowed_plateau": 1.3},
        ),
        "hold": (
            "hold",
            {"e": y, "p": 2 * y},
            {
                "design": "readings",
                "early": ("e",),
                "plateau": "p",
                "time_unit": "min",
                "holds": (5.0,),
                "allowed": 5.0,
            },
        ),
    }


NAMES = tuple(_cases(np.ones(40), 1.0))


def _run(name, y, size, ripple=RIPPLE):
    which, columns, options = _cases(y, size, ripple)[name]
    found = protocol(which)(Table.of(columns), **options)
    json.dumps(found.numbers, default=lambda b: b.as_dict(), allow_nan=False)
    return found.verdicts[0].outcome


@pytest.mark.parametrize("size", [1e-12, 1.0, 1e12])
@pytest.mark.parametrize("name", NAMES)
def test_the_size_of_the_numbers_changes_no_verdict(name, size):
    y = np.exp(np.random.default_rng(0).normal(0, 0.1, 40))
    assert _run(name, size * y, size) == "met"


@pytest.mark.parametrize("name", NAMES)
def test_constant_results(name):
    # Scatter that was not seen is unknown. Only the sign of forty leads needs none.
    assert _run(name, np.ones(40), 1.0, 0 * RIPPLE) == ("met" if name == "contact" else "undecided")


@pytest.mark.parametrize(
    ("which", "columns", "options"),
    [
        ("wells", {"y": [1.0, 2, 3], "s": list("aab"), "w": list("xyx")}, {"result": "y", "sample": "s", "well": "w"}),
        ("interference", {"c": [1.0], "t": [1.0]}, {"design": "paired", "control": "c", "test": "t"}),
        ("reagents", {"t": [1.0], "b": [2.0]}, {"design": "contact", "with_factor": "t", "blank": "b"}),
        (
            "hold",
            {"e": [1.0, 2, 3], "p": [2.0, 3, 4]},
            {"design": "readings", "early": ("e",), "plateau": "p", "time_unit": "min", "holds": (5.0,)},
        ),
        ("probe", {"d": ["a"], "p": [1.0], "i": [3.0]}, {"sample": "d", "plateau": "p", "interval": "i"}),
    ],
)
def test_too_few_are_refused_in_words(which, columns, options):
    with pytest.raises(InputError, match=r"at least|four or more"):
        protocol(which)(Table.of(columns), **options)
