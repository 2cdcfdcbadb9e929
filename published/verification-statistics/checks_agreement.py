"""Regression between methods and limits of agreement against the reference table."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from scipy import special

from stanch.verify.agreement import deming, known_errors, limits_of_agreement, passing_bablok, weighted_deming

Load = Callable[[str], Mapping[str, list[str]]]
Found = dict[tuple[str, str], float]


def columns(load: Load, name: str, *keys: str) -> list[np.ndarray]:
    """Columns as numbers, rows with a missing cell left out."""
    table = load(name)
    rows = [cells for cells in zip(*(table[key] for key in keys)) if "NA" not in cells]
    return list(np.array(rows, dtype=float).T)


def creatinine(load: Load) -> list[np.ndarray]:
    return columns(load, "creatinine.csv", "serum.crea", "plasma.crea")


def mc1(load: Load) -> Found:
    line = deming(*creatinine(load), error_ratio=1.0, interval="jackknife")
    one, two = "creatinine.csv (108 complete pairs), Deming ratio 1", "creatinine.csv Deming jackknife"
    assert line.se_intercept is not None
    assert line.se_slope is not None
    return {(one, "a"): line.a, (one, "b"): line.b, (two, "se_a"): line.se_intercept, (two, "se_b"): line.se_slope}


def mc2(load: Load) -> Found:
    line = weighted_deming(*creatinine(load), error_ratio=1.0).line
    name = "creatinine.csv weighted Deming ratio 1 (iterated to convergence)"
    return {(name, "a"): line.a, (name, "b"): line.b}


def mc3(load: Load) -> Found:
    line = passing_bablok(*creatinine(load), rounding="nearest", bias_interval="none").line
    one, two = "creatinine.csv Passing-Bablok 1983, exact arithmetic", "creatinine.csv Passing-Bablok CI rounded ranks"
    assert line.slope.low is not None
    assert line.slope.high is not None
    return {
        (one, "b"): line.b,
        (one, "a"): line.a,
        (two, "b_low"): line.slope.low,
        (two, "b_high"): line.slope.high,
    }


def mc4(load: Load) -> Found:
    line = passing_bablok(*columns(load, "sen1968.csv", "x", "y"), level=0.93, bias_interval="none").line
    name = "sen1968.csv Passing-Bablok 93% CI"
    assert line.slope.low is not None
    assert line.slope.high is not None
    return {
        (name, "a"): line.a,
        (name, "b"): line.b,
        (name, "b_low"): line.slope.low,
        (name, "b_high"): line.slope.high,
    }


def mc5(load: Load) -> Found:
    x, y, u, v = columns(load, "arsenate.csv", "aas", "aes", "se.aas", "se.aes")
    line = known_errors(x, y, u, v).line
    name = "arsenate.csv functional (known SEs)"
    return {(name, "a"): line.a, (name, "b"): line.b}


def mc6(load: Load) -> Found:
    x, y, u, v = columns(load, "pearson_york.csv", "x", "y", "wx", "wy")
    found = known_errors(x, y, 1 / np.sqrt(u), 1 / np.sqrt(v))
    assert found.line.se_intercept is not None
    assert found.line.se_slope is not None
    values = {
        "a": found.line.a,
        "b": found.line.b,
        "chi2": found.chi2,
        "u_a": found.line.se_intercept,
        "u_b": found.line.se_slope,
    }
    return {("pearson_york.csv", key): value for key, value in values.items()}


def ba1(load: Load) -> Found:
    wright, mini = columns(load, "bland_altman_1986_pefr.csv", "WrightFirst", "MiniWrightFirst")
    found = limits_of_agreement(mini, wright, multiplier=2.0, interval="1986")
    one = "bland_altman_1986_pefr.csv first readings, k=2"
    two, three = "bland_altman_1986_pefr.csv", "bland_altman_1986_pefr.csv CI of LoA, se=sqrt(3s2/n)"
    values = {
        (one, "n"): found.n,
        (one, "bias"): found.bias.value,
        (one, "sd"): found.sd.value,
        (one, "LoA_low"): found.lower.value,
        (one, "LoA_high"): found.upper.value,
        (two, "bias_low"): found.bias.low,
        (two, "bias_high"): found.bias.high,
        (three, "lowLoA_low"): found.lower.low,
        (three, "lowLoA_high"): found.lower.high,
        (three, "upLoA_low"): found.upper.low,
        (three, "upLoA_high"): found.upper.high,
    }
    return {key: float("nan") if value is None else value for key, value in values.items()}


def ba2(load: Load) -> Found:
    a, b = columns(load, "giavarina_2015.csv", "Method.A", "Method.B")
    found = limits_of_agreement(b, a, multiplier=1.96)
    # The interval of the reference is for the 2.5 % point itself, 1.959964 standard deviations out.
    exact = limits_of_agreement(b, a, multiplier=float(special.ndtri(0.975)), interval="exact")
    one, two = "giavarina_2015.csv k=1.96", "giavarina_2015.csv exact CI of lower LoA (noncentral t)"
    values = {
        (one, "n"): found.n,
        (one, "bias"): found.bias.value,
        (one, "sd"): found.sd.value,
        (one, "LoA_low"): found.lower.value,
        (one, "LoA_high"): found.upper.value,
        (two, "low"): exact.lower.low,
        (two, "high"): exact.lower.high,
    }
    return {key: float("nan") if value is None else value for key, value in values.items()}


CHECKS = {"MC1": mc1, "MC2": mc2, "MC3": mc3, "MC4": mc4, "MC5": mc5, "MC6": mc6, "BA1": ba1, "BA2": ba2}
