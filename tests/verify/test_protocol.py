"""Protocols as data: options are checked before anything is computed, and every protocol keeps the contract."""

from __future__ import annotations

import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest

from stanch.errors import UsageError
from stanch.verify import PROTOCOLS, protocol
from stanch.verify.protocol import Option, Protocol, resolve
from stanch.verify.records import Account, DataUsed

SEEN: list[dict[str, Any]] = []


def _run(table: Any, **options: Any) -> Account:
    SEEN.append(options)
    return Account("p", "t", "q?", (), DataUsed("arrays", "", 0, 0), (), (), (), (), options, {})


MADE = Protocol(
    "made",
    "Is it so?",
    "A table.",
    (
        Option("design", "choice", "Which.", default="one", choices=("one", "two")),
        Option("column", "column", "Which column.", required=True),
        Option("allowed", "number", "Limit.", designs=("two",)),
        Option("error-ratio", "number", "Ratio.", default=1.0, designs=("one",)),
        Option("groups", "columns", "Groups.", required=True, designs=("two",)),
    ),
    _run,
)


def test_every_option_arrives_with_its_default() -> None:
    assert resolve(MADE, {"column": "x"}) == {
        "design": "one",
        "column": "x",
        "allowed": None,
        "error_ratio": 1.0,
        "groups": None,
    }
    account = MADE(None, column="x", error_ratio=2.0)
    assert SEEN[-1]["error_ratio"] == 2.0
    assert account.settings == SEEN[-1]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, "--column.*Which column"),
        ({"column": "x", "colour": 1}, "colour"),
        ({"column": "x", "design": "three"}, "one, two"),
        ({"column": "x", "allowed": 1.0}, "design one.*design two"),
        ({"column": "x", "design": "two"}, "--groups"),
        ({"column": "x", "design": "two", "groups": ("a",), "error_ratio": 1.0}, "--error-ratio"),
    ],
)
def test_what_cannot_be_meant_is_refused(given: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        MADE(None, **given)


def test_none_and_nothing_count_as_not_given() -> None:
    assert resolve(MADE, {"column": "x", "allowed": None, "groups": ()})["allowed"] is None


def test_an_unknown_protocol_names_the_known_ones() -> None:
    with pytest.raises(UsageError, match="precision, linearity"):
        protocol("prcision")


@pytest.mark.parametrize("name", PROTOCOLS)
def test_each_protocol_keeps_the_contract(name: str) -> None:
    one = protocol(name)
    assert one.name == name
    assert one.question.endswith("?")
    assert one.summary.endswith(".")
    keys = [option.key for option in one.options]
    assert len(set(keys)) == len(keys)
    designs = next((option.choices for option in one.options if option.name == "design"), ())
    for option in one.options:
        assert option.help.endswith("."), option.name
        assert set(option.designs) <= set(designs), option.name
        assert (option.kind == "choice") == bool(option.choices), option.name
        if option.choices and option.default is not None:
            assert option.default in option.choices, option.name
        assert not (option.required and option.default is not None), option.name
        assert "_" not in option.name


def test_protocols_are_light_to_import() -> None:
    program = (
        "import sys\nfrom stanch.verify import PROTOCOLS, protocol\n"
        "for name in PROTOCOLS: protocol(name)\n"
        "print([m for m in ('scipy', 'pandas', 'matplotlib', 'numba', 'pyarrow', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-P", "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_function_stays_reachable_after_its_namesake_module() -> None:
    program = "import stanch.verify.protocol\nfrom stanch.verify import protocol\nprint(protocol('lots').name)"
    done = subprocess.run([sys.executable, "-P", "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "lots"


KINDS = Protocol(
    "kinds",
    "Is it so?",
    "A table.",
    (
        Option("number", "number", "A number.", default=1.0),
        Option("numbers", "numbers", "Numbers.", default=()),
        Option("count", "count", "A count.", default=1, most=100),
        Option("text", "text", "A text.", default=""),
        Option("texts", "texts", "Texts.", default=()),
        Option("column", "column", "A column."),
        Option("columns", "columns", "Columns.", default=()),
        Option("flag", "flag", "A switch.", default=False),
        Option("choice", "choice", "One of two.", choices=("one", "two")),
    ),
    _run,
)


@pytest.mark.parametrize(
    ("given", "arrives"),
    [
        ({"number": np.float64(0.5)}, 0.5),
        ({"number": 2}, 2.0),
        ({"numbers": 3}, (3.0,)),
        ({"numbers": np.array([1.0, 2.0])}, (1.0, 2.0)),
        ({"numbers": [1, 2]}, (1.0, 2.0)),
        ({"count": np.int64(7)}, 7),
        ({"count": 7.0}, 7),
        ({"text": ""}, ""),
        ({"texts": "one"}, ("one",)),
        ({"columns": "day"}, ("day",)),
        ({"columns": ["day", "run"]}, ("day", "run")),
        ({"flag": True}, True),
        ({"numbers": []}, ()),
    ],
)
def test_values_of_the_kind_arrive_in_one_form(given: dict[str, Any], arrives: Any) -> None:
    (key,) = given
    found = resolve(KINDS, given)[key]
    assert found == arrives
    assert type(found) is type(arrives)


@pytest.mark.parametrize("alpha", [1e-12, 1 - 1e-12])
def test_probabilities_whose_tails_cannot_be_told_are_refused(alpha: float) -> None:
    options = (Option("alpha", "number", "Error.", default=0.05),)
    made = Protocol("made", "Is it so?", "A table.", options, _run)
    assert resolve(made, {"alpha": 1e-9})["alpha"] == 1e-9
    with pytest.raises(UsageError, match="1e-09 to 1 - 1e-09"):
        resolve(made, {"alpha": alpha})


@pytest.mark.parametrize(
    "given",
    [
        *({"number": bad} for bad in (math.nan, math.inf, 1e101, "0.5", "x", True, [1.0], 10**400)),
        *({"numbers": bad} for bad in ((math.nan,), ("x",), "1,2", (None,), (1e300,))),
        *({"count": bad} for bad in (-1, 2.5, 101, math.nan, True, "3", 2**70)),
        *({"text": bad} for bad in (5, ("a",))),
        *({"texts": bad} for bad in (("",), (5,))),
        *({"column": bad} for bad in ("", 5, ("a",))),
        *({"columns": bad} for bad in (("",), 5, ("a", None))),
        *({"flag": bad} for bad in ("yes", 1)),
        *({"choice": bad} for bad in ("three", 1, ("one",), "")),
    ],
)
def test_values_of_another_kind_are_refused(given: dict[str, Any]) -> None:
    (key,) = given
    with pytest.raises(UsageError, match=rf"^option --{key}; got .*; allowed: "):
        resolve(KINDS, given)
