"""The wells protocol from a table to an account."""

import json

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify import protocol
from stanch.verify.table import Numbers, Table

WELLS = protocol("wells")


def _table(bias=0.0, scatter=0.02, samples=12):
    rng = np.random.default_rng(0)
    names = ["low", "low + neutraliser", "base", "base + blocker"]
    s, w = np.repeat(np.arange(samples), 4), np.tile(np.arange(4), samples)
    y = np.exp(rng.normal(6, 0.4, samples)[s] + bias * (w == 3) + rng.normal(0, scatter, s.size))
    return {
        "g": y,
        "s": [f"d{k}" for k in s],
        "w": [names[k] for k in w],
        "r": [f"r{k}" for k in (s + w) % 4],
        "l": np.where(s < samples // 2, "weak", "strong"),
    }


def test_an_account_says_everything():
    found = WELLS(Table.of(_table()), result="g", sample="s", well="w", run="r", level="l", allowed=1.1, unit="Pa")
    assert found.verdicts[0].outcome == "met"
    assert [g.title for g in found.grids] == ["Bias of every well", "All wells together", "Bias by level"]
    assert [row[0] for row in found.grids[0].rows] == ["low", "low + neutraliser", "base", "base + blocker"]
    assert len(found.pictures) == 2
    assert not any("Contrasts" in w for w in found.warnings)
    json.dumps(found.numbers, default=lambda b: b.as_dict(), allow_nan=False)


def test_contrasts_mean_nothing_where_equivalence_is_not_shown():
    for table, allowed in ((_table(bias=0.4), 1.1), (_table(), None), (_table(scatter=0.5), 1.1)):
        found = WELLS(Table.of(table), result="g", sample="s", well="w", allowed=allowed)
        assert found.verdicts[0].outcome != "met"
        assert any("cannot be told apart" in w for w in found.warnings)


def test_bounds_are_refused():
    columns = _table()
    y = columns.pop("g")
    above = np.zeros(y.size, bool)
    above[5] = True
    with pytest.raises(InputError, match="refused, not guessed"):
        WELLS(Table.of({**columns, "g": Numbers(y, ~np.ones(y.size, bool), above)}), result="g", sample="s", well="w")


def test_missing_cells_are_counted_and_the_rest_is_judged():
    columns = _table()
    columns["g"] = np.where(np.arange(48) == 7, np.nan, columns["g"])
    found = WELLS(Table.of(columns), result="g", sample="s", well="w", allowed=1.1)
    assert found.data.missing["g"] == 1
    assert found.data.used == 47
    assert found.verdicts[0].outcome == "met"
