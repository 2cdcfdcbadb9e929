from dataclasses import fields

import pytest

from stanch.errors import InputError
from stanch.virtual.blood.choices import BLOOD_RHEOLOGIES, PLATELET_LAWS, Choices


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("gel_share", 0.0),
        ("gel_share", float("nan")),
        ("concentration_exponent", 0.5),
        ("cross_linked_lysis", 1.1),
        ("adhesion", -1.0),
        ("detachment_step", 1.0),
        ("detachment_relief", 2.0),
        ("frequency", 0.0),
        ("rheology", "spring"),
        ("platelet_law", "divide"),
    ],
)
def test_what_cannot_be_chosen_is_refused(name: str, value: object) -> None:
    with pytest.raises(InputError, match=name):
        Choices(**{name: value})  # type: ignore[arg-type]


def test_defaults_are_of_the_words_offered() -> None:
    assert Choices().rheology in BLOOD_RHEOLOGIES
    assert Choices().platelet_law in PLATELET_LAWS
    assert all(f.default is not None for f in fields(Choices))
