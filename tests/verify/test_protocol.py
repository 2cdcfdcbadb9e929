"""Protocols as data: options are checked before anything is computed, and every protocol keeps the contract."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

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
