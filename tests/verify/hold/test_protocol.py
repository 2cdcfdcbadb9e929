"""The hold protocol from a table to an account."""

import json

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify import protocol
from stanch.verify.records import Bounded
from stanch.verify.table import Numbers, Table

HOLD = protocol("hold")


def _curves(samples=32, seed=0):
    rng = np.random.default_rng(seed)
    time = np.arange(6.0, 2700.0, 12.0)
    g = []
    for _ in range(samples):
        rise = np.maximum(time - rng.uniform(120, 300), 0)
        g.append(
            np.exp(rng.normal(6, 0.3))
            * (1 - np.exp(-rise / rng.uniform(150, 500)))
            * np.exp(rng.normal(0, 0.01, time.size))
        )
    return time, np.array(g)


def _table(unit=1.0, **more):
    time, g = _curves()
    names = np.repeat([f"s{k}" for k in range(len(g))], time.size)
    return Table.of({"sample": names, "t": np.tile(time, len(g)) * unit, "g": g.ravel(), **more})


OPTIONS = {
    "design": "curves",
    "sample": "sample",
    "time": "t",
    "modulus": "g",
    "onset_modulus": 20.0,
    "dwell": 60.0,
    "time_unit": "s",
    "holds": (2.0, 5.0, 10.0, 15.0),
    "draws": 100,
    "allowed": 30.0,
    "limits": (350.0,),
}


def test_an_account_says_everything():
    found = HOLD(_table(), **OPTIONS)
    assert found.verdicts[0].outcome == "met"
    assert found.verdicts[0].allowed == "90 % of predicted plateaus within 30 %"
    assert any("inflated" in w for w in found.warnings)
    assert [g.title for g in found.grids] == ["Every hold", "Decisions at 350 Pa"]
    assert len(found.grids[0].rows) == 4
    assert len(found.pictures) == 4
    assert all(p.caption and p.alt for p in found.pictures)
    assert found.seed == 0
    assert found.settings["onset_modulus"] == 20.0
    plain = json.dumps(found.numbers, default=lambda b: b.as_dict(), allow_nan=False)
    assert "ninety" in plain


def test_minutes_are_seconds():
    a = HOLD(_table(), **OPTIONS)
    b = HOLD(_table(1 / 60), **{**OPTIONS, "time_unit": "min"})
    one, two = (x.numbers["all"]["holds"][1]["ninety"] for x in (a, b))
    assert two.value == pytest.approx(one.value, rel=1e-6)


@pytest.mark.parametrize("missing", ["onset_modulus", "dwell", "time_unit", "design"])
def test_nothing_that_decides_has_a_built_in_value(missing):
    with pytest.raises(UsageError, match=missing.replace("_", "-")):
        HOLD(_table(), **{k: v for k, v in OPTIONS.items() if k != missing})


def test_readings_made_elsewhere_give_the_same_account_as_curves():
    from stanch.verify.hold import read_curve

    time, g = _curves()
    read = [read_curve(time, one, 60 * np.array(OPTIONS["holds"]), onset_modulus=20.0, dwell=60.0) for one in g]
    open_ = np.array([r.plateau_open[0] for r in read])
    columns = {f"h{k}": [r.early[0, k] for r in read] for k in range(4)}
    table = Table.of(
        {
            **columns,
            "p": Numbers(np.array([r.plateau[0] for r in read]), np.zeros(32, bool), open_),
            "onset": [r.onset[0] / 60 for r in read],
            "entry": Numbers(np.array([r.entry[0] for r in read]) / 60, np.zeros(32, bool), open_),
        }
    )
    keep = {k: OPTIONS[k] for k in ("holds", "draws", "allowed", "limits")}
    wide = HOLD(
        table,
        design="readings",
        early=tuple(columns),
        plateau="p",
        onset="onset",
        entry="entry",
        time_unit="min",
        **keep,
    )
    long = HOLD(_table(), **OPTIONS)
    assert wide.data.censored["p"] == int(open_.sum())
    for a, b in zip(wide.numbers["all"]["holds"], long.numbers["all"]["holds"]):
        assert a["ninety"].value == pytest.approx(b["ninety"].value, rel=1e-9)
        assert a["saved"].value == pytest.approx(b["saved"].value)
        assert a["decisions"][0]["counts"] == b["decisions"][0]["counts"]


def test_wells_are_judged_on_their_own():
    group = np.repeat(np.tile(["base", "base + blocker"], 16), _curves()[0].size)
    found = HOLD(_table(well=group), **OPTIONS, group="well")
    assert [v.claim.endswith(f"({w})") or w in v.claim for v, w in zip(found.verdicts, ("base", "base + blocker"))]
    assert set(found.numbers) == {"base", "base + blocker"}
    assert found.verdicts[0].outcome == "undecided"
    assert len(found.pictures) == 4


def test_liquid_known_as_a_bound_is_liquid_and_other_bounds_are_refused():
    plain = _table()
    values = plain.numbers("g").value
    below = values < 5.0
    assert below.any()
    raised = Numbers(np.where(below, 5.0, values), below, np.zeros(values.size, bool))
    table = Table({**plain.columns, "g": raised})
    found = HOLD(table, **OPTIONS)
    assert found.data.censored["g"] == int(below.sum())
    assert found.numbers["all"]["holds"][3]["ninety"].value == pytest.approx(
        HOLD(plain, **OPTIONS).numbers["all"]["holds"][3]["ninety"].value, rel=0.02
    )
    bad = Numbers(values, values > 100, np.zeros(values.size, bool))
    with pytest.raises(InputError, match="onset modulus"):
        HOLD(Table({**plain.columns, "g": bad}), **OPTIONS)


def test_early_columns_and_holds_must_match():
    table = Table.of({"a": [1.0, 2], "p": [2.0, 3]})
    with pytest.raises(UsageError, match="one for each of 2 holds"):
        HOLD(table, design="readings", early=("a",), plateau="p", holds=(1.0, 2.0), time_unit="min")


def test_every_bounded_has_its_interval_the_right_way_round():
    found = HOLD(_table(), **OPTIONS)
    cells = [c for g in found.grids for row in g.rows for c in row if isinstance(c, Bounded)]
    assert len(cells) > 20
    assert all(c.low is None or c.value is None or c.low <= c.value for c in cells)
    assert all(c.high is None or c.value is None or c.value <= c.high for c in cells)


@pytest.mark.parametrize("rising", [True, False])
def test_what_rising_plateaus_rest_on_is_said_where_there_are_any(rising):
    rng = np.random.default_rng(4)
    top = np.exp(rng.normal(6, 0.5, 40))
    above = (np.arange(40) % 4 == 0) & rising
    table = Table.of({"e": top * np.exp(rng.normal(-0.5, 0.1, 40)), "p": Numbers(top, np.zeros(40, bool), above)})
    options = {"design": "readings", "early": ("e",), "plateau": "p", "time_unit": "min", "holds": (5.0,)}
    said = HOLD(table, draws=100, **options).warnings
    assert any("heavy tails" in w for w in said) is rising
