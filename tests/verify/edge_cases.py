"""One small valid study for every protocol and design: the tables that the tests of odd input start from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

Columns = dict[str, list[Any]]


@dataclass(frozen=True)
class Case:
    """A study that works.

    Parameters
    ----------
    name : str
    protocol : str
    options : mapping
        By key.
    columns : mapping of str to list
        The table.
    results : tuple of str
        Columns of results: in one unit, so that they may all be scaled at once.
    numbers : tuple of str
        Further columns of numbers.
    labels : tuple of str
        Columns of names.
    scaled : tuple of str
        Options in the unit of the results.
    ordered : bool
        Whether the order of the rows is part of the data.
    equivariant : bool
        Whether a change of unit changes nothing but the unit.
    """

    name: str
    protocol: str
    options: Mapping[str, Any]
    columns: Columns
    results: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()
    labels: tuple[str, ...] = ()
    scaled: tuple[str, ...] = ()
    ordered: bool = False
    equivariant: bool = True
    extra: Mapping[str, Any] = field(default_factory=dict)


def _rng(seed: int) -> np.random.Generator:
    return np.random.default_rng([20261, seed])


def _list(values: Any) -> list[Any]:
    return list(np.asarray(values).tolist())


def _made(name: str, *parts: Any, **given: Any) -> Case:
    protocol, options, columns = parts
    return Case(name, protocol, options, columns, **given)


def precision() -> list[Case]:
    rng = _rng(1)
    day, run, lab = np.repeat(np.arange(6), 4), np.tile([1, 1, 2, 2], 6), np.repeat(["a", "b", "c"], 8)
    y = 100 + 3 * rng.normal(size=3)[day // 2] + 2 * rng.normal(size=6)[day] + rng.normal(size=24)
    nested = {"lab": _list(lab), "day": _list(day), "run": _list(run), "y": _list(y)}
    labels = ("lab", "day", "run")
    limits = {"allowed_repeatability_sd": 3.0, "allowed_intermediate_cv": 5.0}
    sds = ("allowed_repeatability_sd",)
    operator, gel = np.repeat(["p", "q", "r"], 8), np.tile(np.repeat(["g", "h", "i", "k"], 2), 3)
    crossed = {"operator": _list(operator), "gel": _list(gel), "y": _list(y + 5 * (gel == "h"))}
    level = np.repeat([1.0, 10.0, 100.0, 1000.0], 6)
    levels = {
        "level": [f"L{k}" for k in np.repeat(range(4), 6)],
        "run": _list(np.tile([1, 1, 2, 2, 3, 3], 4)),
        "y": _list(level * (1 + 0.05 * rng.normal(size=24))),
    }
    claim = {
        "run": _list(np.repeat(range(5), 5)),
        "y": _list(100 + rng.normal(size=5).repeat(5) + rng.normal(size=25)),
    }
    donor = np.repeat(np.arange(8), 4)
    fresh = {
        "donor": [f"d{k}" for k in donor],
        "run": _list(np.tile([1, 1, 2, 2], 8)),
        "y": _list(400 * np.exp(0.3 * rng.normal(size=8)[donor] + 0.04 * rng.normal(size=32))),
    }
    well = np.tile(["base", "blocked"], 16)
    contrast = {
        "donor": [f"d{k}" for k in donor],
        "well": _list(well),
        "pair": _list(np.tile([1, 1, 2, 2], 8)),
        "y": _list(np.where(well == "base", 400.0, 110.0) * np.exp(0.04 * rng.normal(size=32))),
        "early": _list(np.where(well == "base", 410.0, 115.0) * np.exp(0.04 * rng.normal(size=32))),
    }
    wells = {"sample": "donor", "well": "well", "base": "base", "other": "blocked", "pair": "pair", "result": "y"}
    own = {"labels": labels, "results": ("y",), "scaled": sds}
    return [
        _made("nested", "precision", {"result": "y", "factors": ("day", "run"), **limits}, nested, **own),
        _made(
            "nested-wald",
            "precision",
            {"result": "y", "factors": ("day",), "laboratory": "lab", "interval": "large-sample", "wald": True},
            nested,
            labels=labels,
            results=("y",),
        ),
        _made(
            "crossed",
            "precision",
            {"design": "crossed", "result": "y", "factors": ("operator", "gel")},
            crossed,
            labels=("operator", "gel"),
            results=("y",),
        ),
        *(
            _made(
                f"levels-{form}",
                "precision",
                {"design": "levels", "result": "y", "factors": ("run",), "level": "level", "form": form},
                levels,
                labels=("level", "run"),
                results=("y",),
            )
            for form in ("auto", "both", "power")
        ),
        _made(
            "claim",
            "precision",
            {
                "design": "claim",
                "result": "y",
                "factors": ("run",),
                "claimed_repeatability": (1.0,),
                "claimed_intermediate": (1.5,),
            },
            claim,
            labels=("run",),
            results=("y",),
            scaled=("claimed_repeatability", "claimed_intermediate"),
        ),
        _made(
            "fresh",
            "precision",
            {
                "design": "fresh",
                "result": "y",
                "sample": "donor",
                "factors": ("run",),
                "bands": 2,
                "allowed_repeatability_cv": 6.0,
            },
            fresh,
            labels=("donor", "run"),
            results=("y",),
        ),
        *(
            _made(
                f"contrast-{kind}",
                "precision",
                {
                    "design": "contrast",
                    "contrast": kind,
                    **wells,
                    **({"early": "early"} if kind == "log-retention" else {}),
                },
                contrast,
                labels=("donor", "well", "pair"),
                results=("y", "early") if kind == "log-retention" else ("y",),
            )
            for kind in ("difference", "ratio", "share", "log-retention")
        ),
    ]


def linearity() -> list[Case]:
    rng = _rng(2)
    level = np.repeat([10.0, 25.0, 50.0, 75.0, 100.0], 3)
    table = {"level": _list(level), "y": _list(level * (1 + 0.02 * rng.normal(size=15)) + 0.3 * rng.normal(size=15))}
    options = {"level": "level", "result": "y"}
    limits = {"allowed": 4.0, "allowed_percent": 5.0, "wanted_low": 20.0, "wanted_high": 90.0}
    own: dict[str, Any] = {"results": ("level", "y"), "scaled": ("allowed", "wanted_low", "wanted_high")}
    return [
        *(
            _made(f"polynomial-{w}", "linearity", {**options, **limits, "weights": w}, table, **own)
            for w in ("equal", "by-level", "proportional")
        ),
        _made(
            "level-means",
            "linearity",
            {**options, "design": "level-means", "allowed_percent": 5.0, "allowed_recovery": 5.0},
            table,
            results=("level", "y"),
        ),
    ]


def detection() -> list[Case]:
    rng = _rng(3)
    kind = ["blank"] * 24 + ["low"] * 24
    y = np.append(2 + 0.5 * rng.normal(size=24), 4 + 0.6 * rng.normal(size=24))
    table = {"kind": kind, "sample": [f"s{k}" for k in np.repeat(range(8), 6)], "y": _list(y)}
    table["lot"] = ["A", "B"] * 24
    options = {"result": "y", "kind": "kind", "sample": "sample", "allowed_detection": 5.0}
    own: dict[str, Any] = {
        "labels": ("kind", "sample", "lot"),
        "results": ("y",),
        "scaled": ("allowed_detection",),
    }
    dose = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0])
    probit = {"dose": _list(dose), "hits": [1, 4, 9, 15, 19, 20], "trials": [20] * 6}
    sample = np.repeat(np.arange(6), 6)
    true = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0])[sample]
    quantitation = {
        "sample": [f"s{k}" for k in sample],
        "dose": _list(true),
        "y": _list(true + np.hypot(0.4, 0.05 * true) * rng.normal(size=36)),
    }
    amount = np.repeat([0.0, 2.0, 4.0, 6.0, 8.0], 3)
    line = {"dose": _list(amount), "y": _list(1 + 3 * amount + 0.3 * rng.normal(size=15))}
    lysis = {
        "kind": ["none"] * 20 + ["weak"] * 12,
        "sample": ["none"] * 20 + ["w1"] * 6 + ["w2"] * 6,
        "rate": _list(np.append(0.05 * rng.normal(size=20), 0.25 + 0.05 * rng.normal(size=12))),
        "follow": [20.0, 30.0] * 16,
        "sd": [0.05] * 32,
        "df": [19.0] * 32,
    }
    rates = {"design": "lysis", "result": "rate", "kind": "kind", "blank": "none", "low": "weak", "sample": "sample"}
    rated: dict[str, Any] = {"labels": ("kind", "sample"), "results": ("rate",), "scaled": ("wanted_rate",)}
    return [
        _made("classical", "detection", options, table, **own),
        _made("parametric", "detection", {**options, "method": "parametric", "lot": "lot"}, table, **own),
        *(
            _made(
                f"probit-{interval}",
                "detection",
                {
                    "design": "probit",
                    "concentration": "dose",
                    "hits": "hits",
                    "trials": "trials",
                    "scale": scale,
                    "interval": interval,
                },
                probit,
                results=("dose",),
                numbers=("hits", "trials"),
            )
            for interval, scale in (("profile", "log"), ("fieller", "linear"), ("delta", "log"))
        ),
        *(
            _made(
                f"quantitation-{form}",
                "detection",
                {
                    "design": "quantitation",
                    "result": "y",
                    "concentration": "dose",
                    "sample": "sample",
                    "allowed_cv": 20.0,
                    "form": form,
                },
                quantitation,
                labels=("sample",),
                results=("dose", "y"),
            )
            for form in ("auto", "both")
        ),
        _made(
            "calibration",
            "detection",
            {"design": "calibration", "result": "y", "concentration": "dose"},
            line,
            results=("dose", "y"),
        ),
        _made("lysis", "detection", {**rates, "wanted_rate": 0.3}, lysis, **rated),
        _made(
            "lysis-follow",
            "detection",
            {**rates, "follow": "follow", "sd": "sd", "df": "df", "wanted_rate": 0.3},
            lysis,
            numbers=("follow", "df"),
            **{**rated, "results": ("rate", "sd")},
        ),
    ]


def agreement() -> list[Case]:
    rng = _rng(4)
    true = np.exp(4 + 0.6 * rng.normal(size=40))
    x, x2, y, y2 = (np.round(f * true * (1 + 0.05 * rng.normal(size=40)), 2) for f in (1, 1, 1.05, 1.05))
    table = {"x": _list(x), "y": _list(y), "x2": _list(x2), "y2": _list(y2)}
    table |= {"ux": _list(np.round(0.05 * x, 3)), "uy": _list(np.round(0.05 * y, 3))}
    options = {"x": "x", "y": "y", "levels": (40.0, 90.0), "allowed_bias": (8.0,), "draws": 200}
    own: dict[str, Any] = {"results": ("x", "y"), "scaled": ("levels", "allowed_bias")}
    subject = np.repeat([f"s{k}" for k in range(10)], 4)
    repeated = {"x": _list(x), "y": _list(y), "subject": _list(subject)}
    differences = {"design": "differences", "x": "x", "y": "y"}
    pin = {"x": _list(np.clip(100 * x / (500 + x), 1, 90)), "y": _list(y)}
    return [
        _made("deming", "agreement", options, table, **own),
        _made(
            "deming-analytic",
            "agreement",
            {**options, "interval": "analytic", "x_again": "x2", "y_again": "y2"},
            table,
            results=("x", "y", "x2", "y2"),
            scaled=own["scaled"],
        ),
        _made("deming-bootstrap", "agreement", {**options, "interval": "bootstrap", "error_ratio": 1.0}, table, **own),
        _made("weighted-deming", "agreement", {**options, "design": "weighted-deming"}, table, **own),
        _made(
            "known-errors",
            "agreement",
            {**options, "design": "known-errors", "x_sd": "ux", "y_sd": "uy"},
            table,
            results=("x", "y", "ux", "uy"),
            scaled=own["scaled"],
        ),
        _made("passing-bablok", "agreement", {**options, "design": "passing-bablok"}, table, **own),
        _made(
            "passing-bablok-general",
            "agreement",
            {**options, "design": "passing-bablok", "relation": "general", "bias_interval": "influence"},
            table,
            **own,
        ),
        *(
            _made(
                f"differences-{scale}-{limits}",
                "agreement",
                {**differences, "scale": scale, "limits": limits, "draws": 200},
                table,
                results=("x", "y"),
            )
            for scale, limits in (
                ("difference", "constant"),
                ("percent", "constant"),
                ("ratio", "constant"),
                ("difference", "by-level"),
                ("difference", "ranks"),
            )
        ),
        *(
            _made(
                f"differences-repeats-{kind}",
                "agreement",
                {**differences, "repeats": kind, "sample": "subject", "allowed_difference": 20.0},
                repeated,
                labels=("subject",),
                results=("x", "y"),
                scaled=("allowed_difference",),
            )
            for kind in ("constant", "varying")
        ),
        _made(
            "amplitude",
            "agreement",
            {"design": "passing-bablok", "x": "x", "y": "y", "amplitude": "x", "levels": (100.0,)},
            pin,
            results=("y",),
            numbers=("x",),
            equivariant=False,
        ),
    ]


def reference_limits() -> list[Case]:
    rng = _rng(5)
    y = np.exp(5 + 0.25 * rng.normal(size=130))
    table = {"y": _list(y), "sex": ["f", "m"] * 65}
    few = {"y": _list(np.exp(5 + 0.25 * rng.normal(size=40))), "set": ["one"] * 20 + ["two"] * 20}
    own: dict[str, Any] = {"results": ("y",)}
    return [
        *(
            _made(
                f"establish-{method}-{scale}-{side}",
                "reference-limits",
                {"result": "y", "method": method, "scale": scale, "side": side, "draws": 100, "allowed_ratio": 0.3},
                table,
                **own,
            )
            for method, scale, side in (
                ("non-parametric", "linear", "two"),
                ("robust", "linear", "two"),
                ("robust", "log", "upper"),
                ("normal", "linear", "lower"),
                ("normal", "log", "two"),
                ("box-cox", "linear", "two"),
                ("bootstrap", "linear", "two"),
            )
        ),
        *(
            _made(
                f"establish-exclude-{rule}",
                "reference-limits",
                {"result": "y", "method": "normal", "exclude": rule, "draws": 100},
                table,
                **own,
            )
            for rule in ("dixon-reed", "tukey", "horn")
        ),
        _made(
            "partition",
            "reference-limits",
            {"design": "partition", "result": "y", "group": "sex", "draws": 100},
            table,
            labels=("sex",),
            **own,
        ),
        _made(
            "transfer",
            "reference-limits",
            {"design": "transfer", "result": "y", "lower": 90.0, "upper": 240.0, "sets": "set"},
            few,
            labels=("set",),
            scaled=("lower", "upper"),
            **own,
        ),
    ]


def control() -> list[Case]:
    rng = _rng(6)
    y = 100 + 2 * rng.normal(size=60)
    table = {
        "y": _list(y * np.tile([1.0, 4.0], 30)),
        "y1": _list(y),
        "level": ["soft", "stiff"] * 30,
        "run": _list(np.repeat(range(30), 2)),
        "phase": ["baseline"] * 40 + ["later"] * 20,
        "second": _list(y + rng.normal(size=60)),
    }
    return [
        *(
            _made(
                f"single-{sigma}",
                "control",
                {
                    "result": "y",
                    "level": "level",
                    "run": "run",
                    "phase": "phase",
                    "sigma": sigma,
                    "allowed_shift": (6.0,),
                },
                table,
                results=("y",),
                labels=("level", "run", "phase"),
                scaled=("allowed_shift",),
                ordered=True,
            )
            for sigma in ("moving-range", "sd")
        ),
        _made(
            "single-pooled-runs",
            "control",
            {"result": "y1", "run": "run", "baseline": 40, "sigma": "pooled-runs", "ewma_limits": "asymptotic"},
            table,
            results=("y1",),
            labels=("run",),
            ordered=True,
        ),
        _made(
            "single-known",
            "control",
            {"result": "y1", "mean": (100.0,), "sd": (2.0,), "target": (101.0,), "allowed_sd": (3.0,)},
            table,
            results=("y1",),
            scaled=("mean", "sd", "target", "allowed_sd"),
            ordered=True,
        ),
        *(
            _made(
                f"subgroups-{spread}",
                "control",
                {"design": "subgroups", "result": "y1", "run": "run", "spread": spread},
                table,
                results=("y1",),
                labels=("run",),
                ordered=True,
            )
            for spread in ("range", "sd")
        ),
        *(
            _made(
                f"duplicates-{scale}",
                "control",
                {"design": "duplicates", "first": "y1", "second": "second", "scale": scale},
                table,
                results=("y1", "second"),
                ordered=True,
            )
            for scale in ("log", "linear")
        ),
    ]


def lots() -> list[Case]:
    rng = _rng(7)
    old = np.exp(1 + 0.3 * rng.normal(size=24))
    new = old * np.exp(0.02 + 0.03 * rng.normal(size=24))
    table = {"old": _list(old), "new": _list(new), "change": ["A-B", "B-C"] * 12}
    own: dict[str, Any] = {"results": ("old", "new"), "labels": ("change",)}
    options = {"old": "old", "new": "new"}
    return [
        _made("difference", "lots", {**options, "allowed": 0.2}, table, scaled=("allowed",), **own),
        _made("ratio", "lots", {**options, "scale": "ratio", "allowed": 1.1}, table, **own),
        _made(
            "percent",
            "lots",
            {**options, "scale": "percent", "percent_of": "mean", "group": "change", "adjust": "holm", "allowed": 6.0},
            table,
            **own,
        ),
        *(
            _made(f"signed-rank-{scale}", "lots", {**options, "method": "signed-rank", "scale": scale}, table, **own)
            for scale in ("difference", "ratio")
        ),
    ]


def discrimination() -> list[Case]:
    rng = _rng(8)
    sick = np.arange(48) % 3 == 0
    a, b = (np.exp(e * sick + 0.4 * rng.normal(size=48)) for e in (1.0, 0.7))
    table = {
        "truth": _list(np.where(sick, "yes", "no")),
        "a": _list(a),
        "b": _list(b),
        "called": _list(np.where(a > 1.6, "positive", "negative")),
        "set": ["one"] * 24 + ["two"] * 24,
    }
    options = {"truth": "truth", "positive": "yes"}
    own: dict[str, Any] = {"labels": ("truth",), "results": ("a", "b")}
    return [
        *(
            _made(
                f"paired-{interval}",
                "discrimination",
                {
                    **options,
                    "reading": ("a", "b"),
                    "interval": interval,
                    "draws": 100,
                    "prevalence": (0.05, 0.3),
                    "least_area": 0.7,
                },
                table,
                **own,
            )
            for interval in ("logit", "wald", "score")
        ),
        _made(
            "paired-given",
            "discrimination",
            {**options, "reading": ("a",), "rule": "given", "cutoff": (1.6,), "draws": 0, "zero_cells": "half"},
            table,
            labels=("truth",),
            results=("a",),
            scaled=("cutoff",),
        ),
        _made(
            "paired-sensitivity",
            "discrimination",
            {**options, "reading": ("a",), "rule": "sensitivity", "wanted": 0.9, "placed": "observed", "draws": 50},
            table,
            labels=("truth",),
            results=("a",),
        ),
        _made(
            "unpaired",
            "discrimination",
            {**options, "design": "unpaired", "reading": ("a",), "group": "set"},
            table,
            labels=("truth", "set"),
            results=("a",),
        ),
        _made(
            "decisions",
            "discrimination",
            {**options, "design": "decisions", "decision": ("called",), "prevalence": (0.1,)},
            table,
            labels=("truth", "called"),
        ),
    ]


def hold() -> list[Case]:
    rng = _rng(9)
    time = np.arange(12.0, 2400.0, 60.0)
    donor, hour, g = [], [], []
    for k in range(10):
        top, onset, pace = np.exp(6 + 0.3 * rng.normal()), rng.uniform(100, 200), rng.uniform(300, 500)
        curve = top * -np.expm1(-np.maximum(time - onset, 0) / pace) * np.exp(0.02 * rng.normal(size=time.size))
        donor += [f"d{k}"] * time.size
        hour += _list(time)
        g += _list(curve)
    curves = {"donor": donor, "time": hour, "g": g}
    plateau = np.exp(6 + 0.3 * rng.normal(size=24))
    readings = {
        "donor": [f"d{k}" for k in range(24)],
        "at3": _list(plateau * 0.6 * np.exp(0.1 * rng.normal(size=24))),
        "at6": _list(plateau * 0.8 * np.exp(0.05 * rng.normal(size=24))),
        "plateau": _list(plateau),
        "onset": [3.0] * 24,
        "entry": [20.0] * 24,
    }
    return [
        _made(
            "curves",
            "hold",
            {
                "design": "curves",
                "sample": "donor",
                "time": "time",
                "modulus": "g",
                "time_unit": "s",
                "onset_modulus": 24.0,
                "dwell": 60.0,
                "limits": (300.0,),
                "allowed": 20.0,
                "holds": (2.0, 5.0, 10.0),
                "draws": 100,
            },
            curves,
            labels=("donor",),
            results=("g",),
            numbers=("time",),
            scaled=("onset_modulus", "limits"),
        ),
        _made(
            "readings",
            "hold",
            {
                "design": "readings",
                "early": ("at3", "at6"),
                "holds": (3.0, 6.0),
                "plateau": "plateau",
                "onset": "onset",
                "entry": "entry",
                "donor": "donor",
                "time_unit": "min",
                "limits": (300.0,),
                "allowed": 20.0,
                "draws": 100,
            },
            readings,
            labels=("donor",),
            results=("at3", "at6", "plateau"),
            numbers=("onset", "entry"),
            scaled=("limits",),
        ),
    ]


def interference() -> list[Case]:
    rng = _rng(10)
    control = np.exp(6 + 0.2 * rng.normal(size=20))
    test = control * np.exp(0.02 + 0.03 * rng.normal(size=20))
    paired = {"control": _list(control), "test": _list(test), "pool": ["low", "high"] * 10}
    sample, dose = np.repeat(np.arange(6), 5), np.tile([0.0, 1.0, 2.0, 3.0, 4.0], 6)
    y = 400 * np.exp(0.2 * rng.normal(size=6)[sample] - 0.01 * dose + 0.03 * rng.normal(size=30))
    along = {"sample": [f"s{k}" for k in sample], "dose": _list(dose), "y": _list(y)}
    name = np.array(["high", "high", "high", "low", "low", "low"] * 4)
    carry = {
        "sample": _list(name),
        "y": _list(np.where(name == "low", 50.0, 500.0) * (1 + 0.02 * rng.normal(size=24))),
        "order": list(range(24)),
        "series": _list(np.repeat(range(4), 6)),
    }
    both: dict[str, Any] = {"labels": ("sample",), "results": ("y",), "numbers": ("dose",)}
    one: dict[str, Any] = {"labels": ("pool",), "results": ("control", "test")}
    return [
        _made(
            "paired",
            "interference",
            {"design": "paired", "control": "control", "test": "test", "pool": "pool", "allowed": 30.0},
            paired,
            scaled=("allowed",),
            **one,
        ),
        _made(
            "paired-pools",
            "interference",
            {
                "design": "paired",
                "control": "control",
                "test": "test",
                "pairing": "pools",
                "scale": "ratio",
                "allowed": 1.2,
            },
            paired,
            **one,
        ),
        *(
            _made(
                f"dose-{scale}-{order}-{slopes}",
                "interference",
                {
                    "design": "dose",
                    "dose": "dose",
                    "result": "y",
                    "sample": "sample",
                    "scale": scale,
                    "order": order,
                    "slopes": slopes,
                    "allowed": allowed,
                    "claim": 3.0,
                },
                along,
                scaled=("allowed",) if scale == "difference" else (),
                **both,
            )
            for scale, order, slopes, allowed in (
                ("difference", 1, "vary", 40.0),
                ("ratio", 2, "vary", 1.2),
                ("ratio", 3, "common", 1.2),
            )
        ),
        _made(
            "stability",
            "interference",
            {
                "design": "stability",
                "time": "dose",
                "result": "y",
                "sample": "sample",
                "scale": "ratio",
                "allowed": 1.1,
                "claim": 3.0,
            },
            along,
            **both,
        ),
        *(
            _made(
                f"carry-over-{scheme}",
                "interference",
                {
                    "design": "carry-over",
                    "result": "y",
                    "sample": "sample",
                    "high": "high",
                    "low": "low",
                    "scheme": scheme,
                    "series": "series",
                    "order_of": "order",
                    "allowed": 0.02,
                },
                carry,
                labels=("sample", "series"),
                results=("y",),
                numbers=("order",),
                ordered=True,
            )
            for scheme in ("sequences", "random")
        ),
    ]


def budget() -> list[Case]:
    rng = _rng(11)
    stated = {
        "name": ["a", "b", "c"],
        "value": [1.0, 2.0, 3.0],
        "uncertainty": [0.01, 0.02, 0.05],
        "shape": ["normal", "rectangular", "triangular"],
        "df": [8.0, None, 12.0],
        "kind": ["systematic", "random", "random"],
        "plain": ["normal"] * 3,
        "unlimited": [None] * 3,
    }
    sets = {
        "v": _list(5 + 0.01 * rng.normal(size=5)),
        "i": _list(0.02 + 0.0001 * rng.normal(size=5)),
        "phi": _list(1.05 + 0.001 * rng.normal(size=5)),
    }
    own: dict[str, Any] = {"labels": ("name", "shape", "kind"), "results": ("value", "uncertainty"), "numbers": ("df",)}
    return [
        *(
            _made(
                f"stated-{interval}",
                "budget",
                {"model": "a * b + c", "interval": interval, "draws": 2000, "allowed_percent": 5.0, **more},
                stated,
                equivariant=False,
                **own,
            )
            for interval, more in (
                ("symmetric", {"second_order": True}),
                ("shortest", {"correlation": ("b:c:0.5",), "shape": "plain", "df": "unlimited"}),
            )
        ),
        _made(
            "sets",
            "budget",
            {"design": "sets", "columns": ("v", "i", "phi"), "model": "v / i * cos(phi)", "draws": 2000},
            sets,
            results=("v", "i", "phi"),
            equivariant=False,
        ),
        _made(
            "callable",
            "budget",
            {"model": lambda s: s["a"] * s["b"] + s["c"], "design": "pipeline", "recording": "none", "draws": 30},
            stated,
            equivariant=False,
            **own,
        ),
    ]


def wells() -> list[Case]:
    rng = _rng(12)
    sample = np.repeat(np.arange(6), 4)
    well = np.tile(["1", "2", "3", "4"], 6)
    y = 400 * np.exp(0.2 * rng.normal(size=6)[sample] + 0.03 * rng.normal(size=24))
    table = {
        "sample": [f"s{k}" for k in sample],
        "well": _list(well),
        "run": _list(sample),
        "level": [["low", "high"][k % 2] for k in sample],
        "y": _list(y),
    }
    options = {"result": "y", "sample": "sample", "well": "well"}
    own: dict[str, Any] = {"labels": ("sample", "well", "run", "level"), "results": ("y",)}
    return [
        _made("ratio", "wells", {**options, "allowed": 1.1, "level": "level"}, table, **own),
        _made(
            "difference",
            "wells",
            {**options, "scale": "difference", "allowed": 30.0, "run": "run", "adjust": "holm"},
            table,
            scaled=("allowed",),
            **own,
        ),
    ]


def reagents() -> list[Case]:
    rng = _rng(13)
    donor, dose = np.repeat(np.arange(6), 5), np.tile([0.0, 0.5, 1.0, 2.0, 4.0], 6)
    onset = 5 * np.exp(0.1 * rng.normal(size=6)[donor] + 0.04 * rng.normal(size=30)) * (1 + 0.3 * (dose > 2))
    series = {"donor": [f"d{k}" for k in donor], "dose": _list(dose), "onset": _list(onset)}
    base = np.exp(6 + 0.2 * rng.normal(size=12))
    block = {
        "base": _list(base),
        "blocked": _list(base * 0.3 * np.exp(0.05 * rng.normal(size=12))),
        "reference": _list(base * 0.25 * np.exp(0.05 * rng.normal(size=12))),
        "lot": ["A", "B"] * 6,
    }
    rates = {
        "protected": _list(0.05 * rng.normal(size=12)),
        "control": _list(0.05 * rng.normal(size=12)),
        "unprotected": _list(1 + 0.2 * rng.normal(size=12)),
    }
    null = {
        "without": _list(base),
        "with": _list(base * np.exp(0.03 * rng.normal(size=12))),
        "additive": ["p", "q"] * 6,
    }
    contact = {"factor": _list(3 + 0.3 * rng.normal(size=12)), "blank": _list(15 + 2 * rng.normal(size=12))}
    return [
        _made(
            "neutraliser",
            "reagents",
            {
                "design": "neutraliser",
                "dose": "dose",
                "result": "onset",
                "sample": "donor",
                "allowed": 1.15,
                "wanted": 1.0,
            },
            series,
            labels=("donor",),
            results=("onset",),
            numbers=("dose",),
        ),
        _made(
            "block",
            "reagents",
            {
                "design": "block",
                "base": "base",
                "blocked": "blocked",
                "reference_well": "reference",
                "lot": "lot",
                "least": 0.8,
                "allowed_sd": 0.1,
            },
            block,
            labels=("lot",),
            results=("base", "blocked", "reference"),
        ),
        _made(
            "antifibrinolytic",
            "reagents",
            {
                "design": "antifibrinolytic",
                "protected": "protected",
                "control": "control",
                "unprotected": "unprotected",
                "allowed": 0.1,
            },
            rates,
            results=("protected", "control", "unprotected"),
            scaled=("allowed",),
        ),
        *(
            _made(
                f"null-effect-{scale}",
                "reagents",
                {
                    "design": "null-effect",
                    "without": "without",
                    "with_additive": "with",
                    "additive": "additive",
                    "scale": scale,
                    "allowed": allowed,
                },
                null,
                labels=("additive",),
                results=("without", "with"),
                scaled=("allowed",) if scale == "difference" else (),
            )
            for scale, allowed in (("ratio", 1.1), ("difference", 30.0))
        ),
        _made(
            "contact",
            "reagents",
            {"design": "contact", "with_factor": "factor", "blank": "blank", "least": 5.0},
            contact,
            results=("factor", "blank"),
            scaled=("least",),
        ),
    ]


def probe() -> list[Case]:
    rng = _rng(14)
    donor, interval = np.repeat(np.arange(6), 4), np.tile([3.0, 6.0, 15.0, 60.0], 6)
    table = {
        "donor": [f"d{k}" for k in donor],
        "interval": _list(interval),
        "force": [1.0, 2.0] * 12,
        "onset": _list(3 * np.exp(0.1 * rng.normal(size=6)[donor] + 0.03 * rng.normal(size=24))),
        "plateau": _list(400 * np.exp(0.2 * rng.normal(size=6)[donor] + 0.03 * rng.normal(size=24))),
    }
    options = {"sample": "donor", "onset": "onset", "plateau": "plateau", "allowed_onset": 1.1, "allowed_plateau": 1.1}
    own: dict[str, Any] = {"labels": ("donor",), "results": ("onset", "plateau"), "numbers": ("interval", "force")}
    return [
        _made("interval", "probe", {**options, "interval": "interval"}, table, **own),
        _made(
            "force",
            "probe",
            {**options, "interval": "interval", "force": "force", "slopes": "common", "exposure": "sound"},
            table,
            **own,
        ),
    ]


def external() -> list[Case]:
    rng = _rng(15)
    lab = np.repeat([f"lab {k}" for k in range(10)], 2)
    y = np.tile([180.0, 390.0], 10) * np.exp(0.04 * rng.normal(size=20))
    table = {
        "lab": _list(lab),
        "sample": ["P", "Q"] * 10,
        "y": _list(y),
        "u": _list(0.04 * y),
        "assigned": [180.0, 390.0] * 10,
        "ua": [2.0, 4.0] * 10,
    }
    options = {"participant": "lab", "result": "y", "sample": "sample"}
    own: dict[str, Any] = {"labels": ("lab", "sample"), "results": ("y", "u", "assigned", "ua")}
    known = {"assigned": "assigned", "assigned_uncertainty": "ua", "uncertainty": "u", "own": "lab 3"}
    return [
        *(
            _made(
                f"round-{consensus}",
                "external",
                {**options, "consensus": consensus, "own": "lab 3", "sigma_percent": 6.0, "uncertainty": "u"},
                table,
                **own,
            )
            for consensus in ("algorithm-a", "median", "mean")
        ),
        *(
            _made(
                f"round-{score}",
                "external",
                {**options, **known, "score": score, **more},
                table,
                scaled=("sigma",) if score == "z-prime" else (),
                **own,
            )
            for score, more in (("z-prime", {"sigma": 12.0}), ("zeta", {}), ("en", {"expanded": "u"}))
        ),
        *(
            _made(
                f"instruments-{scale}",
                "external",
                {**options, "design": "instruments", "scale": scale, "allowed": allowed},
                {**table, "lab": ["m1", "m2"] * 10, "sample": _list(np.repeat([f"s{k}" for k in range(10)], 2))},
                labels=("lab", "sample"),
                results=("y",),
                scaled=("allowed",) if scale == "difference" else (),
            )
            for scale, allowed in (("difference", 250.0), ("ratio", 2.5))
        ),
    ]


MAKERS: tuple[Callable[[], list[Case]], ...] = (
    precision,
    linearity,
    detection,
    agreement,
    reference_limits,
    control,
    lots,
    discrimination,
    hold,
    interference,
    budget,
    wells,
    reagents,
    probe,
    external,
)
CASES = tuple(case for make in MAKERS for case in make())
