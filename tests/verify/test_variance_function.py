"""Standard deviation as a function of the level."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from stanch.errors import InputError
from stanch.verify.variance_function import FORMS, fit_variance_function

X = np.array([5.0, 20, 80, 300, 1000])
TRUE = {
    "constant": np.full(5, 2.0),
    "proportional": 0.05 * X,
    "both": np.hypot(2, 0.05 * X),
    "power": 0.5 * X**0.5,
}


def drawn(form: str, seed: int, df: float = 40) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.asarray(TRUE[form] * np.sqrt(rng.chisquare(df, 5) / df))


@pytest.mark.parametrize("form", FORMS)
def test_exact_standard_deviations_give_the_parameters_back(form: str) -> None:
    found = fit_variance_function(X, TRUE[form], 1000.0)
    assert found.form == form
    assert found.sd_at(X) == pytest.approx(TRUE[form], rel=1e-5)
    assert found.lack_of_fit == pytest.approx(0, abs=1e-6)


def test_one_parameter_in_closed_form_with_its_exact_interval() -> None:
    s, df = drawn("constant", 1), np.array([3.0, 5.5, 9, 20, 7])
    found = fit_variance_function(X, s, df, form="constant")
    assert found.parameters["a"] == pytest.approx(np.sqrt(np.sum(df * s**2) / df.sum()), rel=1e-12)
    bounded = found.interval(50.0)
    from stanch.verify.intervals import sd_interval

    exact = sd_interval(found.parameters["a"], float(df.sum()))
    assert (bounded.low, bounded.high) == pytest.approx((exact.low, exact.high))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("form", ["both", "power"])
def test_two_parameters_against_a_general_optimiser(form: str, seed: int) -> None:
    s, df = drawn(form, seed), np.array([4.0, 30, 10, 18, 25])
    found = fit_variance_function(X, s, df, form=form)  # type: ignore[arg-type]

    def deviance(logs: np.ndarray) -> float:
        a, b = np.exp(logs)
        variance = a**2 + (b * X) ** 2 if form == "both" else a**2 * X ** (2 * (np.log(b)))
        return float(np.sum(df * (np.log(variance) + s**2 / variance)))

    best = min(
        optimize.minimize(deviance, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}).fun
        for start in ([0.5, -3.0], [0.0, 0.5], [-2.0, -3.0])
    )
    fitted = found.sd_at(X) ** 2
    assert float(np.sum(df * (np.log(fitted) + s**2 / fitted))) <= best + 1e-6


@given(st.integers(0, 1000), st.sampled_from(FORMS), st.sampled_from([1e-12, 1e-3, 1e12]))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_units_change_nothing(seed: int, form: str, unit: float) -> None:
    s = drawn(form, seed)
    one, other = fit_variance_function(X, s, 20), fit_variance_function(X * unit, s * unit, 20)
    assert other.form == one.form
    assert other.sd_at(X * unit) / unit == pytest.approx(one.sd_at(X), rel=1e-4)
    assert other.degrees_at(X * unit) == pytest.approx(one.degrees_at(X), rel=1e-2)


def test_the_rule_takes_a_second_parameter_only_for_a_clear_gain() -> None:
    chosen = [fit_variance_function(X, drawn("proportional", seed, 10), 10).form for seed in range(200)]
    assert chosen.count("proportional") > 180
    assert [fit_variance_function(X, drawn("both", seed), 40).form for seed in range(20)].count("both") > 12


@pytest.mark.parametrize("form", FORMS)
def test_the_level_of_a_stated_cv(form: str) -> None:
    found = fit_variance_function(X, TRUE[form], 50, form=form)  # type: ignore[arg-type]
    level = found.lowest_level_for_cv(0.1)
    if form == "proportional":
        assert level == 0.0
        assert found.lowest_level_for_cv(0.01) is None
    else:
        assert level is not None
        assert float(found.sd_at(level)) / level == pytest.approx(0.1, rel=1e-6)


def test_zero_and_negative_levels_leave_forms_out_and_say_why() -> None:
    found = fit_variance_function([0.0, 10, 100], [1.0, 1.2, 5.0], 20)
    assert set(found.refused) == {"proportional", "power"}
    assert found.form in ("constant", "both")
    both = fit_variance_function([0.0, 10, 100], [0.0, 0.5, 5.0], 20)
    assert set(both.deviances) == {"constant"}


def test_a_zero_standard_deviation_among_others_is_taken() -> None:
    found = fit_variance_function(X, [0.0, 1, 4, 15, 50], 5)
    assert found.lack_of_fit is None
    assert "power" in found.refused
    assert np.isfinite(found.sd_at(X)).all()


@pytest.mark.parametrize(
    ("level", "sd", "df", "form", "words"),
    [
        ([1.0, 2], [1.0], 5, "auto", "as many"),
        ([1.0, 2], [1.0, -1], 5, "auto", "zero or more"),
        ([1.0, 2], [0.0, 0], 5, "auto", "at least one"),
        ([1.0, 2], [1.0, 1], 0, "auto", "above zero"),
        ([1.0], [1.0], 5, "both", "two different"),
        ([0.0, 1], [1.0, 1], 5, "power", "above zero"),
        ([1.0, 2], [1.0, 1], 5, "cubic", "auto"),
    ],
)
def test_what_cannot_be_fitted_is_refused(
    level: list[float], sd: list[float], df: float, form: str, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        fit_variance_function(level, sd, df, form=form)  # type: ignore[arg-type]


def test_many_duplicates_as_levels() -> None:
    rng = np.random.default_rng(9)
    x = np.exp(rng.uniform(0, 7, 100_000))
    sd = np.hypot(2, 0.05 * x) * np.abs(rng.normal(size=x.size))
    found = fit_variance_function(x, sd, 1)
    assert found.form == "both"
    assert found.parameters["a"] == pytest.approx(2, rel=0.03)
    assert found.parameters["b"] == pytest.approx(0.05, rel=0.03)
