"""Checks of sample size and power."""

from __future__ import annotations

from stanch.verify.design import agreement_power, reference_limits_n, share_n, t_test_n, tolerance_n


def two_groups(load):
    return {("two-sample t d=1 power .9", "n per group"): t_test_n(0.9, difference=1.0, sd=1.0)}


def ranks(load):
    return {("nonparametric 95% RI, 90% CI exists", "minimum n"): reference_limits_n()}


def tolerance(load):
    one = "Wilks one-sided 95/95, 90/95, 99/95"
    shares = {"n1": 0.95, "n2": 0.90, "n3": 0.99}
    made = {(one, name): tolerance_n(share=share, confidence=0.95) for name, share in shares.items()}
    return made | {("Wilks two-sided 95/95", "n"): tolerance_n(share=0.95, confidence=0.95, sides=2)}


def agreement(load):
    return {
        ("Bland-Altman power mu .5 sd 2.5 delta 7", f"power at n={n}"): agreement_power(
            n, bias=0.5, sd=2.5, allowed=7.0, method="published"
        )
        for n in (59, 78)
    }


def one_share(load):
    return {("one proportion .95 vs .90 power .8", "n"): share_n(0.8, true=0.95, claimed=0.90)}


CHECKS = {"SS1": two_groups, "SS2": ranks, "SS3": tolerance, "SS4": agreement, "SS6": one_share}
