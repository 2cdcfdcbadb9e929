"""Time, memory and truth of every verification protocol on a table of a million rows.

``python benchmarks/verification_large_tables.py --rows 1000000``

Each study runs in a process of its own on one core: its table is drawn from a known truth, the account is made and
written as JSON, and a number of it is put against the truth. Printed: processor time and wall time of the account,
the highest resident memory before it (libraries and table) and after it, and whether the number is right. ``--only``
takes part of a name; ``--files`` also runs three protocols from CSV files through the command line.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

Columns = dict[str, Any]
Rng = np.random.Generator


@dataclass(frozen=True)
class Study:
    """A protocol with a table of known truth.

    Parameters
    ----------
    protocol : str
    options : mapping
    make : callable
        From a generator and a number of rows to the columns.
    found : callable
        From the numbers of the account to what is put against the truth.
    truth, within : float
        The truth and how far from it the number may lie, as a share of it (of 1 where it is 0).
    most : int
        Rows beyond which the study is not run.
    """

    protocol: str
    options: Mapping[str, Any]
    make: Callable[[Rng, int], Columns]
    found: Callable[[Mapping[str, Any]], float | None]
    truth: float
    within: float
    most: int = 10**9


def _nested(groups: Callable[[int], int]) -> Callable[[Rng, int], Columns]:
    def make(rng: Rng, n: int) -> Columns:
        days = groups(n)
        each = n // days
        day, run = np.repeat(np.arange(days), each), np.tile(np.repeat([1, 2], each // 2), days)
        y = 100 + 2 * rng.normal(size=days)[day] + rng.normal(size=(days, 3))[day, run] + 3 * rng.normal(size=day.size)
        return {"day": day, "run": run, "y": y}

    return make


def _crossed(rng: Rng, n: int) -> Columns:
    side = max(2, round((n / 10) ** 0.5))
    a, b = np.repeat(np.arange(side), 10 * side), np.tile(np.repeat(np.arange(side), 10), side)
    y = 100 + rng.normal(size=side)[a] + 2 * rng.normal(size=side)[b] + rng.normal(size=(side, side))[a, b]
    return {"a": a, "b": b, "y": y + 3 * rng.normal(size=a.size)}


def _levels(rng: Rng, n: int) -> Columns:
    level = np.arange(n) % 8
    mean = 10.0 * 2.0**level
    return {"level": level, "x": mean, "run": np.arange(n) // 8 % 1000, "y": mean * (1 + 0.05 * rng.normal(size=n))}


def _fresh(rng: Rng, n: int) -> Columns:
    donor = np.arange(n) // 4
    run = np.arange(n) // 2
    log = 6 + 0.3 * rng.normal(size=donor[-1] + 1)[donor] + 0.02 * rng.normal(size=run[-1] + 1)[run]
    return {"donor": donor, "run": run % 2, "y": np.exp(log + 0.04 * rng.normal(size=n))}


def _contrast(rng: Rng, n: int) -> Columns:
    base = np.arange(n) % 2 == 0
    own = rng.normal(size=n // 4 + 1)[np.arange(n) // 4]
    y = np.where(base, 400 + 20 * own, 100.0) + 5 * rng.normal(size=n)
    return {"donor": np.arange(n) // 4, "pair": np.arange(n) // 2 % 2, "well": np.where(base, "base", "blk"), "y": y}


def _line(rng: Rng, n: int) -> Columns:
    level = 10.0 * (1 + np.arange(n) % 10)
    return {"level": level, "y": 2 + 3 * level + 5 * rng.normal(size=n)}


def _blanks(rng: Rng, n: int) -> Columns:
    low = np.arange(n) % 2 == 1
    return {
        "kind": np.where(low, "low", "blank"),
        "sample": np.arange(n) % 20,
        "y": np.where(low, 4.0, 2.0) + np.where(low, 0.6, 0.5) * rng.normal(size=n),
    }


def _hits(levels: Callable[[int], int]) -> Callable[[Rng, int], Columns]:
    def make(rng: Rng, n: int) -> Columns:
        from scipy.special import ndtr

        dose = np.exp(np.linspace(0.0, 4.0, levels(n)))[np.arange(n) % levels(n)]
        return {"dose": dose, "hits": (rng.random(n) < ndtr(np.log(dose) - 2.0)).astype(int)}

    return make


def _variance(rng: Rng, n: int) -> Columns:
    true = 2.0 ** (np.arange(n) % 8)
    return {"sample": np.arange(n) % 8, "dose": true, "y": true + np.hypot(0.4, 0.05 * true) * rng.normal(size=n)}


def _methods(rng: Rng, n: int) -> Columns:
    true = np.exp(4 + 0.6 * rng.normal(size=n))
    x, y = (f * true * (1 + 0.05 * rng.normal(size=n)) for f in (1.0, 1.05))
    return {"x": np.round(x, 2), "y": np.round(y, 2), "ux": 0.05 * true, "uy": 0.0525 * true}


def _even_methods(rng: Rng, n: int) -> Columns:
    true = 50 + 10 * rng.normal(size=n)
    x, y = true + 2 * rng.normal(size=n), 1 + true + 2 * rng.normal(size=n)
    return {"x": x, "y": y, "sample": np.arange(n) // 4}


def _people(rng: Rng, n: int) -> Columns:
    return {"y": np.exp(5 + 0.25 * rng.normal(size=n)), "sex": np.where(np.arange(n) % 2 == 0, "f", "m")}


def _chart(rng: Rng, n: int) -> Columns:
    y = 100 + 2 * rng.normal(size=n)
    return {"y": y, "again": y + rng.normal(size=n), "run": np.arange(n) // 2}


def _lots(rng: Rng, n: int) -> Columns:
    old = np.exp(1 + 0.3 * rng.normal(size=n))
    return {"old": old, "new": old * np.exp(0.02 + 0.03 * rng.normal(size=n))}


def _disease(rng: Rng, n: int) -> Columns:
    sick = np.arange(n) % 2 == 0
    a, b = (e * sick + rng.normal(size=n) for e in (1.0, 0.7))
    return {
        "truth": np.where(sick, "yes", "no"),
        "a": a,
        "b": b,
        "called": np.where(a > 0.5, "positive", "negative"),
        "set": np.where(np.arange(n) // 2 % 2 == 0, "one", "two"),
    }


def _curves(rng: Rng, n: int) -> Columns:
    time_s = np.arange(12.0, 3600.0, 18.0)
    count = max(20, n // time_s.size)
    top, onset, pace = np.exp(6 + 0.3 * rng.normal(size=count)), rng.uniform(100, 200, count), 400.0
    g = top[:, None] * -np.expm1(-np.maximum(time_s - onset[:, None], 0) / pace)
    g = g * np.exp(0.02 * rng.normal(size=g.shape))
    return {"donor": np.repeat(np.arange(count), time_s.size), "time": np.tile(time_s, count), "g": g.ravel()}


def _readings(rng: Rng, n: int) -> Columns:
    plateau = np.exp(6 + 0.3 * rng.normal(size=n))
    early = {f"at{k}": plateau * (0.4 + 0.1 * k) * np.exp(0.3 / k * rng.normal(size=n)) for k in (2, 4)}
    return {**early, "plateau": plateau}


def _along(rng: Rng, n: int) -> Columns:
    sample, dose = np.arange(n) // 5, (np.arange(n) % 5).astype(float)
    log = 6 + 0.2 * rng.normal(size=sample[-1] + 1)[sample] - 0.01 * dose + 0.03 * rng.normal(size=n)
    return {"sample": sample, "dose": dose, "y": np.exp(log)}


def _sequences(rng: Rng, n: int) -> Columns:
    n -= n % 6  # whole sequences only
    high = np.arange(n) % 6 < 3
    true = np.where(high, 500.0, 50.0)
    seen = true.copy()
    seen[1:] += 0.01 * (true[:-1] - true[1:])
    return {
        "sample": np.where(high, "high", "low"),
        "y": seen + 2 * rng.normal(size=n),
        "series": np.arange(n) // 6,
    }


def _mixed_order(rng: Rng, n: int) -> Columns:
    group = rng.integers(0, 10, n)
    true = 50.0 * (1 + group)
    seen = true.copy()
    seen[1:] += 0.01 * (true[:-1] - true[1:])
    return {"sample": group, "y": seen + 2 * rng.normal(size=n)}


def _wells(rng: Rng, n: int) -> Columns:
    sample, well = np.arange(n) // 6, np.arange(n) % 6
    log = 6 + 0.2 * rng.normal(size=sample[-1] + 1)[sample] - 0.02 * (well == 3) + 0.03 * rng.normal(size=n)
    return {"sample": sample, "well": well, "y": np.exp(log)}


def _spiked(rng: Rng, n: int) -> Columns:
    donor, dose = np.arange(n) // 5, np.array([0.0, 0.5, 1.0, 2.0, 4.0])[np.arange(n) % 5]
    onset = 5 * np.exp(0.1 * rng.normal(size=donor[-1] + 1)[donor] + 0.04 * rng.normal(size=n)) * (1 + 0.3 * (dose > 2))
    return {"donor": donor, "dose": dose, "onset": onset}


def _blocked(rng: Rng, n: int) -> Columns:
    base = np.exp(6 + 0.2 * rng.normal(size=n))
    free, fraction = 0.25 * base, 0.95 + 0.02 * rng.normal(size=n)
    return {"base": base, "blocked": base - fraction * (base - free), "free": free}


def _rates(rng: Rng, n: int) -> Columns:
    made = {name: 0.05 * rng.normal(size=n) for name in ("protected", "control")}
    made["protected"] += 0.02
    return {**made, "unprotected": 1 + 0.2 * rng.normal(size=n)}


def _onsets(rng: Rng, n: int) -> Columns:
    return {"factor": 3 + 0.3 * rng.normal(size=n), "blank": 15 + 2 * rng.normal(size=n)}


def _pushed(rng: Rng, n: int) -> Columns:
    donor, interval = np.arange(n) // 4, np.array([3.0, 6.0, 15.0, 60.0])[np.arange(n) % 4]
    own = 0.1 * rng.normal(size=donor[-1] + 1)[donor]
    onset, plateau = (m * np.exp(own + 0.03 * rng.normal(size=n)) for m in (3.0, 400.0))
    return {"donor": donor, "interval": interval, "onset": onset, "plateau": plateau}


def _round(rounds: Callable[[int], int]) -> Callable[[Rng, int], Columns]:
    def make(rng: Rng, n: int) -> Columns:
        several = rounds(n)
        return {
            "lab": np.arange(n) // several,
            "sample": np.arange(n) % several,
            "y": 200 * (1 + 0.04 * rng.normal(size=n)),
        }

    return make


def _sets(rng: Rng, n: int) -> Columns:
    return {"v": 5 + 0.01 * rng.normal(size=n), "i": 0.02 + 0.0001 * rng.normal(size=n)}


def _value(number: Any) -> float | None:
    return None if number is None else float(getattr(number, "value", number))


def _sd(part: str, level: str = "") -> Callable[[Mapping[str, Any]], float | None]:
    return lambda m: _value(m["levels"][level]["components"][part]["variance"]) ** 0.5  # type: ignore[operator]


def _lod(m: Mapping[str, Any]) -> float | None:
    return _value(m["limit_of_detection"])


DETECT: dict[str, Any] = {"result": "y", "kind": "kind", "sample": "sample"}
XY: dict[str, Any] = {"x": "x", "y": "y"}
KNOWN: dict[str, Any] = {"truth": "truth", "positive": "yes"}
PAIR: dict[str, Any] = {"control": "old", "test": "new", "scale": "ratio", "allowed": 1.1}
CARRY: dict[str, Any] = {"design": "carry-over", "result": "y", "sample": "sample", "high": "high", "low": "low"}
HOLD: dict[str, Any] = {"limits": (300.0,), "allowed": 20.0}
SLOPE = 1.05


def _many(n: int) -> int:
    return n // 4


def _few(n: int) -> int:
    return max(5, n // 1000)


STUDIES: dict[str, Study] = {
    "precision nested, groups of 4": Study(
        "precision", {"result": "y", "factors": ("day", "run")}, _nested(_many), _sd("error"), 3.0, 0.01
    ),
    "precision nested, groups of 1000": Study(
        "precision", {"result": "y", "factors": ("day", "run")}, _nested(_few), _sd("error"), 3.0, 0.01
    ),
    "precision crossed": Study(
        "precision",
        {"design": "crossed", "result": "y", "factors": ("a", "b")},
        _crossed,
        _sd("error"),
        3.0,
        0.01,
    ),
    "precision levels": Study(
        "precision",
        {"design": "levels", "result": "y", "factors": ("run",), "level": "level"},
        _levels,
        lambda m: m["parameters"].get("b"),
        0.05,
        0.02,
    ),
    "precision claim": Study(
        "precision",
        {"design": "claim", "result": "y", "factors": ("day",), "claimed_repeatability": (3.2,)},
        _nested(_few),
        lambda m: _value(m["checks"][0]["found"]),
        (9 + 1) ** 0.5,
        0.05,
    ),
    "precision fresh": Study(
        "precision",
        {"design": "fresh", "result": "y", "sample": "donor", "factors": ("run",)},
        _fresh,
        lambda m: _value(next(iter(m["levels"].values()))["components"]["error"]["variance"]) ** 0.5,  # type: ignore[operator]
        0.04,
        0.02,
    ),
    "precision contrast": Study(
        "precision",
        {
            "design": "contrast",
            "result": "y",
            "sample": "donor",
            "well": "well",
            "base": "base",
            "other": "blk",
            "pair": "pair",
        },
        _contrast,
        lambda m: _value(m["totals"]["repeatability"]["sd"]),
        50**0.5,
        0.02,
    ),
    **{
        f"linearity {design}": Study(
            "linearity",
            {"design": design, "level": "level", "result": "y", "allowed": 2.0},
            _line,
            lambda m: _value(m["slope"]),
            3.0,
            0.001,
        )
        for design in ("polynomial", "level-means")
    },
    "detection classical": Study("detection", DETECT, _blanks, lambda m: _value(m["limit_of_blank"]), 2.8224, 0.01),
    "detection parametric": Study("detection", {**DETECT, "method": "parametric"}, _blanks, _lod, 3.8093, 0.01),
    "detection probit, 20 levels": Study(
        "detection",
        {"design": "probit", "concentration": "dose", "hits": "hits"},
        _hits(lambda _n: 20),
        _lod,
        float(np.exp(2 + 1.6448536)),
        0.03,
    ),
    "detection probit, every row its own level": Study(
        "detection",
        {"design": "probit", "concentration": "dose", "hits": "hits"},
        _hits(lambda n: n),
        _lod,
        float(np.exp(2 + 1.6448536)),
        0.03,
    ),
    "detection quantitation": Study(
        "detection",
        {"design": "quantitation", "result": "y", "concentration": "dose", "sample": "sample", "allowed_cv": 20.0},
        _variance,
        lambda m: _value(m["limit_of_quantitation"]),
        0.4 / (0.2**2 - 0.05**2) ** 0.5,
        0.03,
    ),
    "detection calibration": Study(
        "detection",
        {"design": "calibration", "result": "y", "concentration": "level"},
        _line,
        lambda m: m["slope"],
        3.0,
        0.001,
    ),
    "detection lysis": Study(
        "detection",
        {"design": "lysis", "result": "y", "kind": "kind", "sample": "sample"},
        _blanks,
        lambda m: _value(m["limit_of_blank"]),
        2.8224,
        0.01,
    ),
    **{
        f"agreement deming, {interval}": Study(
            "agreement",
            {**XY, "interval": interval, "draws": draws, "levels": (50.0,)},
            _even_methods,
            lambda m: _value(m["slope"]),
            1.0,
            0.005,
        )
        for interval, draws in (("jackknife", None), ("analytic", None), ("bootstrap", 1000))
    },
    "agreement weighted-deming": Study(
        "agreement",
        {**XY, "design": "weighted-deming", "error_ratio": 1.0, "levels": (50.0,)},
        _methods,
        lambda m: _value(m["slope"]),
        SLOPE,
        0.005,
    ),
    "agreement known-errors": Study(
        "agreement",
        {**XY, "design": "known-errors", "x_sd": "ux", "y_sd": "uy"},
        _methods,
        lambda m: _value(m["slope"]),
        SLOPE,
        0.005,
    ),
    **{
        f"agreement passing-bablok, {relation}": Study(
            "agreement",
            {**XY, "design": "passing-bablok", "relation": relation, "levels": (50.0,)},
            _methods,
            lambda m: _value(m["slope"]),
            SLOPE,
            0.01,
        )
        for relation in ("same", "general")
    },
    **{
        f"agreement differences, {limits}": Study(
            "agreement",
            {**XY, "design": "differences", "limits": limits},
            _even_methods,
            lambda m: _value(m.get("bias", m.get("bias_low", m.get("median")))),
            1.0,
            0.02,
        )
        for limits in ("constant", "ranks")
    },
    "agreement differences, by-level": Study(
        "agreement",
        {**XY, "design": "differences", "limits": "by-level", "levels": (50.0,), "draws": 200},
        _even_methods,
        lambda m: float(m["n"]),
        1e6,
        1e9,
    ),
    **{
        f"agreement differences, repeats {repeats}": Study(
            "agreement",
            {**XY, "design": "differences", "repeats": repeats, "sample": "sample"},
            _even_methods,
            lambda m: _value(m["bias"]),
            1.0,
            0.02,
        )
        for repeats in ("constant", "varying")
    },
    **{
        f"reference-limits {method}": Study(
            "reference-limits",
            {"result": "y", "method": method, "scale": scale},
            _people,
            lambda m: _value(m["upper"]),
            float(np.exp(5 + 0.25 * 1.959964)),
            0.01,
        )
        for method, scale in (
            ("non-parametric", "linear"),
            ("robust", "log"),
            ("normal", "log"),
            ("box-cox", "linear"),
            ("bootstrap", "linear"),
        )
    },
    "reference-limits partition": Study(
        "reference-limits",
        {"design": "partition", "result": "y", "group": "sex", "method": "normal", "scale": "log"},
        _people,
        lambda m: _value(m["groups"]["f"]["upper"]),
        float(np.exp(5 + 0.25 * 1.959964)),
        0.01,
    ),
    "reference-limits transfer": Study(
        "reference-limits",
        {"design": "transfer", "result": "y", "lower": 90.92, "upper": 242.26, "most": 60000, "again": 70000},
        _people,
        lambda m: _value(m["share"]),
        0.05,
        0.02,
    ),
    "control single": Study(
        "control", {"result": "y", "run": "run"}, _chart, lambda m: next(iter(m["levels"].values()))["sigma"], 2.0, 0.01
    ),
    "control subgroups": Study(
        "control", {"design": "subgroups", "result": "y", "run": "run"}, _chart, lambda m: m["sigma"], 2.0, 0.01
    ),
    "control duplicates": Study(
        "control",
        {"design": "duplicates", "first": "y", "second": "again", "scale": "linear"},
        _chart,
        lambda m: _value(m["sd"]),
        0.5**0.5,
        0.01,
    ),
    **{
        f"lots {method}": Study(
            "lots",
            {"old": "old", "new": "new", "scale": "ratio", "method": method, "allowed": 1.1},
            _lots,
            lambda m: _value(m["deciding_difference"]),
            float(np.exp(0.02)),
            0.001,
        )
        for method in ("t", "signed-rank")
    },
    "discrimination paired": Study(
        "discrimination",
        {**KNOWN, "reading": ("a", "b"), "draws": 200},
        _disease,
        lambda m: _value(m["areas"]["a"].area),
        0.760250,
        0.005,
    ),
    "discrimination unpaired": Study(
        "discrimination",
        {**KNOWN, "design": "unpaired", "reading": ("a",), "group": "set"},
        _disease,
        lambda m: _value(m["areas"]["one"].area),
        0.760250,
        0.005,
    ),
    "discrimination decisions": Study(
        "discrimination",
        {**KNOWN, "design": "decisions", "decision": ("called",)},
        _disease,
        lambda m: _value(m["accuracy"]["called"].sensitivity),
        0.691462,
        0.005,
    ),
    "hold curves": Study(
        "hold",
        {
            **HOLD,
            "design": "curves",
            "sample": "donor",
            "time": "time",
            "modulus": "g",
            "time_unit": "s",
            "onset_modulus": 24.0,
            "dwell": 60.0,
        },
        _curves,
        lambda m: float(m["all"]["curves"]),
        5000.0,
        1e9,
    ),
    "hold readings": Study(
        "hold",
        {
            **HOLD,
            "design": "readings",
            "early": ("at2", "at4"),
            "holds": (2.0, 4.0),
            "plateau": "plateau",
            "time_unit": "min",
        },
        _readings,
        lambda m: float(m["all"]["smallest"] or 0),
        4.0,
        0.01,
    ),
    "interference paired": Study(
        "interference",
        {"design": "paired", **PAIR},
        _lots,
        lambda m: _value(m["effect"][0]),
        float(np.exp(0.02)),
        0.001,
    ),
    **{
        f"interference {design}": Study(
            "interference",
            {"design": design, along: "dose", "result": "y", "sample": "sample", "scale": "ratio", "allowed": 1.1},
            _along,
            lambda m: _value(m["slope"]),
            -0.01,
            0.02,
        )
        for design, along in (("dose", "dose"), ("stability", "time"))
    },
    "interference carry-over, sequences": Study(
        "interference",
        {**CARRY, "series": "series"},
        _sequences,
        lambda m: _value(m["share"]),
        0.01,
        0.02,
    ),
    "interference carry-over, random": Study(
        "interference",
        {"design": "carry-over", "result": "y", "sample": "sample", "scheme": "random"},
        _mixed_order,
        lambda m: _value(m["share"]),
        0.01,
        0.02,
    ),
    "budget sets": Study(
        "budget",
        {"design": "sets", "columns": ("v", "i"), "model": "v / i"},
        _sets,
        lambda m: m["results"]["y"]["value"],
        250.0,
        0.001,
    ),
    "wells": Study(
        "wells",
        {"result": "y", "sample": "sample", "well": "well", "allowed": 1.05},
        _wells,
        lambda m: _value(m["bias"][3]),
        float(np.exp(-0.02 * 5 / 6)),
        0.001,
    ),
    "reagents neutraliser": Study(
        "reagents",
        {"design": "neutraliser", "dose": "dose", "result": "onset", "sample": "donor", "allowed": 1.15},
        _spiked,
        lambda m: _value(m["capacity"]),
        2.0,
        0.001,
    ),
    "reagents block": Study(
        "reagents",
        {"design": "block", "base": "base", "blocked": "blocked", "reference_well": "free"},
        _blocked,
        lambda m: _value(m["fraction_mean"][0]),
        0.95,
        0.002,
    ),
    "reagents antifibrinolytic": Study(
        "reagents",
        {
            "design": "antifibrinolytic",
            "protected": "protected",
            "control": "control",
            "unprotected": "unprotected",
            "allowed": 0.1,
        },
        _rates,
        lambda m: _value(m["residual"]),
        0.02,
        0.02,
    ),
    "reagents null-effect": Study(
        "reagents",
        {"design": "null-effect", "without": "old", "with_additive": "new", "allowed": 1.1},
        _lots,
        lambda m: _value(m["effect"][0]),
        float(np.exp(0.02)),
        0.001,
    ),
    "reagents contact": Study(
        "reagents",
        {"design": "contact", "with_factor": "factor", "blank": "blank", "least": 5.0},
        _onsets,
        lambda m: _value(m["lead"]),
        12.0,
        0.005,
    ),
    "probe": Study(
        "probe",
        {"sample": "donor", "onset": "onset", "plateau": "plateau", "interval": "interval", "allowed_onset": 1.1},
        _pushed,
        lambda m: _value(m["onset"]["ratios"][0]),
        1.0,
        0.001,
    ),
    "external round, 1000 samples": Study(
        "external",
        {"participant": "lab", "result": "y", "sample": "sample", "sigma_percent": 4.0},
        _round(lambda n: max(1, n // 1000)),
        lambda m: m["rounds"][0]["assigned"],
        200.0,
        0.02,
    ),
    "external round, 2 samples": Study(
        "external",
        {"participant": "lab", "result": "y", "sample": "sample", "sigma_percent": 4.0},
        _round(lambda _n: 2),
        lambda m: m["rounds"][0]["assigned"],
        200.0,
        0.001,
    ),
    "external instruments": Study(
        "external",
        {"design": "instruments", "participant": "well", "result": "y", "sample": "sample", "scale": "ratio"},
        _wells,
        lambda m: _value(m["bias"]["3"]),
        float(np.exp(-0.02 * 5 / 6)),
        0.001,
    ),
}


def _high_water() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def one(name: str, rows: int, seed: int) -> dict[str, Any]:
    """Run a study here and measure it."""
    from stanch.errors import StanchError
    from stanch.report.verification import dumps
    from stanch.verify import protocol
    from stanch.verify.table import Table

    study = STUDIES[name]
    table = Table.of(study.make(np.random.default_rng(seed), rows))
    run = protocol(study.protocol)
    before, process, wall = _high_water(), time.process_time(), time.perf_counter()
    try:
        account = run(table, **study.options)
        said, found = " / ".join(account.warnings), study.found(account.numbers)
        size = len(dumps(account))
    except StanchError as error:
        said, found, size = f"refused: {error}", None, 0
    process, wall = time.process_time() - process, time.perf_counter() - wall
    away = study.within * (abs(study.truth) or 1.0)
    return {
        "process": process,
        "wall": wall,
        "before": before,
        "peak": _high_water(),
        "found": found,
        "truth": study.truth,
        "right": found is not None and abs(found - study.truth) <= away,
        "said": said,
        "json": size,
    }


def _apart(arguments: list[str], **more: Any) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run(arguments, capture_output=True, text=True, env=environment, check=False, **more)


def through_files(rows: int, seed: int, folder: Path) -> None:
    """Three protocols from a CSV file to JSON and a report by the command line."""
    for name, told in (
        ("lots t", ["--old", "old", "--new", "new", "--scale", "ratio", "--allowed", "1.1"]),
        ("precision nested, groups of 4", ["--result", "y", "--factors", "day,run"]),
        ("agreement deming, jackknife", ["--x", "x", "--y", "y", "--levels", "50"]),
    ):
        study = STUDIES[name]
        columns = study.make(np.random.default_rng(seed), rows)
        source = folder / f"{study.protocol}.csv"
        with source.open("w", newline="") as sink:
            writer = csv.writer(sink)
            writer.writerow(columns)
            writer.writerows(zip(*(np.asarray(c).tolist() for c in columns.values()), strict=True))
        made = folder / f"{study.protocol}.json"
        timed = (
            "import resource,subprocess,sys,time; t=time.perf_counter(); r=subprocess.run(sys.argv[1:], check=False,"
            "stdout=subprocess.DEVNULL); u=resource.getrusage(resource.RUSAGE_CHILDREN);"
            "print(r.returncode, u.ru_utime+u.ru_stime, time.perf_counter()-t, u.ru_maxrss/1024)"
        )
        call = [sys.executable, "-m", "stanch", "verify", study.protocol, str(source), *told, "--json", str(made)]
        ran = _apart([sys.executable, "-c", timed, *call, "--report", str(made.with_suffix(".html")), "--overwrite"])
        code, process, wall, peak = ran.stdout.split() or ["-", "nan", "nan", "nan"]
        megabytes = source.stat().st_size / 1e6
        print(
            f"CLI {study.protocol:<14} {megabytes:6.1f} MB CSV  exit {code}  cpu {float(process):6.1f} s  wall "
            f"{float(wall):6.1f} s  peak {float(peak):6.0f} MiB",
            flush=True,
        )
        if code != "0":
            print(ran.stderr)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="Part of the name of a study.")
    parser.add_argument("--limit", type=float, default=300.0, help="Seconds after which a study is stopped.")
    parser.add_argument("--files", action="store_true", help="Also from CSV files by the command line.")
    parser.add_argument("--here", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.here:
        print(json.dumps(one(given.here, given.rows, given.seed)))
        return
    for name in STUDIES:
        if given.only not in name:
            continue
        call = [sys.executable, __file__, "--here", name, "--rows", str(given.rows), "--seed", str(given.seed)]
        try:
            ran = _apart(call, timeout=given.limit)
        except subprocess.TimeoutExpired:
            print(f"{name:<42} stopped after {given.limit:g} s", flush=True)
            continue
        if ran.returncode:
            print(f"{name:<42} failed: {ran.stderr.strip().splitlines()[-1]}", flush=True)
            continue
        m = json.loads(ran.stdout)
        print(
            f"{name:<42} cpu {m['process']:6.1f} s  wall {m['wall']:6.1f} s  {m['before']:5.0f} to {m['peak']:5.0f} MiB"
            f"  {'right' if m['right'] else 'WRONG'}: {m['found']} for {m['truth']:.6g}  json {m['json'] / 1e6:.1f} MB"
            + (f"  [{m['said'][:160]}]" if m["said"] else ""),
            flush=True,
        )
    if given.files:
        with tempfile.TemporaryDirectory() as folder:
            through_files(given.rows, given.seed, Path(folder))


if __name__ == "__main__":
    main()
