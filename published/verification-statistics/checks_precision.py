"""Precision: nested and crossed variance components, intraclass and within-subject correlation."""

import numpy as np

from stanch.verify.precision import (
    ERROR,
    Analysis,
    crossed_anova,
    intraclass,
    nested_anova,
    one_way_from_summaries,
    within_subject_correlation,
)


def numbers(column):
    return np.array(column, dtype=float)


def one_way(load, file):
    data = load(file)
    found = nested_anova(numbers(data["y"]), {"group": data["group"]})
    group, error = found["group"], found[ERROR]
    return {
        (file, "F"): group.ms / error.ms,
        (file, "SS_between"): group.ss,
        (file, "SS_within"): error.ss,
        (file, "s_r"): found.total([ERROR]).sd.value,
    }


def pr3(load):
    file = "ep05_glucose.csv"
    data = load(file)
    found = nested_anova(numbers(data["result"]), {"day": data["day"], "run": data["run"]})
    total, repeat = found.total(), found.total([ERROR])
    return {
        (file, "VC_day"): found["day"].variance,
        (file, "VC_run"): found["run"].variance,
        (file, "VC_error"): found[ERROR].variance,
        (file, "VC_total"): total.variance,
        (file, "SD_total"): total.sd.value,
        (file, "CV_total_%"): 100 * total.cv.value,
        (file, "DF_total"): total.df,
        (file, "SD_total_CI95_low"): total.sd.low,
        (file, "SD_total_CI95_high"): total.sd.high,
        (file, "SD_rep_CI95_low"): repeat.sd.low,
        (file, "SD_rep_CI95_high"): repeat.sd.high,
        (file, "SD_total_one_sided_95_upper"): total.upper,
    }


def pr4(load):
    second, first = load("dyestuff2.csv"), load("dyestuff.csv")
    negative = nested_anova(numbers(second["Yield"]), {"batch": second["Batch"]})
    plain = nested_anova(numbers(first["Yield"]), {"batch": first["Batch"]})
    return {
        ("dyestuff2.csv", "MS_between"): negative["batch"].ms,
        ("dyestuff2.csv", "MS_within"): negative[ERROR].ms,
        ("dyestuff2.csv", "VC_between_unclipped"): negative["batch"].raw,
        ("dyestuff2.csv", "VC_within"): negative[ERROR].raw,
        ("dyestuff.csv", "VC_between"): plain["batch"].raw,
        ("dyestuff.csv", "VC_within"): plain[ERROR].raw,
    }


def pr5(load):
    file = "gum_h5.csv"
    data = load(file)
    found: Analysis = one_way_from_summaries(numbers(data["mean_V"]), 1e-6 * numbers(data["sd_uV"]), 5, factor="day")
    return {
        (file, "grand_mean_V"): found.mean,
        (file, "s_of_day_means_uV"): 1e6 * (found["day"].ms / 5) ** 0.5,
        (file, "s_pooled_uV"): 1e6 * found[ERROR].ms ** 0.5,
        (file, "F"): found["day"].ms / found[ERROR].ms,
    }


def pr6(load):
    file = "vca_sim_20x2x2_1.csv"
    data = load(file)
    found = nested_anova(numbers(data["y"]), {"day": data["day"], "run": data["run"]})
    wald = found["day"].wald()
    return {
        (file, "VC_day"): found["day"].raw,
        (file, "VC_run"): found["run"].raw,
        (file, "VC_error"): found[ERROR].raw,
        (file, "VC_day_Wald_low"): wald.low,
        (file, "VC_day_Wald_high"): wald.high,
    }


def pr11(load):
    file = "houf_gauge_rr.csv"
    data = load(file)
    found = crossed_anova(numbers(data["y"]), {"part": data["part"], "operator": data["operator"]})
    return {
        (file, "VC_part"): found["part"].raw,
        (file, "VC_operator"): found["operator"].raw,
        (file, "VC_interaction"): found["part × operator"].raw,
        (file, "VC_error"): found[ERROR].raw,
        (file, "VC_gauge"): found.total(["operator", "part × operator", ERROR]).variance,
    }


def pr13(load):
    file = "pastes.csv"
    data = load(file)
    found = nested_anova(numbers(data["strength"]), {"batch": data["batch"], "cask": data["cask"]})
    return {
        (file, "VC_batch"): found["batch"].raw,
        (file, "VC_cask"): found["cask"].raw,
        (file, "VC_error"): found[ERROR].raw,
    }


def co1(load):
    file = "bland_altman_1995_rmcorr.csv"
    data = load(file)
    found = within_subject_correlation(numbers(data["pH"]), numbers(data["PacO2"]), data["Subject"])
    return {
        (file, "slope"): found.slope,
        (file, "r_within"): found.r.value,
        (file, "F"): found.f,
        (file, "df"): found.df,
        (file, "p"): found.p,
    }


def co2(load):
    file = "shrout_fleiss_1979.csv"
    data = load(file)
    found = intraclass(numbers(data["score"]), data["target"], data["judge"])
    return {
        (file, "ICC11"): found.one_way.value,
        (file, "ICC21"): found.two_way.value,
        (file, "ICC31"): found.fixed.value,
        (file, "ICC1k"): found.one_way_mean.value,
        (file, "ICC2k"): found.two_way_mean.value,
        (file, "ICC3k"): found.fixed_mean.value,
    }


CHECKS = {
    "PR1": lambda load: one_way(load, "nist_sirstv.csv"),
    "PR2": lambda load: one_way(load, "nist_atmwtag.csv"),
    "PR3": pr3,
    "PR4": pr4,
    "PR5": pr5,
    "PR6": pr6,
    "PR11": pr11,
    "PR13": pr13,
    "CO1": co1,
    "CO2": co2,
}
