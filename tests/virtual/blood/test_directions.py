"""Signs of one-factor changes: a reduced run of the study, and that its table was not edited."""

import hashlib
import importlib.util
import math
import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).parents[3] / "benchmarks" / "blood_directions.py"
TABLE = Path(__file__).parent / "directions.toml"
COMMITTED = "894f5d1eff1c1950b28576a0810693fb304130c76dfad7a60cdeef726597910c"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("blood_directions_study", STUDY)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def test_the_table_is_the_one_that_was_committed_before_the_first_run():
    assert hashlib.sha256(TABLE.read_bytes()).hexdigest() == COMMITTED


@pytest.mark.slow
def test_two_random_baselines_show_no_opposite_sign(study):
    rows = study.study(2, 5, 3600.0, 1)
    assert len({row["change"] for row in rows}) >= 20
    assert [(row["change"], row["reading"], row["of"]) for row in rows if row["wrong"]] == []
    assert sum(row["right"] for row in rows) > 0.8 * 2 * len(rows)


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (1.0, 1.5, "+"),
        (1.0, 0.5, "-"),
        (1.0, 1.01, "0"),
        (100.0, math.inf, "+"),
        (math.inf, 100.0, "-"),
        (math.inf, math.inf, ""),
        (math.nan, 1.0, ""),
    ],
)
def test_signs(study, before, after, expected):
    assert study.sign(before, after, 0.02)[0] == expected


def test_verdicts(study):
    assert study._verdict("+", "+") == "right"
    assert study._verdict("+", "0") == "flat"
    assert study._verdict("+", "-") == "wrong"
    assert study._verdict("0", "+") == "wrong"
    assert study._verdict("0", "") == "none"
