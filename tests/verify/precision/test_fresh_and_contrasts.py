"""Fresh samples on the log scale, and contrasts of pairs of wells."""

import math

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.verify.precision import (
    ERROR,
    bands_of_donors,
    contrast_precision,
    contrast_values,
    cv_from_log_sd,
    fresh_precision,
)
from stanch.verify.records import Bounded


def study(seed: int = 0, donors: int = 40) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    rng = np.random.default_rng(seed)
    donor = np.repeat(np.arange(donors), 8)
    operator = np.tile(np.repeat([0, 1], 4), donors)
    well = np.tile(np.repeat(np.arange(4), 2), donors)
    logs = 5 + rng.normal(size=donors)[donor] + 0.1 * rng.normal(size=(donors, 2))[donor, operator]
    logs += 0.2 * rng.normal(size=(donors, 4))[donor, well] + 0.3 * rng.normal(size=donor.size)
    return np.exp(logs), donor, {"operator": operator, "well": well}


def test_duplicates_alone_give_the_root_mean_square_of_their_differences() -> None:
    y, donor, _ = study()
    y, donor = y.reshape(-1, 8)[:, :2].ravel(), donor.reshape(-1, 8)[:, :2].ravel()
    found = fresh_precision(y, donor, {})[0]
    d = np.diff(np.log(y).reshape(-1, 2), axis=1)
    s2 = float(np.mean(d**2) / 2)
    assert found.sums["repeatability"].variance == pytest.approx(s2, rel=1e-12)
    assert found.cv["repeatability"].value == pytest.approx(math.sqrt(math.exp(s2) - 1), rel=1e-12)
    assert found.geometric_mean == pytest.approx(math.exp(np.log(y).mean()), rel=1e-12)


def test_donors_do_not_count_and_sums_grow_outwards() -> None:
    y, donor, within = study()
    found = fresh_precision(y, donor, within)[0]
    assert list(found.sums) == ["repeatability", "across well", "across operator"]
    assert found.sums["across operator"].variance == pytest.approx(0.01 + 0.04 + 0.09, rel=0.15)
    assert found.analysis["donor"].raw > 0.5
    scaled = fresh_precision(y * np.repeat(np.exp(np.random.default_rng(3).normal(size=40)), 8), donor, within)[0]
    assert scaled.sums["across operator"].variance == pytest.approx(found.sums["across operator"].variance, rel=1e-9)


def test_each_level_is_worked_out_apart() -> None:
    y, donor, within = study()
    bands = bands_of_donors(y, donor, 4)
    assert sorted(set(bands)) == ["band 1", "band 2", "band 3", "band 4"]
    assert [int(np.unique(donor[bands == b]).size) for b in sorted(set(bands))] == [10] * 4
    found = fresh_precision(y, donor, within, level=bands)
    means = [f.geometric_mean for f in found]
    assert means == sorted(means)
    alone = fresh_precision(
        y[bands == "band 2"], donor[bands == "band 2"], {k: v[bands == "band 2"] for k, v in within.items()}
    )[0]
    assert found[1].analysis[ERROR].raw == pytest.approx(alone.analysis[ERROR].raw, rel=1e-12)


def test_what_a_logarithm_cannot_take_is_refused() -> None:
    y, donor, within = study()
    with pytest.raises(InputError, match="above zero"):
        fresh_precision(np.where(donor == 3, 0.0, y), donor, within)
    with pytest.raises(InputError, match="several levels"):
        fresh_precision(y, donor, within, level=np.arange(y.size) % 2)
    with pytest.raises(InputError, match="any other name"):
        fresh_precision(y, donor, {"donor": within["well"]})
    with pytest.raises(InputError, match="two donors in each"):
        bands_of_donors(y, donor, 21)


def test_a_tiny_and_a_huge_scatter_back_from_the_logarithm() -> None:
    assert cv_from_log_sd(Bounded(1e-9, 1e-10, 1e-8)).value == pytest.approx(1e-9, rel=1e-12)
    with pytest.raises(InputError, match="overflow"):
        cv_from_log_sd(Bounded(30.0))


