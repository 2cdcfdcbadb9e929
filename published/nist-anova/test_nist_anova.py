"""Source: NIST Statistical Reference Datasets, analysis of variance; see source.toml."""

import csv
from pathlib import Path

import numpy as np
import pytest

from stanch.verify.precision import ERROR, nested_anova

HERE = Path(__file__).parent


def read(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((HERE / f"{name}.csv").read_text(encoding="utf-8").splitlines()))


CERTIFIED = read("certified")


@pytest.mark.parametrize("file", sorted({row["file"] for row in CERTIFIED}))
def test_certified_values_of_the_analysis_of_variance(file: str) -> None:
    data = read(file)
    found = nested_anova([float(row["y"]) for row in data], {"group": [row["group"] for row in data]})
    group, error = found["group"], found[ERROR]
    here = {
        "df_between": group.df,
        "ss_between": group.ss,
        "ms_between": group.ms,
        "f": group.ms / error.ms,
        "df_within": error.df,
        "ss_within": error.ss,
        "ms_within": error.ms,
        "residual_sd": found.total([ERROR]).sd.value,
    }
    rows = [row for row in CERTIFIED if row["file"] == file]
    assert len(rows) == len(here)
    for row in rows:
        assert here[row["quantity"]] == pytest.approx(float(row["value"]), rel=float(row["relative_tolerance"]), abs=0)


def test_subtracting_the_constant_digits_first_gives_the_rest_back() -> None:
    """The tolerance of the worst file is that of its decimals in binary, not of the method."""
    data = read("smls07")
    values = np.array([float(row["y"].split(".")[0][-2:] + "." + row["y"].split(".")[1]) for row in data])
    found = nested_anova(values, {"group": [row["group"] for row in data]})
    certified = {row["quantity"]: float(row["value"]) for row in CERTIFIED if row["file"] == "smls07"}
    assert found["group"].ss == pytest.approx(certified["ss_between"], rel=1e-13)
    assert found[ERROR].ss == pytest.approx(certified["ss_within"], rel=1e-13)
