"""Docstrings: everything public has one, in numpydoc order, and every measure in it has its unit in brackets."""

import inspect

import pytest
from docstrings import SECTIONS, Public, entries, is_measure, is_unit, public, returns, sections, units

PUBLIC = public()


def _problems(found: Public) -> list[str]:
    parts = sections(found.doc)
    order = [name for name in parts if name]
    problems = []
    if order != sorted(order, key=SECTIONS.index):
        problems.append(f"sections in the order {', '.join(order)}")
    for entry in entries(parts.get("Parameters", "")):
        if is_measure(entry.kind) and not units(f"{entry.kind} {entry.text}"):
            problems.append(f"parameter {', '.join(entry.names)} : {entry.kind} has no known [unit]")
    for entry in returns(parts.get("Returns", "")):
        if is_measure(entry.kind) and not units(f"{entry.kind} {entry.text} {parts['']}"):
            problems.append(f"return {entry.kind} has no known [unit]")
    problems += _unlisted(found, parts)
    return problems


def _unlisted(found: Public, parts: dict[str, str]) -> list[str]:
    """Measures of the signature that get no unit, in Parameters, in a one-paragraph text or where that text points."""
    if not inspect.isfunction(found.item):
        return []
    signature = inspect.signature(found.item)
    measures = [p.name for p in signature.parameters.values() if is_measure(str(p.annotation))]
    if "Parameters" in parts:
        listed = {name for entry in entries(parts["Parameters"]) for name in entry.names}
        return [f"parameter {name} is not described" for name in measures if name not in listed]
    elsewhere = ":func:" in found.doc or ":meth:" in found.doc
    if (measures or is_measure(str(signature.return_annotation))) and not units(found.doc) and not elsewhere:
        return ["numbers go in or out and no known [unit] is given"]
    return []


def test_everything_public_is_documented() -> None:
    assert len(PUBLIC) > 20
    assert [found.name for found in PUBLIC if not found.doc.strip()] == []


def test_every_measure_has_its_unit() -> None:
    problems = [f"{found.name}: {problem}" for found in PUBLIC for problem in _problems(found)]
    assert problems == [], "\n" + "\n".join(problems)


@pytest.mark.parametrize(
    ("doc", "count"),
    [
        ("One.\n\nParameters\n----------\nx : float\n    A length [m].\n", 0),
        ("One.\n\nParameters\n----------\nx : float\n    A length.\n", 1),
        ("One.\n\nParameters\n----------\nx : float\n    A length [furlong].\n", 1),
        ("One.\n\nParameters\n----------\nn : int\n    How many.\n", 0),
        (
            "One.\n\nParameters\n----------\nx : ndarray\n    Two [Pa].\n\nReturns\n-------\nfloat\n    It.\n",
            1,
        ),
        ("One.\n\nReturns\n-------\nfloat\n    It [Pa].\n\nParameters\n----------\nn : int\n    How many.\n", 1),
    ],
)
def test_the_reader_sees_what_is_missing(doc: str, count: int) -> None:
    class Sample:
        pass

    Sample.__doc__ = doc
    assert len(_problems(Public("sample", Sample))) == count


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        *(("-", True), ("Pa·s", True), ("m^2/s", True), ("1/m^3", True), ("1", True)),
        *(("furlong", False), ("t, t + dwell", False), ("m^x", False), ("", False)),
    ],
)
def test_units_are_told_from_other_brackets(text: str, unit: bool) -> None:
    assert is_unit(text) is unit
