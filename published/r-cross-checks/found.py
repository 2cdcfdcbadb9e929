"""What `stanch.verify` finds in the random data of this folder, by the names of `values.csv`."""

import csv
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Value = float | None


class Data:
    """A folder of CSV files, one column at a time."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: dict[str, list[dict[str, str]]] = {}

    def text(self, name: str, column: str) -> list[str]:
        if name not in self._known:
            lines = (self._folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()
            self._known[name] = list(csv.DictReader(lines))
        return [row[column] for row in self._known[name]]

    def numbers(self, name: str, *columns: str) -> tuple[Floats, ...]:
        return tuple(np.array(self.text(name, column), dtype=float) for column in columns)


def nested(data: Data) -> dict[str, Value]:
    from stanch.verify.precision import nested_anova

    columns = {name: data.text("nested", name) for name in ("lab", "day", "run")}
    found = nested_anova(data.numbers("nested", "value")[0], columns)
    total = found.total()
    made: dict[str, Value] = {
        "df_total": total.df,
        "sd_total": total.sd.value,
        "sd_total_low": total.sd.low,
        "sd_total_high": total.sd.high,
    }
    assert found.reml is not None
    for stratum, reml in zip(found.strata, found.reml):
        made[f"component_{stratum.name}"] = stratum.raw
        made[f"se_{stratum.name}"] = stratum.se
        made[f"reml_{stratum.name}"] = reml
    return made


def crossed(data: Data) -> dict[str, Value]:
    from stanch.verify.precision import crossed_anova

    columns = {name: data.text("crossed", name) for name in ("part", "operator")}
    found = crossed_anova(data.numbers("crossed", "value")[0], columns)
    made: dict[str, Value] = {}
    assert found.reml is not None
    for name, stratum, reml in zip(("part", "operator", "interaction", "error"), found.strata, found.reml):
        made |= {f"component_{name}": stratum.raw, f"se_{name}": stratum.se, f"reml_{name}": reml}
    return made


def targets(data: Data) -> dict[str, Value]:
    from stanch.verify.precision import intraclass

    names = (data.text("targets", "target"), data.text("targets", "reader"))
    found = intraclass(data.numbers("targets", "value")[0], *names)
    return {
        "one_way": found.one_way.value,
        "one_way_low": found.one_way.low,
        "one_way_high": found.one_way.high,
        "fixed": found.fixed.value,
        "two_way": found.two_way.value,
        "fixed_mean": found.fixed_mean.value,
    }


def duplicated(data: Data) -> dict[str, Value]:
    from stanch.verify.control import duplicates

    found = duplicates(*data.numbers("duplicates", "first", "second"))
    assert found.cv is not None
    return {
        "sd_control": found.sd.value,
        "cv_control": found.cv.value,
        "cv_low": found.cv.low,
        "cv_high": found.cv.high,
    }


def methods(data: Data) -> dict[str, Value]:
    from stanch.verify.agreement import deming, known_errors, limits_of_agreement, passing_bablok, weighted_deming

    x, y, sx, sy = data.numbers("methods", "x", "y", "x_sd", "y_sd")
    plain = deming(x, y, error_ratio=0.6)
    heavy = weighted_deming(x, y, error_ratio=0.6).line
    york = known_errors(x, y, sx, sy)
    ranks = passing_bablok(x, y, bias_interval="none").line
    limits = limits_of_agreement(x, y)
    return {
        "deming_intercept": plain.a,
        "deming_slope": plain.b,
        "deming_se_intercept": plain.se_intercept,
        "deming_se_slope": plain.se_slope,
        "deming_slope_high": plain.slope.high,
        "deming_bias60_low": plain.bias_at(60).low,
        "weighted_intercept": heavy.a,
        "weighted_slope": heavy.b,
        "weighted_se_intercept": heavy.se_intercept,
        "weighted_se_slope": heavy.se_slope,
        "york_intercept": york.line.a,
        "york_slope": york.line.b,
        "york_chi2": york.chi2,
        "york_se_slope": york.line.se_slope,
        "york_se_intercept": york.line.se_intercept,
        "pb_slope": ranks.b,
        "pb_low": ranks.slope.low,
        "pb_high": ranks.slope.high,
        "pb_intercept": ranks.a,
        "pb_intercept_low": ranks.intercept.low,
        "pb_intercept_high": ranks.intercept.high,
        "limit_upper": limits.upper.value,
        "limit_upper_low": limits.upper.low,
        "limit_upper_high": limits.upper.high,
    }


def repeats(data: Data) -> dict[str, Value]:
    from stanch.verify.agreement import limits_with_repeats

    names = data.text("repeats", "subject")
    x, y = data.numbers("repeats", "x", "y")
    same = limits_with_repeats(names, x, names, y, truth="constant")
    moving = limits_with_repeats(names, x, names, y, truth="varying")
    return {
        "constant_bias": same.limits.bias.value,
        "constant_sd": same.limits.sd.value,
        "varying_between": moving.between_raw,
        "varying_sd": moving.limits.sd.value,
    }


def line(data: Data) -> dict[str, Value]:
    from stanch.verify.linearity import deviation_of_polynomial
    from stanch.verify.regression import lack_of_fit, straight_line

    x, y = data.numbers("line", "x", "y")
    plain, weighted = straight_line(x, y), straight_line(x, y, weights=1 / x**2)
    mean, reading = plain.at(9.5, level=0.9), plain.at(9.5, level=0.9, reading=True)
    lack = lack_of_fit(x, y)
    bent = deviation_of_polynomial(x, y, order=3, confidence=0.9)
    cubic = bent.orders[-1].fit
    made: dict[str, Value] = {
        "mean_low": float(mean.low[0]),
        "mean_high": float(mean.high[0]),
        "reading_low": float(reading.low[0]),
        "reading_high": float(reading.high[0]),
        "lack_f": lack.f,
        "lack_p": lack.p,
        "cubic_p": cubic.p_value(3),
        "cubic_se": float(cubic.se[3]),
        "weighted_slope_se": float(weighted.se[1]),
        "weighted_high": float(weighted.at(9.5).high[0]),
    }
    for k, level in enumerate(bent.levels.x):
        made |= {f"deviation_{level:g}": bent.at(k).value, f"deviation_high_{level:g}": bent.at(k).high}
    return made


def calibration(data: Data) -> dict[str, Value]:
    from stanch.verify.detection import calibration_limits

    found = calibration_limits(*data.numbers("calibration", "x", "y"), readings=2)
    return {
        "critical": found.critical.value,
        "detection": found.detection.value,
        "detection_exact": found.detection_exact,
        "quantitation": found.quantitation.value,
    }


def probit_line(data: Data) -> dict[str, Value]:
    from stanch.verify.detection import probit

    given = data.numbers("probit", "conc", "hits", "trials")
    found = probit(*given)
    fieller = probit(*given, interval="fieller").limit
    return {
        "intercept": found.intercept,
        "slope": found.slope,
        "var_slope": float(found.covariance[1, 1]),
        "deviance": found.deviance,
        "pearson": found.pearson,
        "limit": found.limit.value,
        "delta_high": probit(*given, interval="delta").limit.high,
        "fieller_low": fieller.low,
        "fieller_high": fieller.high,
        "profile_low": found.limit.low,
        "profile_high": found.limit.high,
    }


def reference(data: Data) -> dict[str, Value]:
    from stanch.verify.reference_limits import (
        biweight,
        box_cox,
        box_cox_limits,
        group_difference,
        nonparametric_limits,
        normal_limits,
    )

    (x,) = data.numbers("reference", "value")
    ranks, normal = nonparametric_limits(x), normal_limits(x)
    bent = box_cox_limits(x)
    power = box_cox(x).exponent
    assert ranks.lower is not None
    assert ranks.upper is not None
    assert normal.upper is not None
    assert bent.upper is not None
    return {
        "rank_low": ranks.lower.value,
        "rank_high": ranks.upper.value,
        "rank_low_low": ranks.lower.low,
        "rank_low_high": ranks.lower.high,
        "normal_high": normal.upper.value,
        "normal_high_low": normal.upper.low,
        "normal_high_high": normal.upper.high,
        "lambda": power.value,
        "lambda_low": power.low,
        "boxcox_high": bent.upper.value,
        "biweight_location": biweight(x)[0],
        "partition_z": group_difference(x[:60], x[60:]).z,
    }


def curve(data: Data) -> dict[str, Value]:
    from stanch.verify.discrimination import (
        accuracy,
        area,
        choose_cutoff,
        compare_paired_areas,
        marks,
        paired_decisions,
    )

    ill, a, b = data.numbers("curve", "ill", "a", "b")
    sick = ill == 1
    one, two = marks(a, sick), marks(b, sick)
    logit, wald = area(one), area(one, interval="wald")
    both = compare_paired_areas([one, two])
    cut = choose_cutoff(one)
    said = accuracy(a > 0.5, sick)
    pair = paired_decisions(a > 0.5, b > 0.5)
    assert logit.se is not None
    return {
        "area_a": logit.area.value,
        "area_b": area(two).area.value,
        "var_a": logit.se**2,
        "wald_low": wald.area.low,
        "logit_low": logit.area.low,
        "paired_z": both.contrasts[0].z,
        "paired_p": both.contrasts[0].p,
        "youden_cut": cut.value,
        "youden_sensitivity": cut.sensitivity,
        "youden_specificity": cut.specificity,
        "lr_positive": said.positive_ratio.value,
        "lr_positive_high": said.positive_ratio.high,
        "sensitivity_low": said.sensitivity.low,
        "sensitivity_high": said.sensitivity.high,
        "sensitivity_score_low": accuracy(a > 0.5, sick, interval="score").sensitivity.low,
        "mcnemar_p": pair.p,
        "mcnemar_p_corrected": pair.p_corrected,
        "mcnemar_exact": pair.p_exact,
    }


def lots(data: Data) -> dict[str, Value]:
    from stanch.verify.lots import lot_change, paired_power

    old, new = data.numbers("lots", "old", "new")
    found = lot_change(old, new, allowed=8)
    ratio = lot_change(old, new, scale="ratio", allowed=1.1)
    ranks = lot_change(old, new, allowed=8, method="signed-rank").rank
    assert ranks is not None
    assert ratio.deciding is not None
    return {
        "low": found.equivalence.difference.low,
        "high": found.equivalence.difference.high,
        "p": found.equivalence.p,
        "ratio_high": ratio.deciding.high,
        "shift": ranks.shift.value,
        "shift_low": ranks.shift.low,
        "shift_high": ranks.shift.high,
        "rank_p": ranks.p_lower,
        "power": paired_power(18, 6, 4, true=0.5),
        "power_small": paired_power(5, 1, 1.4),
    }


def charts(data: Data) -> dict[str, Value]:
    from stanch.verify.control import c4, cusum_run_length, d2, d3, ewma_run_length

    made: dict[str, Value] = {}
    for n in (3, 5, 12):
        made |= {f"d2_{n}": d2(n), f"d3_{n}": d3(n), f"c4_{n}": c4(n)}
    for shift in (0.0, 0.5, 1.0, 2.0):
        made[f"ewma_{shift:g}"] = ewma_run_length(0.2, 3, shift=shift, limits="asymptotic")
        made[f"ewma_varying_{shift:g}"] = ewma_run_length(0.2, 3, shift=shift)
        made[f"cusum_{shift:g}"] = cusum_run_length(0.5, 5, shift=shift)
    return made


def designs(data: Data) -> dict[str, Value]:
    from stanch.verify.design import (
        agreement_power,
        area_power,
        sd_power,
        share_power,
        t_test_n,
        t_test_power,
        tolerance_confidence,
    )

    return {
        "t_two": t_test_power(17, difference=1, sd=1.1),
        "t_paired": t_test_power(12, difference=0.8, sd=1, groups="paired"),
        "t_n": t_test_n(0.9, difference=0.7, sd=1),
        "share": share_power(60, true=0.95, claimed=0.85),
        "sd": sd_power(24, sd=1, allowed=1.5),
        "area": area_power(60, area=0.88, claimed=0.75),
        "limits": agreement_power(60, bias=0.1, sd=1, allowed=2.8),
        "wilks": tolerance_confidence(93, share=0.95, sides=2),
    }


def times(data: Data) -> dict[str, Value]:
    from stanch.verify.hold import masses
    from stanch.verify.reagents import contact_activation

    onset, never, blank, blank_never = data.numbers("times", "onset", "open", "blank", "blank_open")
    found = contact_activation(onset, blank, with_open=never == 1, blank_open=blank_never == 1)
    seen = masses(onset, never == 1)
    return {
        "median": found.median_with.value,
        "median_low": found.median_with.low,
        "median_high": found.median_with.high,
        "survival_at_10": float(1 - seen.mass[seen.value <= 10].sum()),
        # SciPy gives the normal deviate, R its square.
        "log_rank": None if found.log_rank is None else found.log_rank**2,
    }


def bounds(data: Data) -> dict[str, Value]:
    from stanch.verify.censored import censored_fit

    x, y, below, above = data.numbers("bounds", "x", "y", "below", "above")
    fit = censored_fit(np.column_stack([np.ones(x.size), x]), y, below == 1, above == 1)
    return {
        "intercept": float(fit.coefficients[0]),
        "slope": float(fit.coefficients[1]),
        "sd": fit.sd,
        "se_slope": math.sqrt(float(fit.covariance[1, 1])),
        "log_likelihood": fit.log_likelihood,
    }


def wells(data: Data) -> dict[str, Value]:
    from stanch.verify.wells import well_bias

    names = (data.text("wells", "sample"), data.text("wells", "well"))
    (value,) = data.numbers("wells", "value")
    found = well_bias(value, *names, level=data.text("wells", "level"))
    by_name = {one.well: one for one in found.wells}
    return {
        "w1": by_name["w1"].bias.value,
        "w1_high": by_name["w1"].single.high,
        "w1_high_adjusted": by_name["w1"].bias.high,
        "w3": by_name["w3"].bias.value,
        "f": found.f,
        "f_level": found.interaction_f,
    }


def doses(data: Data) -> dict[str, Value]:
    from stanch.verify.interference import dose_response
    from stanch.verify.within import change_along

    dose, value = data.numbers("doses", "dose", "value")
    sample = data.text("doses", "sample")
    own = change_along(dose, value, sample, slopes="vary").slope(level=0.95)
    common = change_along(dose, value, sample, slopes="common").slope(level=0.95)
    left = dose_response(dose, value, sample, allowed=5).tolerated_up
    assert left is not None
    return {
        "slope_vary": own.value,
        "slope_vary_low": own.low,
        "slope_common": common.value,
        "slope_common_low": common.low,
        "leaves": left.value,
        "leaves_first": left.low,
    }


def carry(data: Data) -> dict[str, Value]:
    from stanch.verify.interference import carry_over_regression

    found = carry_over_regression(data.numbers("carry", "value")[0], data.text("carry", "sample"))
    return {"share": found.share.value, "share_high": found.share.high}


def block(data: Data) -> dict[str, Value]:
    from stanch.verify.reagents import block_fraction

    found = block_fraction(*data.numbers("block", "base", "blocked", "reference")).total
    return {"fraction": found.value, "fraction_low": found.low, "fraction_high": found.high}


def round_(data: Data) -> dict[str, Value]:
    from stanch.verify.external import algorithm_a

    found = algorithm_a(data.numbers("round", "value")[0], exact=True)
    return {"location": found.value, "scale": found.sd}


def spread(data: Data) -> dict[str, Value]:
    from stanch.verify.variance_function import fit_variance_function

    given = data.numbers("spread", "level", "sd", "df")
    power, both = fit_variance_function(*given, form="power"), fit_variance_function(*given, form="both")
    deviance, scale = both.deviances["both"], float(given[1].max())
    return {
        "power": power.parameters["p"],
        "power_sd_at_20": float(power.sd_at(20)),
        # The package counts standard deviations in units of the largest.
        "both_deviance": deviance + 2 * math.log(scale) * float(given[2].sum()),
        "both_sd_at_20": float(both.sd_at(20)),
    }


def budget(data: Data) -> dict[str, Value]:
    from stanch.verify.budget import Input, first_order

    def model(values: Any) -> Any:
        return values["a"] / values["b"] + 2 * values["c"]

    free = (Input("a", 12, 0.3, df=4), Input("b", 5, 0.0), Input("c", 1, 0.4, df=9))
    linked = (Input("a", 12, 0.3), Input("b", 5, 0.05), Input("c", 1, 0.4))
    own = first_order(model, free, steps="complex")["y"]
    return {
        "u": first_order(model, linked, correlations={("a", "b"): 0.5}, steps="complex")["y"].u,
        "df": own.df,
        "expanded": own.expanded,
    }


CHECKS: dict[str, Callable[[Data], dict[str, Value]]] = {
    "nested": nested,
    "crossed": crossed,
    "targets": targets,
    "duplicates": duplicated,
    "methods": methods,
    "repeats": repeats,
    "line": line,
    "calibration": calibration,
    "probit": probit_line,
    "reference": reference,
    "curve": curve,
    "lots": lots,
    "charts": charts,
    "designs": designs,
    "times": times,
    "bounds": bounds,
    "wells": wells,
    "doses": doses,
    "carry": carry,
    "block": block,
    "round": round_,
    "spread": spread,
    "budget": budget,
}


def wanted(folder: Path) -> Iterator[tuple[str, str, float, float]]:
    """Check, quantity, value and relative tolerance, as R wrote them."""
    for row in csv.DictReader((folder / "values.csv").read_text(encoding="utf-8").splitlines()):
        yield row["check"], row["quantity"], float(row["value"]), float(row["tolerance"])
