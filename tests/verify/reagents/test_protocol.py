"""The reagents protocol from a table to an account, one design after the other."""

import json

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify import protocol
from stanch.verify.table import Numbers, Table

REAGENTS = protocol("reagents")


def _checked(found):
    json.dumps(found.numbers, default=lambda b: b.as_dict(), allow_nan=False)
    assert found.pictures
    assert all(p.caption and p.alt for p in found.pictures)
    assert found.definitions
    return found


def test_neutraliser():
    rng = np.random.default_rng(0)
    dose = np.tile([0.0, 0.5, 1, 2], 8)
    y = np.exp(np.repeat(rng.normal(5, 0.2, 8), 4) + 0.2 * np.maximum(dose - 1, 0) + rng.normal(0, 0.02, 32))
    table = Table.of({"u": dose, "onset": y, "donor": np.repeat([f"d{k}" for k in range(8)], 4)})
    base = {"design": "neutraliser", "dose": "u", "result": "onset", "sample": "donor", "dose_unit": "IU/mL"}
    found = _checked(REAGENTS(table, **base, allowed=1.1, wanted=1.0))
    assert found.verdicts[0].outcome == "met"
    assert found.numbers["capacity"].value == 1.0
    assert REAGENTS(table, **base, allowed=1.1, wanted=2.0).verdicts[0].outcome == "not met"
    assert REAGENTS(table, **base).verdicts[0].outcome == "no limit stated"


def test_block_by_lot():
    rng = np.random.default_rng(1)
    f, p = rng.uniform(100, 200, 24), rng.uniform(300, 600, 24)
    b = rng.normal(np.where(np.arange(24) < 12, 0.95, 0.7), 0.02)
    table = Table.of({"g": f + p, "k": f + (1 - b) * p, "f": f, "lot": ["A"] * 12 + ["B"] * 12})
    found = _checked(
        REAGENTS(
            table, design="block", base="g", blocked="k", reference_well="f", lot="lot", least=0.9, allowed_sd=0.05
        )
    )
    assert [v.outcome for v in found.verdicts] == ["met", "met", "not met", "met"]
    assert found.numbers["sd_between_lots"] == pytest.approx(0.25 / np.sqrt(2), rel=0.1)


def test_antifibrinolytic_without_a_challenge_is_warned_about():
    table = Table.of({"p": [0.0, 0.1, -0.1, 0.05], "u": [3.0, 2.5, 3.1, 2.8]})
    found = _checked(REAGENTS(table, design="antifibrinolytic", protected="p", allowed=0.5))
    assert found.verdicts[0].outcome == "undecided"
    assert any("not shown" in w for w in found.warnings)
    full = _checked(REAGENTS(table, design="antifibrinolytic", protected="p", unprotected="u", allowed=0.5))
    assert full.verdicts[0].outcome == "met"
    assert not any("there was lysis" in w for w in full.warnings)


def test_null_effects_are_judged_by_additive():
    rng = np.random.default_rng(2)
    x = rng.uniform(100, 300, 20)
    y = x * np.where(np.arange(20) < 10, 1.0, 1.2) * np.exp(rng.normal(0, 0.01, 20))
    table = Table.of({"x": x, "y": y, "a": ["neutraliser"] * 10 + ["blocker"] * 10})
    found = _checked(REAGENTS(table, design="null-effect", without="x", with_additive="y", additive="a", allowed=1.1))
    assert [v.outcome for v in found.verdicts] == ["met", "not met"]


def test_contact_with_wells_that_never_set():
    t = np.linspace(150, 200, 12)
    b = Numbers(np.full(12, 1800.0), np.zeros(12, bool), np.ones(12, bool))
    found = _checked(
        REAGENTS(Table.of({"t": t, "b": b}), design="contact", with_factor="t", blank="b", least=600.0, unit="s")
    )
    assert found.verdicts[0].outcome == "met"
    assert found.data.censored == {"t": 0, "b": 12}
    assert "stay in" in found.data.censored_treatment
    low = Numbers(np.full(12, 1800.0), np.ones(12, bool), np.zeros(12, bool))
    with pytest.raises(InputError, match="an onset <x"):
        REAGENTS(Table.of({"t": t, "b": low}), design="contact", with_factor="t", blank="b")


def test_options_stay_with_their_design():
    with pytest.raises(UsageError, match="--lot"):
        REAGENTS(Table.of({"t": [1.0]}), design="contact", with_factor="t", blank="t", lot="t")
    with pytest.raises(UsageError, match="--design"):
        REAGENTS(Table.of({"t": [1.0]}))
