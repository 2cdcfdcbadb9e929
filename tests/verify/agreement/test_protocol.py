"""From a table to an account: every design, its limits, its refusals."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify.agreement import deming, passing_bablok
from stanch.verify.agreement.protocol import PROTOCOL
from stanch.verify.records import Account, Bounded
from stanch.verify.table import Numbers, Table

DESIGNS: list[dict[str, Any]] = [
    {"design": "deming"},
    {"design": "deming", "interval": "analytic"},
    {"design": "deming", "interval": "bootstrap", "draws": 200},
    {"design": "deming", "x_again": "x2", "y_again": "y2"},
    {"design": "weighted-deming"},
    {"design": "weighted-deming", "x_again": "x2", "y_again": "y2"},
    {"design": "known-errors", "x_sd": "u", "y_sd": "v"},
    {"design": "passing-bablok", "draws": 200},
    {"design": "passing-bablok", "bias_interval": "influence"},
    {"design": "passing-bablok", "relation": "general", "bias_interval": "influence"},
    {"design": "differences"},
    {"design": "differences", "scale": "percent"},
    {"design": "differences", "scale": "ratio"},
    {"design": "differences", "limits": "ranks"},
    {"design": "differences", "limits": "by-level", "draws": 200},
    {"design": "differences", "repeats": "constant", "sample": "s"},
    {"design": "differences", "repeats": "varying", "sample": "s"},
]


def table(n: int = 45, seed: int = 1) -> Table:
    rng = np.random.default_rng(seed)
    s = np.repeat(np.arange(n // 3), 3)
    true = rng.uniform(100, 900, n // 3)[s]
    columns = {name: np.round(true * (1 + 0.04 * rng.normal(size=n)), 1) for name in ("x", "x2", "y", "y2")}
    return Table.of({**columns, "u": 0.04 * true, "v": 0.04 * true, "s": [f"sample {k}" for k in s]})


def plain(value: Any) -> Any:
    """Every number of an account, to look for one that is not finite."""
    if isinstance(value, Bounded):
        return [v for v in (value.value, value.low, value.high) if v is not None]
    if isinstance(value, dict):
        return [w for v in value.values() for w in plain(v)]
    if isinstance(value, list | tuple):
        return [w for v in value for w in plain(v)]
    return [value] if isinstance(value, float | int) and not isinstance(value, bool) else []


@pytest.mark.parametrize("options", DESIGNS, ids=lambda o: " ".join(map(str, o.values())))
def test_every_design_tells_a_whole_account(options: dict[str, Any]) -> None:
    account = PROTOCOL(table(), x="x", y="y", unit="Pa", **options)
    assert isinstance(account, Account)
    assert account.data.used == 45
    assert {v.outcome for v in account.verdicts} == {"no limit stated"}
    assert account.grids
    assert 1 <= len(account.pictures) <= 4
    assert all(picture.caption and picture.alt for picture in account.pictures)
    assert all(d.source for d in account.definitions)
    assert all(math.isfinite(v) for v in plain(dict(account.numbers)))
    assert set(account.settings) == {option.key for option in PROTOCOL.options}
    for grid in account.grids:
        for row in grid.rows:
            assert all(math.isfinite(v) for v in plain(row))
    drawn = options.get("interval") == "bootstrap" or options.get("limits") == "by-level"
    drawn |= options["design"] == "passing-bablok" and options.get("bias_interval") != "influence"
    assert (account.seed == 0) is drawn


def test_numbers_are_those_of_the_plain_functions() -> None:
    given = table()
    x, y = given.numbers("x").value, given.numbers("y").value
    account = PROTOCOL(given, x="x", y="y", error_ratio=2.5)
    assert account.numbers["slope"] == deming(x, y, error_ratio=2.5).slope
    account = PROTOCOL(given, x="x", y="y", design="passing-bablok", draws=200)
    assert account.numbers["slope"] == passing_bablok(x, y, draws=200).line.slope


def test_verdicts_follow_the_allowed_bias_at_each_level() -> None:
    given = table(450)
    x = given.numbers("x").value
    shifted = Table.of({"x": x, "y": x + 20 + np.random.default_rng(2).normal(size=450)})
    account = PROTOCOL(shifted, x="x", y="y", levels=(200.0, 600.0), allowed_bias=(10.0, 30.0))
    assert [v.outcome for v in account.verdicts] == ["not met", "met"]
    account = PROTOCOL(shifted, x="x", y="y", levels=(200.0, 600.0), allowed_bias_percent=(5.0,))
    assert [v.outcome for v in account.verdicts] == ["not met", "met"]
    account = PROTOCOL(shifted, x="x", y="y", levels=(200.0,), allowed_bias=(30.0,), allowed_bias_percent=(5.0,))
    assert account.verdicts[0].outcome == "met"


def test_verdicts_on_limits_of_agreement() -> None:
    given = table(450)
    x = given.numbers("x").value
    noisy = Table.of({"x": x, "y": x + 5 * np.random.default_rng(2).normal(size=450)})
    for allowed, outcome in ((20.0, "met"), (5.0, "not met"), (9.8, "undecided")):
        account = PROTOCOL(noisy, x="x", y="y", design="differences", allowed_difference=allowed)
        assert {v.outcome for v in account.verdicts[1:]} == {outcome}
    account = PROTOCOL(
        noisy, x="x", y="y", design="differences", scale="ratio", allowed_difference=1.5, allowed_bias=(1.02,)
    )
    assert account.verdicts[0].allowed == "ratio from 0.980392 to 1.02"
    assert account.verdicts[0].outcome == "met"


def test_missing_cells_are_counted_and_left_out() -> None:
    given = Table.of({"x": [1.0, 2.0, None, 4.0, 5.0], "y": [1.1, 2.1, 3.0, None, 5.2]})
    account = PROTOCOL(given, x="x", y="y", design="differences")
    assert account.data.used == 3
    assert dict(account.data.missing) == {"x": 1, "y": 1}


def bounded_table() -> Table:
    x = np.linspace(10, 900, 200)
    y = x + np.sin(np.arange(200.0)) * 5
    below = np.zeros(200, dtype=bool)
    below[0] = True
    return Table.of({"x": x, "y": Numbers(y, below, np.zeros(200, dtype=bool))})


@pytest.mark.parametrize("design", ["deming", "weighted-deming", "passing-bablok"])
def test_bounds_are_refused_by_lines_with_advice(design: str) -> None:
    with pytest.raises(InputError, match="limits ranks"):
        PROTOCOL(bounded_table(), x="x", y="y", design=design)


def test_bounds_are_refused_by_standard_deviations_and_kept_by_ranks() -> None:
    with pytest.raises(InputError, match="limits ranks"):
        PROTOCOL(bounded_table(), x="x", y="y", design="differences")
    account = PROTOCOL(bounded_table(), x="x", y="y", design="differences", limits="ranks")
    assert account.numbers["bounds"] == 1
    assert account.numbers["upper"].value is not None
    assert account.data.censored_treatment
    assert any("bounds" in warning for warning in account.warnings)


def test_amplitudes_are_converted_and_shown() -> None:
    rng = np.random.default_rng(3)
    a = rng.uniform(20, 75, 40)
    g = 500 * a / (100 - a)
    given = Table.of({"a": a, "g": g * (1 + 0.03 * rng.normal(size=40))})
    account = PROTOCOL(given, x="a", y="g", amplitude="x", draws=200, design="weighted-deming")
    assert account.numbers["slope"].value == pytest.approx(1.0, abs=0.05)
    assert account.settings["unit"] == "Pa"
    grid = next(grid for grid in account.grids if grid.title == "What subtracting amplitudes does")
    assert grid.rows[0][:2] == (60.0, 20.0)
    assert grid.rows[0][3:6] == (750.0, 125.0, 625.0)
    assert grid.rows[0][6] == pytest.approx(100 * 5 / 6)
    assert any("amplitudes against moduli" in picture.title for picture in account.pictures)
    with pytest.raises(InputError, match="column g"):
        PROTOCOL(given, x="a", y="g", amplitude="both")
    with pytest.raises(UsageError, match="Pa with --amplitude"):
        PROTOCOL(given, x="a", y="g", amplitude="x", unit="kPa")


def test_errors_of_amplitudes_are_carried_through_the_conversion() -> None:
    a = np.linspace(20, 75, 12)
    given = Table.of({"a": a, "g": 500 * a / (100 - a), "u": np.full(12, 0.5), "v": np.full(12, 5.0)})
    account = PROTOCOL(given, x="a", y="g", x_sd="u", y_sd="v", amplitude="x", design="known-errors")
    from stanch.verify.agreement import known_errors

    g = 500 * a / (100 - a)
    step = 1e-6
    numeric = (500 * (a + step) / (100 - a - step) - g) / step * 0.5
    assert account.numbers["se_slope"] == pytest.approx(known_errors(g, g, numeric, 5.0).line.se_slope, rel=1e-5)


def test_repeated_readings_may_be_unequal_in_number() -> None:
    given = Table.of(
        {
            "s": ["a", "a", "b", "b", "c", "c"],
            "x": [10.0, 12.0, 20.0, None, 29.0, 31.0],
            "y": [12.0, None, 20.0, 24.0, 33.0, None],
        }
    )
    account = PROTOCOL(given, x="x", y="y", design="differences", repeats="constant", sample="s", multiplier=2.0)
    assert account.numbers["within_y"] == pytest.approx(8.0)
    assert account.data.used == 6


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"y": "x"}, "another column"),
        ({"x_again": "x2"}, "only one of them"),
        ({"x_again": "x2", "y_again": "y2", "error_ratio": 1.0}, "one source"),
        ({"design": "differences", "repeats": "constant"}, "option --sample"),
        ({"design": "weighted-deming", "interval": "analytic"}, "jackknife or bootstrap"),
        ({"design": "differences", "limits": "ranks", "scale": "ratio"}, "option --scale"),
        ({"design": "differences", "limits": "by-level", "scale": "ratio"}, "option --scale"),
        ({"design": "differences", "repeats": "varying", "sample": "s", "limits": "ranks"}, "option --limits"),
        ({"design": "differences", "allowed_difference": -1.0}, "number above 0"),
        ({"design": "differences", "allowed_bias_percent": (5.0,)}, "scale percent"),
        ({"design": "differences", "allowed_bias": (1.0, 2.0)}, "one value"),
        ({"allowed_bias": (1.0,)}, "option --levels"),
        ({"levels": (1.0, 2.0, 3.0), "allowed_bias": (1.0, 2.0)}, "one for each"),
        ({"levels": (1.0,), "allowed_bias": (0.0,)}, "above 0"),
        ({"design": "differences", "error_ratio": 1.0}, "design"),
        ({"design": "known-errors", "x_sd": "u"}, "y-sd"),
    ],
)
def test_what_cannot_be_meant_is_refused(options: dict[str, Any], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        PROTOCOL(table(), **{"x": "x", "y": "y", **options})


@pytest.mark.parametrize("scale", [1e-12, 1e12])
@pytest.mark.parametrize("design", ["deming", "weighted-deming", "passing-bablok", "differences"])
def test_badly_scaled_tables(design: str, scale: float) -> None:
    given = table()
    x, y = given.numbers("x").value * scale, given.numbers("y").value * scale
    account = PROTOCOL(Table.of({"x": x, "y": y}), x="x", y="y", design=design)
    key = "sd" if design == "differences" else "slope"
    one = PROTOCOL(given, x="x", y="y", design=design).numbers[key].value
    assert account.numbers[key].value == pytest.approx(one * (scale if design == "differences" else 1), rel=1e-9)


@pytest.mark.parametrize("design", ["deming", "weighted-deming", "passing-bablok", "differences"])
@pytest.mark.parametrize(
    ("x", "y"),
    [
        ([5.0, 5.0, 5.0], [5.0, 5.0, 5.0]),
        ([1.0, 2.0, 3.0], [1.0, 2.5, 2.8]),
        ([1.0, 1.0, 2.0, 2.0], [1.0, 1.0, 2.0, 2.0]),
    ],
)
def test_tiny_constant_and_tied_tables_are_right_or_refused(design: str, x: list[float], y: list[float]) -> None:
    given = Table.of({"x": x, "y": y})
    constant = len(set(x)) == 1
    if constant and design != "differences":
        with pytest.raises(InputError, match="equal values"):
            PROTOCOL(given, x="x", y="y", design=design)
        return
    account = PROTOCOL(
        given, x="x", y="y", design=design, bias_interval="influence" if design == "passing-bablok" else None
    )
    assert all(math.isfinite(v) for v in plain(dict(account.numbers)))
    if x == y:
        key = "bias" if design == "differences" else "slope"
        assert account.numbers[key].value == pytest.approx(0.0 if design == "differences" else 1.0)


def test_big_tables_are_thinned_in_pictures_only() -> None:
    rng = np.random.default_rng(1)
    true = rng.uniform(100, 900, 50_000)
    given = Table.of(
        {"x": np.round(true + rng.normal(size=true.size), 1), "y": np.round(true + rng.normal(size=true.size), 1)}
    )
    for design in ("deming", "passing-bablok", "differences"):
        account = PROTOCOL(given, x="x", y="y", design=design)
        assert account.numbers["n"] == 50_000
        for picture in account.pictures:
            for layer in picture.layers:
                assert len(getattr(layer, "x", ())) <= 2000
        assert "2000 of 50000" in account.pictures[0].caption


@pytest.mark.parametrize("relation", ["same", "general"])
def test_the_short_interval_of_a_rank_intercept_is_warned_of(relation: str) -> None:
    options = {"design": "passing-bablok", "relation": relation, "bias_interval": "influence"}
    said = [w for w in PROTOCOL(table(), x="x", y="y", **options).warnings if "interval of the intercept" in w]
    assert len(said) == 1
    assert "91 to 93 %" in said[0]
    assert not any("interval of the intercept" in w for w in PROTOCOL(table(), x="x", y="y", design="deming").warnings)


@pytest.mark.parametrize(("interval", "n", "warned"), [("1986", 30, True), ("1999", 30, True), ("exact", 30, False)])
def test_approximate_intervals_of_limits_are_warned_of_where_samples_are_few(
    interval: str, n: int, warned: bool
) -> None:
    account = PROTOCOL(table(n), x="x", y="y", design="differences", limit_interval=interval)
    assert any("interval of a limit of agreement is short" in w for w in account.warnings) is warned
    many = PROTOCOL(table(60), x="x", y="y", design="differences", limit_interval=interval)
    assert not any("interval of a limit of agreement is short" in w for w in many.warnings)