def pairs(seed: int = 1, samples: int = 400) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    sample = np.repeat(np.arange(samples), 2)
    level = 6 + 0.5 * rng.normal(size=samples)[sample]
    shared = 0.1 * rng.normal(size=sample.size)
    base = np.exp(level + shared + 0.04 * rng.normal(size=sample.size))
    other = np.exp(level - 0.7 + shared + 0.05 * rng.normal(size=sample.size))
    return base, other, sample


def test_what_both_wells_share_cancels_in_the_ratio() -> None:
    base, other, sample = pairs()
    found = contrast_precision(base, other, sample, kind="ratio")
    assert found.repeatability.sd.value == pytest.approx(math.hypot(0.04, 0.05), rel=0.08)
    assert found.base_sd == pytest.approx(math.hypot(0.1, 0.04), rel=0.08)
    assert found.independent == pytest.approx(math.hypot(found.base_sd, found.other_sd), rel=1e-12)
    assert found.correlation is not None
    assert found.correlation > 0.7
    assert found.limit == pytest.approx(1.959964 * math.sqrt(2) * found.repeatability.variance**0.5, rel=1e-6)
    assert found.cv is not None
    assert found.samples, found.pairs == (400, 800)


@pytest.mark.parametrize("kind", ["difference", "ratio", "share"])
def test_the_scatter_of_a_contrast_by_hand(kind: str) -> None:
    base, other, sample = pairs(samples=30)
    values = {"difference": base - other, "ratio": np.log(base / other), "share": (base - other) / base}[kind]
    found = contrast_precision(base, other, sample, kind=kind)  # type: ignore[arg-type]
    d = np.diff(values.reshape(-1, 2), axis=1)
    assert found.repeatability.variance == pytest.approx(float(np.mean(d**2) / 2), rel=1e-9)
    assert (found.cv is None) == (kind != "ratio")


def test_a_retention_is_a_difference_of_log_ratios_and_ignores_gains() -> None:
    base, other, sample = pairs(samples=30)
    early_base, early_other, _ = pairs(2, 30)
    values = contrast_values(base, other, "log-retention", base_early=early_base, other_early=early_other)
    assert values == pytest.approx(np.log(other / base) - np.log(early_other / early_base), rel=1e-10)
    gained = contrast_values(
        3 * base, 2 * other, "log-retention", base_early=3 * early_base, other_early=2 * early_other
    )
    assert gained == pytest.approx(values, abs=1e-12)
    found = contrast_precision(
        base, other, sample, kind="log-retention", base_early=early_base, other_early=early_other
    )
    assert found.repeatability.variance == pytest.approx(
        float(np.mean(np.diff(values.reshape(-1, 2), axis=1) ** 2) / 2), rel=1e-9
    )


@pytest.mark.parametrize(
    ("kind", "options", "words"),
    [
        ("ratio", {"base_early": [1.0, 1.0, 1.0, 1.0]}, "log-retention only"),
        ("log-retention", {}, "earlier clot age"),
        ("sum", {}, "difference, ratio"),
    ],
)
def test_contrasts_that_cannot_be_formed_are_refused(kind: str, options: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        contrast_precision([4.0, 5, 6, 7], [1.0, 2, 3, 4], [1, 1, 2, 2], kind=kind, **options)  # type: ignore[arg-type]


def test_a_ratio_of_a_value_below_zero_points_to_the_difference() -> None:
    with pytest.raises(InputError, match="Use the difference"):
        contrast_precision([4.0, 5, 6, 7], [1.0, 2, -3, 4], [1, 1, 2, 2], kind="ratio")
    # A share only divides by the base.
    assert contrast_precision([4.0, 5, 6, 7], [1.0, 2, -3, 4], [1, 1, 2, 2], kind="share").samples == 2
