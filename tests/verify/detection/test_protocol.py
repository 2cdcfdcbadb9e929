"""The detection protocol."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from stanch.errors import InputError, UsageError
from stanch.verify import protocol
from stanch.verify.records import Account
from stanch.verify.table import Numbers, Table

DETECTION = protocol("detection")
RNG = np.random.default_rng(11)
KIND = np.array(["Blank"] * 100 + ["low"] * 60 + ["control"] * 4)
SAMPLE = np.array([f"s{i // 12}" for i in range(164)])
RESULT = np.concatenate([RNG.normal(0, 1, 100), RNG.normal(4, 1, 60), np.full(4, 9.0)])
LOT = np.array([str(i % 2 + 1) for i in range(164)])


def blanks(result: Any = RESULT) -> Table:
    return Table.of({"result": result, "kind": KIND, "sample": SAMPLE, "lot": LOT})


def classical(table: Table, **given: Any) -> Account:
    return DETECTION(table, result="result", kind="kind", sample="sample", **given)


def test_classical() -> None:
    account = classical(blanks(), allowed_blank=3.0, allowed_detection=2.0, unit="Pa")
    assert [v.outcome for v in account.verdicts] == ["met", "not met"]
    assert account.data.used == 160
    assert account.data.excluded[-1].count == 4
    assert account.numbers["lots"][0]["blank_rank"] == 95.5
    assert account.numbers["limit_of_blank"].value == pytest.approx(
        np.percentile(RESULT[:100], 95, method="hazen"), rel=1e-12
    )
    assert account.settings["confidence"] == 0.9
    assert [g.title for g in account.grids] == ["Limits by lot", "Low samples"]


def test_the_largest_lot_counts_unless_pooled() -> None:
    shifted = RESULT + 0.8 * (LOT == "2")
    account = classical(blanks(shifted), lot="lot")
    each = account.numbers["lots"]
    assert [lot["lot"] for lot in each] == ["1", "2"]
    assert account.numbers["limit_of_detection_lot"] == "2"
    assert account.numbers["limit_of_detection"].value == max(lot["limit_of_detection"].value for lot in each)
    assert account.numbers["limit_of_blank"].value == max(lot["limit_of_blank"].value for lot in each)
    pooled = classical(blanks(shifted), lot="lot", lots="pooled")
    assert len(pooled.numbers["lots"]) == 1
    assert pooled.design[-1] == "All lots pooled."


@pytest.mark.parametrize("method", ["non-parametric", "parametric"])
def test_censored_blanks(method: str) -> None:
    below = (RESULT < 0.2) & (KIND == "Blank")
    cut = Numbers(np.where(below, 0.2, RESULT), below, np.zeros(164, dtype=bool))
    account = classical(blanks(cut), method=method)
    free = classical(blanks(), method=method)
    assert account.numbers["limit_of_blank"].value == pytest.approx(
        free.numbers["limit_of_blank"].value, rel=1e-12 if method == "non-parametric" else 0.1
    )
    assert account.data.censored["result"] == below.sum()
    assert account.data.censored_treatment
    assert account.warnings == ()


def test_censored_lows_are_refused() -> None:
    below = np.zeros(164, dtype=bool)
    below[120] = True
    with pytest.raises(InputError, match=r"row 121.*low samples"):
        classical(blanks(Numbers(RESULT, below, np.zeros(164, dtype=bool))))


def test_cut_off_blanks_are_named() -> None:
    account = classical(blanks(np.maximum(RESULT, 0)), method="parametric")
    assert any("cut off below" in w for w in account.warnings)


def test_skew_blanks_are_named() -> None:
    skewed = np.where(KIND == "Blank", np.exp(RESULT), RESULT + 5)
    assert any("skew" in w for w in classical(blanks(skewed), method="parametric").warnings)
    assert not any("skew" in w for w in classical(blanks(skewed)).warnings)
    assert not any("skew" in w for w in classical(blanks(), method="parametric").warnings)


def test_a_column_of_numbers_is_no_lot() -> None:
    table = Table.of({"y": np.arange(600.0), "k": ["blank"] * 600, "lot": np.arange(600) // 2})
    with pytest.raises(InputError, match="300 different"):
        DETECTION(table, result="y", kind="k", lot="lot")


def test_no_low_samples() -> None:
    account = DETECTION(
        Table.of({"result": RESULT[:100], "kind": KIND[:100]}), result="result", kind="kind", allowed_blank=3.0
    )
    assert len(account.verdicts) == 1
    assert account.numbers["limit_of_detection"] is None
    assert any("no low samples" in w for w in account.warnings)


def test_words_of_the_table() -> None:
    with pytest.raises(InputError, match="no row says leer"):
        classical(blanks(), blank="leer")
    with pytest.raises(UsageError, match="--kind"):
        DETECTION(blanks(), result="result")
    with pytest.raises(UsageError, match="--hits"):
        classical(blanks(), hits="result")


def test_probit() -> None:
    table = Table.of(
        {"c": [0, 1, 2, 3, 5, 8, 12] * 2, "h": [1, 2, 6, 11, 16, 19, 20, 0, 1, 3, 8, 13, 17, 19], "n": [20] * 14,
         "lot": ["a"] * 7 + ["b"] * 7}
    )  # fmt: skip
    account = DETECTION(table, design="probit", concentration="c", hits="h", trials="n", lot="lot", unit="Pa")
    assert account.numbers["limit_of_detection_lot"] == "b"
    assert account.data.used == 12
    assert account.data.excluded[-1].why.startswith("blank")
    assert account.verdicts[0].outcome == "no limit stated"
    linear = DETECTION(table, design="probit", concentration="c", hits="h", trials="n", scale="linear")
    assert linear.data.used == 14


def test_quantitation_from_results_and_from_sds() -> None:
    rng = np.random.default_rng(2)
    level = np.repeat([1.0, 3, 10, 30], 12)
    table = Table.of({"y": level + rng.normal(0, 0.4, 48), "s": level})
    one = DETECTION(table, design="quantitation", result="y", sample="s", allowed_cv=20.0, allowed_quantitation=10.0)
    assert one.verdicts[0].outcome == "met"
    groups = [table.numbers("y").value[level == k] for k in np.unique(level)]
    sds = Table.of({"m": [g.mean() for g in groups], "sd": [g.std(ddof=1) for g in groups], "df": [11] * 4})
    two = DETECTION(sds, design="quantitation", concentration="m", sd="sd", df="df", allowed_cv=20.0)
    assert two.numbers["limit_of_quantitation"].value == pytest.approx(one.numbers["limit_of_quantitation"].value)
    with pytest.raises(UsageError, match="--allowed-cv"):
        DETECTION(sds, design="quantitation", concentration="m", sd="sd", df="df")
    with pytest.raises(InputError, match="one result of each"):
        DETECTION(
            Table.of({"y": [1.0, 2, 3], "s": ["a", "b", "c"]}),
            design="quantitation", result="y", sample="s", allowed_cv=20.0,
        )  # fmt: skip


def test_calibration() -> None:
    x = np.arange(10.0)
    y = 1 + 3 * x + np.tile([0.2, -0.2], 5)
    account = DETECTION(
        Table.of({"x": x, "y": y}), design="calibration", concentration="x", result="y", allowed_detection=5.0
    )
    assert [v.outcome for v in account.verdicts] == ["no limit stated", "met", "no limit stated"]
    assert account.numbers["slope"] == pytest.approx(3, abs=0.1)


def rates() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(3)
    follow = np.repeat([20.0, 30, 45], 60)
    kind = np.tile(np.repeat(["blank", "low"], [40, 20]), 3)
    sample = np.where(kind == "low", np.tile(np.arange(60) % 2, 3).astype(str), "none")
    true = np.where(kind == "low", 0.3 + 0.5 * (sample == "1"), 0.0)
    return {
        "rate": true + rng.normal(size=180) * 0.1 * (follow / 30) ** -1.5,
        "follow": follow,
        "kind": kind,
        "sample": sample,
    }


def test_lysis() -> None:
    account = DETECTION(
        Table.of(rates()), design="lysis", result="rate", kind="kind", sample="sample", follow="follow",
        method="parametric", follow_time=30.0, wanted_rate=0.5, allowed_follow=45.0, allowed_offset=0.1,
    )  # fmt: skip
    assert [v.outcome for v in account.verdicts] == ["met", "met", "met"]
    # The two weak samples lyse at 0.3 and 0.8; taken together their SD would be 0.27.
    assert account.numbers["sd_weak"].value == pytest.approx(0.1, abs=0.04)
    assert account.numbers["limit_of_detection"].value == pytest.approx(0.33, abs=0.08)
    assert account.numbers["follow_power"]["p"] == pytest.approx(-1.5, abs=0.4)
    assert 15 < account.numbers["follow_needed"].value < 30
    assert len(account.pictures) == 2


def test_lysis_at_one_follow_time_and_from_sds() -> None:
    table = {name: values[60:120] for name, values in rates().items()}
    one = DETECTION(Table.of(table), design="lysis", result="rate", kind="kind", sample="sample", wanted_rate=0.2)
    assert one.verdicts[0].outcome in ("not met", "undecided")
    assert len(one.pictures) == 1
    sds = Table.of({"t": [20.0, 30, 45], "sd": [0.18, 0.1, 0.055], "df": [40, 40, 40]})
    two = DETECTION(sds, design="lysis", sd="sd", df="df", follow="t", wanted_rate=0.5, follow_time=30.0)
    assert two.verdicts[0].outcome == "met"
    assert two.numbers["smallest_rate"].value == pytest.approx(0.33, abs=0.02)


def test_three_blanks() -> None:
    table = Table.of({"r": [0.1, 0.2, 0.15], "k": ["blank"] * 3})
    account = DETECTION(table, design="lysis", result="r", kind="k", wanted_rate=0.3)
    assert account.verdicts[0].outcome == "undecided"


def test_a_million_rows() -> None:
    rng = np.random.default_rng(4)
    n = 1_000_000
    kind = np.array(["blank", "low"])[np.arange(n) % 2]
    table = Table.of({"y": rng.normal(size=n) + 4 * (kind == "low"), "k": kind})
    account = DETECTION(table, result="y", kind="k", allowed_detection=3.4)
    assert account.verdicts[1].outcome == "met"
    assert account.numbers["limit_of_detection"].value == pytest.approx(2 * 1.6448536, abs=0.02)


def test_a_limit_of_quantitation_below_every_sample_is_not_claimed() -> None:
    # A constant CV of 3 % fitted from 10 to 100: the line says 10 % is kept down to zero, nobody has looked.
    sds = Table.of({"m": [10.0, 30.0, 100.0], "sd": [0.3, 0.9, 3.0], "df": [20.0, 20.0, 20.0]})
    more = {"design": "quantitation", "concentration": "m", "sd": "sd", "df": "df", "allowed_cv": 10.0}
    below = DETECTION(sds, allowed_quantitation=5.0, **more)
    assert below.verdicts[0].outcome == "undecided"
    assert "lowest level measured, 10" in below.verdicts[0].rule
    assert below.numbers["extrapolated"]
    assert DETECTION(sds, allowed_quantitation=10.0, **more).verdicts[0].outcome == "met"


def test_every_rule_names_the_level_of_its_interval() -> None:
    account = classical(blanks(), allowed_blank=3.0, allowed_detection=2.0, confidence=0.8)
    assert all("80 % interval" in v.rule for v in account.verdicts)


@pytest.mark.parametrize(("interval", "warned"), [("delta", True), ("profile", False), ("fieller", False)])
def test_the_short_delta_interval_is_warned_of(interval: str, warned: bool) -> None:
    table = Table.of({"c": [1, 2, 3, 5, 8, 12], "h": [2, 6, 11, 16, 19, 20], "n": [20] * 6})
    account = DETECTION(table, design="probit", concentration="c", hits="h", trials="n", interval=interval)
    assert any("delta interval is short" in w for w in account.warnings) is warned
