"""The assay document: what is read, and what is refused with which words."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stanch.errors import DocumentError, StanchError
from stanch.readings.assay import canonical_text, load_assay
from stanch.readings.assay_records import GROUPS

HEAD = """schema = "stanch.assay/1"
name = "two-well survey"
onset_modulus = "20 Pa"
hold = "8 min"
follow = "30 min"
"""
CONTRAST = """
[[contrast]]
name = "platelet modulus"
kind = "difference"
reading = "early_modulus"
base = "plain"
other = "blocked"
differs_in = "platelet blocker"
"""
LIMIT = """
[[limit]]
of = "platelet modulus"
kind = "reference"
low = "300 Pa"
high = "1.4 kPa"
source = "invented for the demo"
"""
RULE = """
[[rule]]
key = "low_platelet_part"
group = "platelets"
about = "a low platelet part"
text = "Supports a low platelet part."
when = [{ of = "platelet modulus", is = "below", limit = "reference" }]
minimum_probability = "95 %"
"""


@pytest.fixture(scope="module")
def demo() -> str:
    return (files("stanch.virtual") / "demo" / "assay.toml").read_text(encoding="utf-8")


def problems_of(text: str) -> list[str]:
    with pytest.raises(DocumentError) as caught:
        load_assay(text, "assay.toml")
    return caught.value.problems


def test_the_smallest_document_is_read_in_si_units() -> None:
    assay = load_assay(HEAD + CONTRAST + LIMIT + RULE, "assay.toml")
    d = assay.definitions()
    assert (d.onset_modulus, d.hold, d.follow, d.dwell) == (20.0, 480.0, 1800.0, 60.0)
    assert assay.contrasts[0].base == "plain"
    assert (assay.limits[0].low, assay.limits[0].high) == (300.0, 1400.0)
    assert assay.rules[0].minimum_probability == 0.95
    assert not assay.rules[0].approved
    assert assay.wells == ()


def test_the_demo_document_is_valid_marked_and_differs_from_common_practice(demo: str) -> None:
    assay = load_assay(demo, "assay.toml")
    assert assay.demo
    assert "demo data" in assay.name
    assert len(assay.wells) == 6
    assert all("invented" in limit.source for limit in assay.limits)
    assert [rule.group for rule in assay.rules] == sorted((r.group for r in assay.rules), key=GROUPS.index)
    assert {rule.group for rule in assay.rules} == set(GROUPS) - {"quality"}
    # Common practice, no source: read 7 min after onset, retention limit about 93 %.
    assert assay.definitions().hold != 420.0
    assert all(limit.low != 0.93 for limit in assay.limits)


def test_hash_is_that_of_the_canonical_text() -> None:
    text = HEAD + 'version = "é"\n'
    decomposed = text.replace("é", "e\u0301").replace("\n", "\r\n")
    assert load_assay(text, "a").sha256 == load_assay(decomposed, "a").sha256
    assert load_assay(text, "a").sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert load_assay(text.replace("30 min", "31 min"), "a").sha256 != load_assay(text, "a").sha256
    assert canonical_text("a\r\nb") == "a\nb\n"


@pytest.mark.parametrize("key", ["name", "onset_modulus", "hold", "follow"])
def test_what_has_no_built_in_value_must_be_stated(key: str) -> None:
    text = "\n".join(line for line in HEAD.splitlines() if not line.startswith(key))
    assert problems_of(text) == [f"{key}: missing; allowed: it must be given"]


def test_every_fault_is_told_at_once_with_its_path(demo: str) -> None:
    text = (
        demo.replace('hold = "9 min"', 'hold = "9"')
        .replace('differs_in = "platelet blocker"', 'differ_in = "platelet blocker"', 1)
        .replace('base = "low"', 'base = "lo"', 1)
        .replace('of = "onset", well = "low", is = "above"', 'of = "onsett", well = "low", is = "above"', 1)
        .replace('unit = "', "")
    )
    found = problems_of(text)
    assert [p.split(":")[0] for p in found] == [
        "hold",
        "contrast[2].differs_in",
        "contrast[2].differ_in",
        "contrast[1].base",
        "rule[1].when[1].of",
    ]
    assert "Add the unit." in found[0]
    assert found[2].endswith("did you mean differs_in?")
    assert found[3].endswith("did you mean low?")
    assert found[4].endswith("did you mean onset?")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"stanch.assay/1"', '"stanch.assay/2"', "schema: got 'stanch.assay/2'"),
        ('"stanch.assay/1"', '"stanch.map/1"', "schema: got 'stanch.map/1'"),
        ('hold = "8 min"', 'hold = "8 Pa"', "hold: got 8 Pa; allowed: a unit of time"),
        ('hold = "8 min"', 'hold = "-8 min"', "hold: got -8 min; allowed: more than zero"),
        ('hold = "8 min"', "hold = 8", "hold: got 8; allowed: text with a unit of time"),
        ('name = "two-well survey"', 'name = ""', "name: got an empty text"),
        ('name = "two-well survey"', "name = 3", "name: got 3"),
        ('name = "two-well survey"', 'name = "a\\u0007b"', "name: got control characters"),
        ('kind = "difference"', 'kind = "diference"', "contrast[1].kind: got 'diference'"),
        ('reading = "early_modulus"', 'reading = "early"', "contrast[1].reading: got 'early'"),
        ('reading = "early_modulus"\n', "", "contrast[1].reading: got nothing"),
        ('other = "blocked"', 'other = "plain"', "contrast[1].other: got 'plain' twice"),
        ('differs_in = "platelet blocker"', 'differs_in = ""\nreport = "retention"', "contrast[1].report"),
        ('differs_in = "platelet blocker"', 'differs_in = ""\ninverse = true', "contrast[1].inverse"),
        ('differs_in = "platelet blocker"', 'differs_in = ""\nblock_fraction = "95 %"', "contrast[1].block_fraction"),
        ('differs_in = "platelet blocker"', 'differs_in = ""\nblock_fraction = "1.2 1"', "contrast[1].block_fraction"),
        ('of = "platelet modulus"\nkind', 'of = "platelets"\nkind', "limit[1].of: got unknown reading or contrast"),
        ('of = "platelet modulus"\nkind', 'of = "onset"\nkind', "limit[1].well: missing"),
        ('low = "300 Pa"', 'low = "300 min"', "limit[1].low: got 300 min; allowed: a unit of pressure"),
        ('low = "300 Pa"', 'low = "2 kPa"', "limit[1].low: got 2 kPa; allowed: below high"),
        ('low = "300 Pa"\nhigh = "1.4 kPa"\n', "", "limit[1]: got neither low nor high"),
        ('source = "invented for the demo"\n', "", "limit[1].source: missing"),
        (
            'low = "300 Pa"\n',
            "",
            "rule[1].when[1].is: got 'below', but the reference limit of platelet modulus has no low",
        ),
        ('limit = "reference" }', 'limit = "critical" }', "rule[1].when[1].limit: got 'critical', but there is no"),
        ('is = "below"', 'is = "under"', "rule[1].when[1].is: got 'under'"),
        ('"95 %"\n', '"95"\n', "rule[1].minimum_probability: got 95"),
        ('"95 %"\n', '"95 %"\ndepends_on = ["x"]\n', "rule[1].depends_on: got unknown rule 'x'"),
        ('group = "platelets"', 'group = "platelet"', "rule[1].group: got 'platelet'"),
        ('key = "low_platelet_part"', 'key = "Low part"', "rule[1].key"),
        ("when = [{", "when_all = [{", "rule[1].when_all: unknown key"),
        ("Supports a low platelet part.", "Transfuse platelets.", "rule[1].text: got 'Transfuse'"),
        ("a low platelet part", "a dose of heparin", "rule[1].about: got 'dose'"),
    ],
)
def test_a_fault_is_named_with_path_value_and_what_is_allowed(old: str, new: str, told: str) -> None:
    text = HEAD + CONTRAST + LIMIT + RULE
    assert old in text
    found = problems_of(text.replace(old, new, 1))
    assert any(p.startswith(told) for p in found), found


def test_no_wells_at_all_is_refused() -> None:
    assert problems_of(HEAD + "well = []\n")[0].startswith("well: got an empty list")


def test_wells_of_a_contrast_must_be_planned_and_differ_in_the_named_additive_alone() -> None:
    wells = '[[well]]\nname = "plain"\nactivator = "a"\n[[well]]\nname = "blocked"\nactivator = "a"\n'
    blocker = 'additives = ["platelet blocker"]\n'
    assert load_assay(HEAD + CONTRAST + wells + blocker, "a").contrasts[0].differs_in == "platelet blocker"
    assert "differ in nothing" in problems_of(HEAD + CONTRAST + wells)[0]
    other = wells.replace('"a"\n', '"b"\n', 1)
    assert "differ in activator, platelet blocker" in problems_of(HEAD + CONTRAST + other + blocker)[0]
    assert "unknown well 'blocked'" in problems_of(HEAD + CONTRAST + wells.replace("blocked", "blockd"))[0]


def test_names_may_not_be_given_twice() -> None:
    assert problems_of(HEAD + CONTRAST + CONTRAST) == [
        "contrast[2]: got 'platelet modulus' twice; allowed: every one once"
    ]
    assert "limit[2]: got 'platelet modulus reference' twice" in problems_of(HEAD + CONTRAST + LIMIT + LIMIT)[0]


def test_a_rule_may_depend_on_earlier_rules_only() -> None:
    second = RULE.replace("low_platelet_part", "first").replace('"platelets"', '"lysis"')
    later = RULE + 'depends_on = ["first"]\n'
    assert problems_of(HEAD + CONTRAST + LIMIT + later + second) == [
        "rule[1].depends_on: got 'first', which comes later; allowed: an earlier rule"
    ]


@pytest.mark.parametrize(
    ("pair", "told"),
    [
        ('reading = "onset"', "pair[1].not_above: missing"),
        ('reading = "onset"\nnot_above = ["a", "a"]', "pair[1].not_above: got 'a' twice"),
        ('contrast = "platelet modulus"', "pair[1].at_most: missing"),
        ('contrast = "retention"\nat_most = "100 %"', "pair[1].contrast: got unknown contrast"),
        ('reading = "onset"\nnot_above = ["a", "b"]\ncontrast = "x"', "pair[1]: got both or neither"),
        ('reading = "onset"\nnot_above = ["a", "b"]\ntolerance = "-1 s"', "pair[1].tolerance: got -1 s"),
    ],
)
def test_a_faulty_pair_constraint_is_refused(pair: str, told: str) -> None:
    assert problems_of(HEAD + CONTRAST + f'[[pair]]\nname = "p"\n{pair}\n')[0].startswith(told)


def test_a_tolerance_may_be_absolute_or_relative() -> None:
    text = HEAD + '[[pair]]\nname = "p"\nreading = "plateau"\nnot_above = ["a", "b"]\ntolerance = "{}"\n'
    absolute, relative = (load_assay(text.format(t), "a").pairs[0] for t in ("20 Pa", "5 %"))
    assert (absolute.tolerance, absolute.relative) == (20.0, False)
    assert (relative.tolerance, relative.relative) == (0.05, True)


def test_wells_are_compared_with_the_recording(demo: str) -> None:
    free = load_assay(HEAD + CONTRAST, "assay.toml")
    assert free.check_wells(["plain", "blocked", "third"]) == ()
    with pytest.raises(DocumentError, match="well 'blocked': not in the recording; allowed: plain"):
        free.check_wells(["plain"])
    planned = load_assay(demo, "assay.toml")
    names = [w.name for w in planned.wells]
    assert planned.check_wells(names[1:]) == (names[0],)
    with pytest.raises(DocumentError, match="not in the recording"):
        planned.check_wells(["somewhere else"])


def test_records_are_frozen(demo: str) -> None:
    assay = load_assay(demo, "assay.toml")
    with pytest.raises(dataclasses.FrozenInstanceError):
        assay.name = "x"  # type: ignore[misc]


@given(st.data())
def test_a_damaged_document_gives_a_document_error_and_nothing_else(data: st.DataObject) -> None:
    text = HEAD + CONTRAST + LIMIT + RULE
    at = data.draw(st.integers(0, len(text) - 1))
    piece = data.draw(st.sampled_from(["", '"', "\n", "x", "[", "]", "=", "-", "9", "[[", "{}", "\u0000", "é"]))
    length = data.draw(st.integers(0, 40))
    told = ""
    with contextlib.suppress(DocumentError):
        try:
            load_assay(text[:at] + piece + text[at + length :], "assay.toml")
        except StanchError as error:
            told = str(error)
            raise
    assert "\n" not in told


def _with_rheology(rheology, of="gel_time"):
    settings = f'[settings]\nrheology = "{rheology}"\nfrequency = "80 Hz"\n' if rheology else ""
    return (
        'schema = "stanch.assay/1"\nname = "x"\nonset_modulus = "20 Pa"\nhold = "8 min"\nfollow = "30 min"\n'
        f'{settings}[[limit]]\nof = "{of}"\nwell = "a"\nkind = "reference"\nhigh = "9 min"\nsource = "invented"\n'
    )


@pytest.mark.parametrize("of", ["gel_time", "onset_delay"])
def test_a_limit_of_what_kelvin_voigt_cannot_tell_is_refused(of):
    for rheology in ("", "kelvin_voigt"):
        with pytest.raises(DocumentError) as fault:
            load_assay(_with_rheology(rheology, of), where="x")
        assert "settings.rheology" in str(fault.value)
        assert of in str(fault.value)
    document = load_assay(_with_rheology("spring_pot", of), where="x")
    assert document.settings.stated_frequency == 80.0
    assert document.limits[0].high == 540.0


def test_the_frequency_is_stated_with_a_richer_rheology_only():
    text = _with_rheology("zener", "onset").replace('frequency = "80 Hz"\n', "")
    assert load_assay(text, where="x").settings.stated_frequency == 100.0
    assert load_assay(_with_rheology("", "onset"), where="x").settings.stated_frequency is None
    with pytest.raises(DocumentError, match="spring_pot"):
        load_assay(_with_rheology("spring_pod", "onset"), where="x")
