"""One word, one meaning: options that mean the same have the same name, kind and choices in every protocol."""

from __future__ import annotations

import pytest

from stanch.verify import PROTOCOLS, protocol
from stanch.verify.protocol import Option

OPTIONS = [(name, option) for name in PROTOCOLS for option in protocol(name).options]
KIND = {
    "alpha": "number",
    "confidence": "number",
    "draws": "count",
    "group": "column",
    "level": "column",
    "lot": "column",
    "result": "column",
    "run": "column",
    "sample": "column",
    "scale": "choice",
    "seed": "count",
}
SCALES = ({"difference", "ratio", "percent"}, {"linear", "log"})
# Other words for what has a name already: level of an interval, draws, sample, a limit of the laboratory's own, alpha.
ELSEWHERE = {
    "bounds": (),
    "donor": ("hold",),
    "error": (),
    "margin": (),
    "resamples": (),
    "subject": (),
    "trials": ("detection",),
}


def _ids(value: object) -> str:
    return value.name if isinstance(value, Option) else str(value)


@pytest.mark.parametrize(("name", "option"), [o for o in OPTIONS if o[1].name in KIND], ids=_ids)
def test_a_name_has_one_kind(name: str, option: Option) -> None:
    assert option.kind == KIND[option.name]


@pytest.mark.parametrize(("name", "option"), [o for o in OPTIONS if o[1].name in ELSEWHERE], ids=_ids)
def test_what_has_a_name_gets_no_second_one(name: str, option: Option) -> None:
    assert name in ELSEWHERE[option.name]


def test_a_donor_is_a_sample_unless_both_are_told_apart() -> None:
    assert {name for name, option in OPTIONS if option.name == "donor"} <= {
        name for name, option in OPTIONS if option.name == "sample"
    }


@pytest.mark.parametrize(("name", "option"), [o for o in OPTIONS if o[1].name == "scale"], ids=_ids)
def test_scales_have_the_same_words(name: str, option: Option) -> None:
    assert any(set(option.choices) <= words for words in SCALES)


@pytest.mark.parametrize(("name", "option"), [o for o in OPTIONS if o[1].name == "censored"], ids=_ids)
def test_bounds_are_refused_unless_told_otherwise(name: str, option: Option) -> None:
    assert option.default == "refuse"
    assert set(option.choices) <= {"refuse", "leave-out", "common"}


@pytest.mark.parametrize(("name", "option"), [o for o in OPTIONS if o[1].name == "seed"], ids=_ids)
def test_the_seed_is_zero_unless_given(name: str, option: Option) -> None:
    # The planner of studies has no default of its own: an option given where it has no part is refused.
    assert option.default == 0 or (name == "design" and option.default is None)


def test_limits_of_the_laboratorys_own_are_called_so() -> None:
    judged = [option.name for _, option in OPTIONS if option.help.startswith(("Largest", "Smallest"))]
    assert judged
    assert [name for name in judged if not name.startswith(("allowed", "least", "wanted"))] == []
