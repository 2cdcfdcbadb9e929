"""From a table to an account: every design, its refusals, and what it says about the data."""

import json
import subprocess
import sys
from typing import Any

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify.precision.protocol import PROTOCOL
from stanch.verify.records import Account, Bounded
from stanch.verify.table import Numbers, Table


def demo(seed: int = 3) -> Table:
    rng = np.random.default_rng(seed)
    day, run = np.repeat(np.arange(20), 4), np.tile([1, 1, 2, 2], 20)
    y = 100 + 2 * rng.normal(size=20)[day] + rng.normal(size=(20, 3))[day, run] + rng.normal(size=80)
    return Table.of({"lab": day // 5, "day": day, "run": run, "y": y, "material": ["one", "two"] * 40}, demo=True)


def plain(x: Any) -> Any:
    if isinstance(x, Bounded):
        return x.as_dict()
    if isinstance(x, dict):
        return {k: plain(v) for k, v in x.items()}
    if isinstance(x, list | tuple):
        return [plain(v) for v in x]
    return x


def whole(account: Account) -> Account:
    """An account anyone can file: complete, and its numbers fit into JSON without NaN."""
    assert account.protocol == "precision"
    assert account.question.endswith("?")
    assert account.design
    assert account.grids
    assert 1 <= len(account.pictures) <= 5
    assert all(p.caption and p.alt for p in account.pictures)
    assert all(d.source for d in account.definitions)
    json.dumps(plain(account.numbers), allow_nan=False)
    json.dumps(plain(account.settings), allow_nan=False)
    return account


def test_nested_with_limits() -> None:
    found = whole(
        PROTOCOL(
            demo(),
            result="y",
            factors=("day", "run"),
            unit="Pa",
            allowed_repeatability_cv=3.0,
            allowed_intermediate_sd=1.0,
            wald=True,
        )
    )
    assert [(v.claim, v.outcome) for v in found.verdicts] == [
        ("The repeatability CV is small enough", "met"),
        ("The intermediate SD is small enough", "not met"),
    ]
    assert found.data.used == 80
    assert found.data.demo
    assert found.numbers["levels"][""]["components"]["day"]["wald"].low is not None


def test_a_laboratory_column_gives_reproducibility() -> None:
    found = whole(PROTOCOL(demo(), result="y", factors=("day",), laboratory="lab", unit="Pa"))
    names = [row[1] for row in found.grids[0].rows]
    assert names == ["repeatability", "intermediate", "reproducibility"]
    assert all(v.outcome == "no limit stated" for v in found.verdicts)


def test_levels_apart_and_sample_not_counted() -> None:
    found = whole(PROTOCOL(demo(), result="y", factors=("run",), sample="day", level="lab"))
    assert list(found.numbers["levels"]) == ["0", "1", "2", "3"]
    parts = found.numbers["levels"]["2"]["totals"]["intermediate"]["parts"]
    assert parts == ["run", "error"]


def test_equal_results_are_reported_and_warned_of() -> None:
    found = whole(PROTOCOL(Table.of({"d": [1, 1, 2, 2], "y": [5.0] * 4}), result="y", factors=("d",)))
    assert any("agree" in w for w in found.warnings)


def test_missing_and_censored_results() -> None:
    value = np.array([1.0, 2.0, 3.0, np.nan, 5.0, 6.5])
    below = np.array([True, False, False, False, False, False])
    table = Table.of({"day": [1, 1, 1, 2, 2, 2], "y": Numbers(value, below, np.zeros(6, dtype=bool))})
    with pytest.raises(InputError, match="leave-out"):
        PROTOCOL(table, result="y", factors=("day",))
    found = whole(PROTOCOL(table, result="y", factors=("day",), censored="leave-out"))
    assert found.data.used == 4
    assert found.data.censored == {"y": 1}
    assert "too small" in found.data.censored_treatment
    assert {e.count for e in found.data.excluded} == {1}


def test_crossed_with_a_sample_that_does_not_count() -> None:
    rng = np.random.default_rng(1)
    part, operator = np.repeat(np.arange(10), 6), np.tile(np.repeat(np.arange(3), 2), 10)
    y = 50 + 5 * rng.normal(size=10)[part] + rng.normal(size=3)[operator] + rng.normal(size=60)
    table = Table.of({"part": part, "op": operator, "y": y})
    found = whole(PROTOCOL(table, design="crossed", result="y", sample="part", factors=("op",)))
    totals = found.numbers["levels"][""]["totals"]
    assert totals["intermediate"]["parts"] == ["op", "part × op", "error"]
    with pytest.raises(UsageError, match="two columns"):
        PROTOCOL(table, design="crossed", result="y", factors=("op",))


@pytest.mark.parametrize("factors", [(), ("day",)])
def test_standard_deviation_against_level(factors: tuple[str, ...]) -> None:
    rng = np.random.default_rng(2)
    level = np.repeat([5, 20, 80, 320], 12)
    y = level * (1 + 0.05 * rng.normal(size=48))
    table = Table.of({"level": level, "day": np.tile(np.repeat([1, 2, 3], 4), 4), "y": y})
    which = "intermediate" if factors else "repeatability"
    found = whole(
        PROTOCOL(
            table,
            design="levels",
            result="y",
            level="level",
            factors=factors,
            which=which,
            unit="Pa",
            **{f"allowed_{which}_cv": 20.0},
        )
    )
    assert found.numbers["form"] == "proportional"
    assert found.numbers["parameters"]["b"] == pytest.approx(0.05, rel=0.35)
    assert {v.outcome for v in found.verdicts} == {"met"}
    assert [row[0] for row in found.grids[0].rows] == ["5", "20", "80", "320"]


def test_a_claim_over_levels() -> None:
    rng = np.random.default_rng(4)
    level, day = np.repeat([5, 100], 25), np.tile(np.repeat(np.arange(5), 5), 2)
    y = level * (1 + 0.04 * rng.normal(size=50))
    found = whole(
        PROTOCOL(
            Table.of({"level": level, "day": day, "y": y}),
            design="claim",
            result="y",
            level="level",
            factors=("day",),
            claimed_repeatability=(5.0,),
            claimed_intermediate=(6.0,),
            claimed_as="cv",
        )
    )
    assert [v.outcome for v in found.verdicts] == ["met"] * 4
    assert found.numbers["checks"][2]["claimed"] == pytest.approx(0.05 * y[25:].mean())
    with pytest.raises(UsageError, match="claimed-repeatability"):
        PROTOCOL(Table.of({"day": day, "y": y}), design="claim", result="y", factors=("day",))


def test_fresh_samples_in_bands() -> None:
    rng = np.random.default_rng(5)
    donor = np.repeat(np.arange(30), 4)
    well = np.tile([1, 1, 2, 2], 30)
    y = np.exp(5 + rng.normal(size=30)[donor] + 0.03 * rng.normal(size=120))
    found = whole(
        PROTOCOL(
            Table.of({"donor": donor, "well": well, "y": y}),
            design="fresh",
            result="y",
            sample="donor",
            factors=("well",),
            bands=3,
            unit="Pa",
            allowed_intermediate_cv=8.0,
        )
    )
    assert list(found.numbers["levels"]) == ["band 1", "band 2", "band 3"]
    assert [v.outcome for v in found.verdicts if "intermediate" in v.claim] == ["met"] * 3
    assert any("one day" in w for w in found.warnings)


def wells(seed: int = 6) -> Table:
    rng = np.random.default_rng(seed)
    sample = np.repeat([f"s{k}" for k in range(20)], 4)
    well = np.tile(["base", "base", "low", "low"], 20)
    y = np.exp(6 - 0.7 * (well == "low") + 0.05 * rng.normal(size=80))
    return Table.of(
        {"s": sample, "well": well, "pair": np.tile([1, 2], 40), "y": y, "e": y * np.exp(0.02 * rng.normal(size=80))}
    )


@pytest.mark.parametrize("kind", ["difference", "ratio", "share", "log-retention"])
def test_contrasts(kind: str) -> None:
    as_cv = kind in ("ratio", "log-retention")
    limit = {"allowed_repeatability_cv": 20.0} if as_cv else {"allowed_repeatability_sd": 1e3}
    found = whole(
        PROTOCOL(
            wells(),
            design="contrast",
            result="y",
            sample="s",
            well="well",
            base="base",
            other="low",
            pair="pair",
            contrast=kind,
            early="e" if kind == "log-retention" else None,
            unit="Pa",
            **limit,
        )
    )
    assert found.verdicts[0].outcome == "met"
    assert found.verdicts[0].value.unit == {"difference": "Pa", "share": "1"}.get(kind, "%")
    assert found.numbers["pairs"] == 40
    assert found.data.used == 80


def test_lone_wells_and_other_wells_are_counted_as_left_out() -> None:
    table = wells()
    well = table.labels("well").copy()
    well[:2] = "extra"
    changed = Table.of({**{k: table.labels(k) for k in ("s", "pair")}, "well": well, "y": table.numbers("y").value})
    found = PROTOCOL(
        changed, design="contrast", result="y", sample="s", well="well", base="base", other="low", pair="pair"
    )
    assert found.numbers["pairs"] == 38
    assert {e.why: e.count for e in found.data.excluded} == {"a well without its partner": 2, "another well": 2}
    with pytest.raises(InputError, match="no well high"):
        PROTOCOL(changed, design="contrast", result="y", sample="s", well="well", base="base", other="high")
    with pytest.raises(InputError, match="one of each well"):
        PROTOCOL(table, design="contrast", result="y", sample="s", well="well", base="base", other="low", pair="s")


def test_pairs_without_a_column_follow_the_table_and_say_so() -> None:
    options = {"design": "contrast", "result": "y", "sample": "s", "well": "well", "base": "base", "other": "low"}
    named, unnamed = PROTOCOL(wells(), **options, pair="pair"), PROTOCOL(wells(), **options)
    assert unnamed.numbers["base_sd"] == pytest.approx(named.numbers["base_sd"], rel=1e-12)
    assert unnamed.numbers["totals"]["repeatability"]["variance"] == pytest.approx(
        named.numbers["totals"]["repeatability"]["variance"], rel=1e-12
    )
    assert any("order of the table" in w for w in unnamed.warnings)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"design": "fresh"}, "--sample"),
        ({"design": "levels"}, "--level"),
        ({"design": "contrast", "sample": "day"}, "--well"),
        ({"factors": ("day",), "allowed_reproducibility_sd": 1.0}, "limits for"),
        ({"factors": ("day",), "allowed_repeatability_sd": -1.0}, "above zero"),
        ({"factors": ("day",), "confidence": 1.5}, "confidence"),
        ({"factors": ("day",), "bands": 3}, "bands"),
        ({"design": "levels", "level": "material", "which": "intermediate"}, "factors"),
        ({"design": "levels", "level": "material", "which": "reproducibility"}, "laboratory"),
    ],
)
def test_options_that_do_not_belong_are_refused(options: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        PROTOCOL(demo(), result="y", **options)


def test_the_same_column_twice_is_refused() -> None:
    with pytest.raises(InputError, match="named twice"):
        PROTOCOL(demo(), result="y", factors=("day",), laboratory="day")


def test_large_tables_draw_a_part_and_say_so() -> None:
    rng = np.random.default_rng(0)
    n = 30_000
    day = rng.integers(0, 3000, n)
    found = whole(PROTOCOL(Table.of({"day": day, "y": 5 + rng.normal(size=n)}), result="y", factors=("day",)))
    for picture in found.pictures:
        for layer in picture.layers:
            assert len(getattr(layer, "x", ())) <= 2000
    assert any("are drawn" in p.caption for p in found.pictures)


def test_naming_the_protocol_stays_light() -> None:
    code = (
        "import sys; import stanch.verify.precision.protocol; "
        "print([m for m in ('scipy', 'pandas', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(("interval", "warned"), [("satterthwaite", True), ("large-sample", False)])
def test_limits_that_rest_on_few_groups_are_warned_of(interval: str, warned: bool) -> None:
    rng = np.random.default_rng(5)
    site, day = np.repeat(np.arange(4), 15), np.repeat(np.arange(20), 3)
    y = 100 + 2 * rng.normal(size=4)[site] + 0.5 * rng.normal(size=20)[day] + rng.normal(size=60)
    table = Table.of({"site": [f"s{k}" for k in site], "day": [f"d{k}" for k in day], "y": y})
    account = PROTOCOL(table, result="y", factors=("site", "day"), interval=interval)
    assert any("held the truth in only 87 to 93 %" in w.replace("\n", " ") for w in account.warnings) is warned
