"""Checks of the uncertainty budget: JCGM 100 H.1, H.2, H.3 and JCGM 101 9.2, 9.3.

Inputs of H.1 and of 9.3 are from memory; those of H.2 and H.3 come with the reference data.
"""

from __future__ import annotations

import math

from stanch.verify.budget import (
    Input,
    calibration_line,
    first_order,
    monte_carlo,
    parse_model,
    simultaneous,
)


def several(text):
    """A model of one or several formulas."""
    formulas = parse_model(text)
    return lambda values: {name: formula(values) for name, formula in formulas.items()}


def end_gauge(load):
    """The systematic length of an end gauge [nm]."""
    inputs = [
        Input("standard", 50_000_623.0, 25.0, 18),
        Input("difference", 215.0, 5.8, 24, "random"),
        Input("comparator_random", 0.0, 3.9, 5),
        Input("comparator_systematic", 0.0, 6.7, 8),
        Input.within("expansion_difference", 0.0, 1e-6, df=50),
        Input.within("temperature_difference", 0.0, 0.05, df=2),
        Input.within("expansion", 11.5e-6, 2e-6),
        Input("temperature", -0.1, math.hypot(0.2, 0.35)),
    ]
    model = several(
        "l = standard + difference + comparator_random + comparator_systematic"
        " - standard * (expansion_difference * temperature + expansion * temperature_difference)"
    )
    found = first_order(model, inputs, level=0.99, truncate=True)["l"]
    set_ = "GUM H.1 end gauge (inputs: JCGM 100:2008 H.1)"
    return {
        (set_, "l_nm"): found.value,
        (set_, "u_nm"): found.u,
        (set_, "nu_eff"): found.df,
        (set_, "U99"): found.expanded,
    }


def impedance(load):
    """Resistance, reactance and impedance from simultaneous sets."""
    columns = {name: [float(x) for x in values] for name, values in load("gum_h2.csv").items()}
    inputs, correlations = simultaneous(columns)
    found = first_order(
        several("R = V / I * cos(phi); X = V / I * sin(phi); Z = V / I"), inputs, correlations=correlations
    )
    made = {("gum_h2.csv", name): found[name].value for name in "RXZ"}
    made |= {("gum_h2.csv", f"u_{name}"): found[name].u for name in "RXZ"}
    r = found.correlation
    return made | {("gum_h2.csv", "r_RX"): r[0, 1], ("gum_h2.csv", "r_RZ"): r[0, 2], ("gum_h2.csv", "r_XZ"): r[1, 2]}


def mass(load):
    """Calibration of a mass: first order misses most of it."""
    inputs = [
        Input("reference", 100_000.0, 0.05),
        Input("added", 1.234, 0.02),
        Input.within("air", 1.2, 0.1),
        Input.within("weight", 8000.0, 1000.0),
        Input.within("standard", 8000.0, 50.0),
    ]
    model = several("m = (reference + added) * (1 + (air - 1.2) * (1 / weight - 1 / standard)) - 100000")
    trials = monte_carlo(model, inputs, trials=2_000_000, seed=3)["m"]
    return {
        ("JCGM 101 9.3 mass", "u exact"): trials.u,
        ("JCGM 101 9.3 mass GUF1/GUF2", "u1"): first_order(model, inputs)["m"].u,
        ("JCGM 101 9.3 mass GUF1/GUF2", "u2"): first_order(model, inputs, second_order=True)["m"].u,
    }


def additive(load):
    """Sums of four rectangular inputs."""
    four = [Input(f"x{k}", 0.0, 1.0, shape="rectangular") for k in range(1, 5)]
    wide = [*four[:3], Input("x4", 0.0, 10.0, shape="rectangular")]
    model = several("x1 + x2 + x3 + x4")
    return {
        ("JCGM 101 9.2.3 rectangular sum", "97.5 quantile exact"): monte_carlo(model, four, trials=4_000_000)["y"].high,
        ("JCGM 101 9.2.4", "97.5 quantile exact"): monte_carlo(model, wide, trials=1_000_000)["y"].high,
    }


def thermometer(load):
    """A calibration line and its prediction at 30 degrees."""
    columns = {name: [float(x) for x in values] for name, values in load("gum_h3_propagate.csv").items()}
    line = calibration_line(columns["tk"], columns["bk"], reference=20.0, names=("y1", "y2"))
    found = first_order(several("b = y1 + y2 * (30 - 20)"), line.inputs, correlations=line.correlations)["b"]
    set_ = "gum_h3_propagate.csv (t0=20)"
    return {
        (set_, "y1"): line.intercept.value,
        (set_, "u_y1"): line.intercept.u,
        (set_, "y2"): line.slope.value,
        (set_, "u_y2"): line.slope.u,
        (set_, "r"): line.correlation,
        (set_, "s"): line.sd,
        (set_, "b30"): found.value,
        (set_, "u_b30"): found.u,
        (set_, "df"): found.df,
    }


CHECKS = {"UN1": end_gauge, "UN2": impedance, "UN3": mass, "UN4": additive, "UN5": thermometer}
