"""Limits of blank, detection and quantitation of the reference table."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from stanch.verify.detection import calibration_limits, limit_of_blank, limit_of_detection

Loader = Callable[[str], Mapping[str, list[str]]]
Found = dict[tuple[str, str], float]


def number(value: float | None) -> float:
    return np.nan if value is None else value


def blanks_and_lows(load: Loader) -> Found:
    name = "ep17_lob_lod_lot1.csv"
    data = load(name)
    y, kind, sample = (np.array(data[key]) for key in ("y", "type", "sample"))
    values, blank, low = y.astype(float), kind == "Blank", kind == "Low"
    samples = len(set(sample[blank]))
    ranks = limit_of_blank(values[blank], samples=samples)
    normal = limit_of_blank(values[blank], samples=samples, method="parametric")
    lod = limit_of_detection(ranks, values[low], sample[low])
    return {
        (name, "LoB_nonparametric"): number(ranks.limit.value),
        (name, "LoB_parametric"): number(normal.limit.value),
        (name, "SD_L pooled"): number(lod.sd.value),
        (name, "LoD"): number(lod.limit.value),
    }


def calibration(load: Loader) -> Found:
    name = "din32645.csv"
    x, y = ([float(v) for v in load(name)[key]] for key in ("x", "y"))
    # The standard's example is worked at an error of 1 % each.
    found = calibration_limits(x, y, alpha=0.01, beta=0.01, k=3)
    return {
        (name, "slope"): float(found.line.coefficients[1]),
        (name, "intercept"): float(found.line.coefficients[0]),
        (name, "s_y"): found.line.residual_sd,
        (name, "s_x0"): found.s_x0,
        (name, "critical_value"): number(found.critical.value),
        (name, "LoD_DIN"): number(found.detection.value),
        (name, "LoQ k=3"): number(found.quantitation.value),
    }


CHECKS = {"DE1": blanks_and_lows, "DE2": calibration}
