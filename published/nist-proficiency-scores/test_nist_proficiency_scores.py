"""Source: NIST Dataplot Reference Manual, scores after ISO 13528, printed tables for the gear data; see source.toml."""

import csv
from pathlib import Path

import numpy as np
import pytest

from stanch.verify.external import e_n_score, verdicts, z_prime_score, z_score, zeta_score

HERE = Path(__file__).parent


def columns(name: str) -> dict[str, np.ndarray]:
    rows = list(csv.DictReader((HERE / name).read_text(encoding="utf-8").splitlines()))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def sigma() -> tuple[float, float]:
    """The least and the largest standard deviation that gives every printed z score to its last digit.

    That digit is sometimes rounded and sometimes cut off in the manual.
    """
    table = columns("scores.csv")
    d, z = np.abs(table["x"] - 1)[table["z"] != 0], np.abs(table["z"])[table["z"] != 0]
    return float((d / (z + 1e-3)).max()), float((d / (z - 1e-3)).min())


def test_one_standard_deviation_makes_every_printed_z_score() -> None:
    low, high = sigma()
    assert 0.00627 < low < high < 0.00629
    table = columns("scores.csv")
    assert z_score(table["x"], 1.0, (low + high) / 2) == pytest.approx(table["z"], abs=1.1e-3)


def test_z_prime_scores_as_printed() -> None:
    table = columns("scores.csv")
    found = z_prime_score(table["x"], 1.0, sum(sigma()) / 2, 0.001)
    assert found == pytest.approx(table["z_prime"], abs=1.3e-3)


def test_zeta_scores_as_printed() -> None:
    table = columns("zeta.csv")
    own = float(columns("laboratory.csv")["x"].std(ddof=1))
    found = zeta_score(table["x"], 1.0, own, sum(sigma()) / 2)
    assert found == pytest.approx(table["zeta"], abs=1.1e-3)


def test_an_en_score_of_one_is_a_zeta_score_of_the_coverage_factor() -> None:
    zeta = zeta_score([1.006], 1.0, 0.003, 0.002)
    assert e_n_score([1.006], 1.0, 0.006, 0.004) == pytest.approx(zeta / 2)


def test_criteria_as_printed() -> None:
    assert verdicts([1.9, 2.1, -2.1, 3.1]).tolist() == ["accepted", "warning", "warning", "action"]
