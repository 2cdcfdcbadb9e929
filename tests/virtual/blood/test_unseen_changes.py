"""A reduced version of ``benchmarks/unseen_changes.py``: what the demo assay cannot see is not seen, what it can is."""

from __future__ import annotations

import math
import sys
from functools import cache
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any

import pytest

SCRIPT = Path(__file__).parents[3] / "benchmarks" / "unseen_changes.py"
OUT_OF_REACH = (
    "factor XII at 1 %",
    "prekallikrein at 1 %",
    "factor XI at 1 %",
    "factor VIII at 25 %",
    "factor IX at 25 %",
)


@cache
def study() -> Any:
    spec = spec_from_file_location("unseen_changes", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    sys.modules["unseen_changes"] = module
    spec.loader.exec_module(module)
    return module


@cache
def donors() -> tuple[int, ...]:
    return tuple(study().inside(4, 3))


@cache
def pairs() -> tuple[Any, ...]:
    s = study()
    return tuple(pair for number in donors() for pair in s.pairs_of((4, number, tuple(s.CHANGES), False)))


@pytest.mark.parametrize("change", OUT_OF_REACH)
def test_what_no_well_reaches_leaves_every_reading_inside(change: str) -> None:
    mine = [p for p in pairs() if p.change == change]
    assert len(mine) == len(donors())
    for pair in mine:
        assert pair.newly == {"rule": set(), "beyond": set(), "crossed": set()}


@pytest.mark.parametrize(("change", "least"), [("factor XII at 1 %", 1.2), ("factor XI at 1 %", 2.0)])
def test_the_change_is_there_a_contact_well_would_tell(change: str, least: float) -> None:
    for pair in pairs():
        if pair.change == change:
            assert pair.moved["contact"] > least
            assert pair.moved["onset: low"] == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize(
    ("change", "rule", "least"),
    [
        ("fibrinogen at 0.9 g/L", "fibrin_part_low", 3),
        ("platelets at 35 10^9/L", "platelet_part_low", 2),  # few that pull strongly are missed in some donors
        ("tPA at 3 nmol/L", "lysis", 3),
    ],
)
def test_what_the_assay_is_made_for_is_seen(change: str, rule: str, least: int) -> None:
    assert sum(rule in p.newly["rule"] for p in pairs() if p.change == change) >= least


def test_heparin_within_the_neutraliser_is_seen_by_the_low_wells_alone() -> None:
    s = study()
    base = s.base_names()
    for pair in (p for p in pairs() if p.change == "heparin 2 IU/mL"):
        assert "heparin_effect" in pair.newly["rule"]
        assert not any(base[name] for found in pair.newly.values() for name in found)


def test_through_noise() -> None:
    s = study()
    wanted = ("factor XII at 1 %", "fibrinogen at 0.9 g/L")
    unseen, seen = s.pairs_of((4, donors()[0], wanted, True))
    assert unseen.newly["rule"] == set()
    assert unseen.newly["beyond"] == set()
    assert "fibrin_part_low" in seen.newly["rule"]


def test_counting() -> None:
    s = study()
    nothing: dict[str, set[str]] = {"rule": set(), "beyond": set(), "crossed": set()}
    found = {"rule": {"lysis"}, "beyond": set(), "crossed": {"onset: low high"}}
    moved = dict.fromkeys((*s.FOLLOWED, "contact"), 1.5)
    done = [s.Pair("tPA at 3 nmol/L", True, one, moved) for one in [found, *[nothing] * 9]]
    everything, in_base = s.counted(done)
    assert (everything["rule"], everything["crossed"], everything["beyond"]) == (1, 1, 0)
    assert in_base["rule"] == 1
    assert in_base["crossed"] == 0
    assert everything["beyond_high"] == pytest.approx(1 - 0.025 ** (1 / 10))
    assert everything["gel_time_contact_well"] == 1.5


def test_a_size_is_found_where_a_limit_is_crossed() -> None:
    s = study()
    rows = {r["changed"]: r for r in s.reached(s.reach_of((4, donors()[0], (
        ("fibrinogen", "lack", "any"), ("factor XII", "lack", "any"), ("heparin", "excess", "any"),
    ))))}  # fmt: skip
    own = s.donor(4, donors()[0])
    size = rows["fibrinogen"]["half"]
    assert size < own.composition.fibrinogen
    before = s.out(s.perfect(s.clots(own)))[1]
    for factor, seen in ((0.999, True), (1.10, False)):
        after = s.out(s.perfect(s.clots(s.part("fibrinogen", factor * size)(own))))[1]
        assert any(after[n] and not before[n] for n in after) is seen
    assert rows["factor XII"]["seen"] == 0
    assert math.isnan(rows["factor XII"]["half"])
    assert 0.01 < rows["heparin"]["half"] < 0.5
