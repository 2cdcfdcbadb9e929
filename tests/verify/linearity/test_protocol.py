"""The linearity protocol."""

from __future__ import annotations

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify import protocol
from stanch.verify.records import Bounded
from stanch.verify.table import Numbers, Table

LINEARITY = protocol("linearity")
X = np.repeat(np.arange(1.0, 8), 3)
Y = 5 + 10 * X - 0.1 * (X - 4) ** 2 + np.tile([-0.2, 0, 0.2], 7)


def table(y: object = Y) -> Table:
    return Table.of({"dose": X, "modulus": y}, demo=True)


@pytest.mark.parametrize("design", ["polynomial", "level-means"])
def test_an_account(design: str) -> None:
    account = LINEARITY(
        table(),
        design=design,
        level="dose",
        result="modulus",
        allowed=1.5,
        allowed_percent=3.0,
        wanted_low=2.0,
        wanted_high=6.0,
        unit="Pa",
        level_unit="mg",
    )
    assert [v.outcome for v in account.verdicts] == ["met", "met"]
    assert account.verdicts[0].value.unit == "%"
    assert account.data.used == 21
    assert [g.title for g in account.grids] == ["Levels", "Fits", "Useful range"]
    assert len(account.pictures) == 2
    assert account.numbers["slope"].value == pytest.approx(10, abs=0.1)
    assert account.settings["confidence"] == 0.9
    assert account.definitions
    assert account.numbers["useful_range"] == {"low": 1.0, "high": 7.0, "refitted": True}
    share = account.numbers["largest_deviation_of_allowed"]
    assert isinstance(share, Bounded)
    assert share.value is not None
    assert abs(share.value) < 100


def test_significance_is_not_the_verdict() -> None:
    account = LINEARITY(table(), level="dose", result="modulus", order=2, allowed_percent=5.0)
    assert account.numbers["orders"][1]["p_top"] < 0.001
    assert account.verdicts[0].outcome == "met"
    assert LINEARITY(table(), level="dose", result="modulus").verdicts[0].outcome == "no limit stated"


def test_a_narrow_assay_does_not_hold_the_wanted_range() -> None:
    account = LINEARITY(
        table(np.minimum(Y, 55)), level="dose", result="modulus", allowed=0.9, wanted_low=1.0, wanted_high=7.0
    )
    assert [v.outcome for v in account.verdicts] == ["not met", "not met"]
    assert account.numbers["useful_range"]["high"] < 7


def test_mixtures_and_recovery() -> None:
    ratio = (X - 1) / 6
    made = Table.of({"ratio": ratio, "result": 20 + 80 * ratio + np.tile([-0.2, 0, 0.2], 7)})
    account = LINEARITY(
        made, level="ratio", result="result", levels_are="ratio", allowed_percent=5.0, allowed_recovery=3.0
    )
    assert [v.outcome for v in account.verdicts] == ["met", "met"]
    assert account.numbers["recovery"][0].value is None
    assert account.numbers["recovery"][3].value == pytest.approx(100)


def test_amounts_have_no_recovery() -> None:
    account = LINEARITY(table(), level="dose", result="modulus", levels_are="amount")
    assert account.numbers["recovery"] == []
    with pytest.raises(UsageError, match="no recovery"):
        LINEARITY(table(), level="dose", result="modulus", levels_are="amount", allowed_recovery=5.0)


def test_censored_ends_are_left_out_whole_and_counted() -> None:
    y = Y.copy()
    below, above = y < 15.5, y > 73.9
    y[below], y[above] = 15.5, 73.9
    made = Table.of({"dose": X, "modulus": Numbers(y, below, above)})
    assert 0 < below.sum() < 4
    assert 0 < above.sum() < 4
    with pytest.raises(InputError, match="only as a bound"):
        LINEARITY(made, level="dose", result="modulus")
    account = LINEARITY(made, level="dose", result="modulus", censored="leave-out")
    assert account.data.used == 15
    assert [e.count for e in account.data.excluded] == [6]
    assert "left out whole" in account.data.censored_treatment
    assert account.numbers["levels"][0]["level"] == 2


def test_a_bound_inside_is_refused() -> None:
    inside = (X == 4) & (np.arange(X.size) == 10)
    made = Table.of({"dose": X, "modulus": Numbers(Y, inside, np.zeros(X.size, dtype=bool))})
    with pytest.raises(InputError, match=r"row 11.*inside the range"):
        LINEARITY(made, level="dose", result="modulus", censored="leave-out")
    every = Table.of({"dose": X, "modulus": Numbers(Y, np.ones(X.size, dtype=bool), np.zeros(X.size, dtype=bool))})
    with pytest.raises(InputError, match="bound at every level"):
        LINEARITY(every, level="dose", result="modulus", censored="leave-out")


def test_missing_cells_are_counted() -> None:
    y = Y.copy()
    y[4] = np.nan
    account = LINEARITY(table(y), level="dose", result="modulus", allowed=2.0)
    assert account.data.missing["modulus"] == 1
    assert account.data.used == 20


def test_tiny_designs() -> None:
    three = Table.of({"x": [1.0, 2, 3], "y": [1.0, 2.1, 3]})
    with pytest.raises(InputError, match="at least 4 levels"):
        LINEARITY(three, level="x", result="y")
    account = LINEARITY(three, level="x", result="y", design="level-means", allowed=1.0)
    assert account.verdicts[0].outcome == "undecided"
    assert "nothing is decided" in account.warnings[0]


def test_options_of_the_other_design_are_refused() -> None:
    with pytest.raises(UsageError, match="--order"):
        LINEARITY(table(), level="dose", result="modulus", design="level-means", order=2)
    with pytest.raises(UsageError, match="--level"):
        LINEARITY(table(), result="modulus")


def test_many_rows_are_thinned_in_the_pictures_only() -> None:
    rng = np.random.default_rng(1)
    x = rng.uniform(0, 10, 100_000)
    made = Table.of({"x": x, "y": 1 + 2 * x + rng.normal(size=x.size)})
    account = LINEARITY(made, level="x", result="y", allowed=0.5)
    assert account.data.used == 100_000
    assert account.verdicts[0].outcome == "met"
    for picture in account.pictures:
        for layer in picture.layers:
            assert len(getattr(layer, "x", ())) <= 2000
    assert "th reading is drawn" in account.pictures[0].caption
    assert any("100000 different levels" in w for w in account.warnings)
