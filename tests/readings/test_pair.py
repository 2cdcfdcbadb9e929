"""Whether two wells may be compared."""

import pytest

from stanch.readings.pair import pair_problems, pair_warnings, share_activator
from stanch.recording.records import Additive, Well


def test_wells_that_differ_in_the_stated_additive_only(well):
    assert pair_problems(well("a"), well("b", "blocker"), "blocker") == ()
    assert pair_problems(well("a", "blocker", "x"), well("b", "x"), "blocker") == ()


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (Well("b", "contact", (Additive("blocker"),)), "the activator is tissue factor in a and contact in b"),
        (Well("b", None, (Additive("blocker"),)), "unknown in b"),
        (Well("b", "tissue factor", (Additive("blocker"), Additive("x"))), "only one well has x"),
        (Well("b", "tissue factor"), "blocker is in neither well"),
    ],
)
def test_what_else_may_differ(well, other, words):
    assert any(words in problem for problem in pair_problems(well("a"), other, "blocker"))


def test_amounts_count_where_both_are_known():
    a = Well("a", "tf", (Additive("x", "10 uL"),), activator_amount="5 pM")
    b = Well("b", "tf", (Additive("x", "20 uL"), Additive("blocker")), activator_amount="8 pM")
    problems = pair_problems(a, b, "blocker")
    assert "the amount of tf is 5 pM and 8 pM" in problems
    assert "the amount of x is 10 uL and 20 uL" in problems
    unknown = Well("c", "tf", (Additive("x"), Additive("blocker")))
    assert pair_problems(a, unknown, "blocker") == ()


def test_unequal_dilution_and_lots_warn():
    a = Well("a", "tf", sample_volume=300e-9, final_volume=340e-9, activator_lot="1")
    b = Well("b", "tf", sample_volume=300e-9, final_volume=360e-9, activator_lot="2")
    assert ["not equally diluted" in w or "lots differ" in w for w in pair_warnings(a, b)] == [True, True]
    assert pair_warnings(a, a) == ()


def test_an_unknown_activator_is_shared_with_nobody(well):
    assert share_activator(well("a"), well("b"))
    assert not share_activator(well("a", activator=None), well("b", activator=None))
    assert not share_activator(well("a"), well("b", activator="contact"))
