"""The account of a verification as text, JSON and HTML: complete, unrounded where it must be, offline, readable."""

from __future__ import annotations

import html.parser
import json
import math
import re
from dataclasses import replace
from importlib.resources import files
from itertools import pairwise
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import StanchError
from stanch.report.numbers import shown
from stanch.report.surface import CAUTIONS
from stanch.report.verification import as_dict, dumps, index_page, render, summary
from stanch.verify.records import (
    Account,
    Band,
    Bars,
    Bounded,
    Column,
    DataUsed,
    Definition,
    Excluded,
    Grid,
    Level,
    Line,
    Picture,
    Points,
    Rows,
    Verdict,
)

NOW = "2026-03-01T12:00:00+00:00"
VOID = {"meta", "link", "br", "hr", "img", "input"}


def account(**changed: Any) -> Account:
    found = Bounded(3.2141, 2.8011, 3.9022, "%", 0.95)
    x = tuple(float(k) for k in range(300))
    made = Account(
        protocol="precision",
        title="Precision of the base well",
        question="How far do repeated results scatter?",
        design=("Twenty days, two runs, two replicates.", "Nested analysis of variance."),
        data=DataUsed(
            "precision.csv",
            "ab" * 32,
            120,
            110,
            {"modulus": 3, "day": 0},
            {"modulus": 2},
            "Rows with bounds were left out.",
            (Excluded("no value in modulus", 3, (4, 9, 17)), Excluded("only a bound in modulus", 7, (2, 5))),
            ("Demo data: invented",),
            True,
        ),
        verdicts=(
            Verdict("Repeatability is small enough", found, "at most 5 %", "met", "Met when the upper end is below."),
            Verdict("Reproducibility is small enough", found, "at most 2 %", "not met", "The same."),
            Verdict("Runs agree", replace(found, level=0.9), "at most 3 %", "undecided", "The same."),
            Verdict("Days agree", Bounded.missing("One day only."), "", "no limit stated", "The same."),
        ),
        grids=(
            Grid(
                "Components",
                (Column("component"), Column("variance", "Pa^2"), Column("SD", "Pa"), Column("n")),
                (
                    ("run", -1.23456, Bounded.missing("Its variance is below zero."), 40),
                    ("day", 12.3456, Bounded(3.51363, 2.9, 4.4, "Pa"), 20),
                    ("total", None, Bounded(7.0, None, 8.5, "Pa", 0.9), 80),
                ),
                "Raw estimates.",
            ),
        ),
        pictures=(
            Picture(
                "Results by day", "day", "modulus [Pa]", (Points(x, x, "results"), Level(5.0, "mean")), "Cap.", "Rises."
            ),
            Picture(
                "Scatter", "modulus [Pa]", "count", (Bars((0.0, 1.0, 2.0), (3.0, 4.0), "all"),), "Cap 2.", "Two bars."
            ),
            Picture(
                "Components against limits",
                "SD [Pa]",
                "",
                (Rows(("run", "day"), (None, 3.5), (None, 2.9), (None, 4.4)), Level(5.0, "allowed", axis="x")),
                "Cap 3.",
                "Day is below the limit.",
            ),
            Picture(
                "Band",
                "x",
                "y",
                (Line((0.0, 1.0), (1.0, math.nan), "line"), Band((0.0, 1.0), (0.0, 1.0), (1.0, 2.0), "band")),
                "Cap 4.",
                "A band.",
                x_names=("first", "second"),
            ),
        ),
        definitions=(Definition("repeatability", "Scatter within a run.", "ISO 5725-1, from memory"),),
        settings={"column": "modulus", "by": ("day", "run"), "allowed": None, "log": False, "alpha": 0.05},
        numbers={"sd": found, "n": np.int64(80), "means": np.array([1.0, 2.0]), "deep": {"list": (1, None, True)}},
        warnings=("Only one operator took part.",),
        seed=7,
    )
    return replace(made, **changed)


class Page(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.tags: list[str] = []
        self.open: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            self.attributes.append((name, value or ""))
            if name == "id":
                self.ids.append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def text() -> str:
    return render(account(), now=NOW)


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    found: dict[str, Any] = json.loads((files("stanch") / "schemas" / "verification-1.json").read_text("utf-8"))
    return found


def test_json_keeps_its_schema_and_rounds_nothing(schema: dict[str, Any]) -> None:
    made = json.loads(dumps(account(), now=NOW))
    jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker()).validate(made)
    assert made["numbers"]["sd"] == {
        "value": 3.2141,
        "low": 2.8011,
        "high": 3.9022,
        "unit": "%",
        "level": 0.95,
        "why": "",
    }
    assert made["numbers"]["n"] == 80
    assert made["numbers"]["means"] == [1.0, 2.0]
    assert made["grids"][0]["rows"][0][1] == -1.23456
    assert made["settings"] == {"column": "modulus", "by": ["day", "run"], "allowed": None, "log": False, "alpha": 0.05}
    assert made["pictures"][3]["layers"][0]["y"] == [1.0, None]
    assert len(made["pictures"][0]["layers"][0]["x"]) == 300
    assert (made["seed"], made["created"], made["cautions"]) == (7, NOW, list(CAUTIONS))
    assert set(schema["required"]) == set(made)


@pytest.mark.parametrize("wrong", [math.nan, math.inf, np.float64("nan"), object()])
def test_json_refuses_what_is_no_number(wrong: object) -> None:
    with pytest.raises(StanchError, match=r"numbers\.bad"):
        dumps(account(numbers={"bad": wrong}))


def test_the_same_account_gives_the_same_report(text: str) -> None:
    assert render(account(), now=NOW) == text
    assert dumps(account(), now=NOW) == dumps(account(), now=NOW)


def test_verdicts_come_first_in_words(page: Page) -> None:
    said = page.text
    places = [
        said.index(word) for word in ("Repeatability is small enough", "Only one operator", "Twenty days", "SHA-256")
    ]
    assert places == sorted(places)
    for outcome in ("met", "not met", "undecided", "no limit stated"):
        assert outcome in page.words
    assert "at most 2 %" in said
    assert "3.21 % (95 % interval 2.80 to 3.90)" in said
    assert "(90 % interval 2.80 to 3.90)" in said
    assert "One day only." in said


def test_everything_a_reviewer_needs_is_there(page: Page) -> None:
    said = page.text
    wanted = [
        *("precision.csv", "ab" * 32, "120", "110", "Rows with bounds were left out.", "no value in modulus"),
        *(
            "4, 9, 17",
            "2, 5, …",
            "Demo data: invented",
            "Demo data: the data of this report are invented.",
            "Raw estimates.",
        ),
        *("ISO 5725-1, from memory", "--by", "day, run", "not given", "stanch ", NOW, "Prepared by", "Checked by"),
        *(
            "Raw estimates.",
            "Its variance is below zero.",
            "−1.235",
            "Pa²",
            "up to 8.5",
            "Cap 2.",
            "Numbers behind this figure",
        ),
        *CAUTIONS,
    ]
    assert [word for word in wanted if word not in said] == []
    assert "Seed 7" in said


def test_the_page_is_whole_offline_and_reachable(page: Page, text: str) -> None:
    assert page.open == []
    assert len(set(page.ids)) == len(page.ids)
    for name, value in page.attributes:
        if name == "href" and value.startswith("#"):
            assert value[1:] in page.ids
        assert name not in ("src", "onclick", "onload")
        if name == "aria-labelledby":
            assert value in page.ids
    assert "default-src 'none'" in text
    assert "<script" not in text
    addresses = set(re.findall(r"https?://[^\s\"'<>]+", text))
    assert all(one.startswith(("http://www.w3.org/", "http://purl.org/dc/")) for one in addresses), addresses
    for part in ("prefers-color-scheme: dark", "@media print", 'lang="en"', "var(--series-0"):
        assert part in text


def test_tables_name_their_columns_and_figures_have_words(page: Page) -> None:
    assert page.tags.count("th") == sum(1 for name, _ in page.attributes if name == "scope")
    assert page.tags.count("svg") == page.tags.count("figure") == page.tags.count("figcaption") == 4
    alts = [value for name, value in page.attributes if name == "aria-label"]
    assert "Results by day. Rises." in alts


def test_a_long_table_behind_a_figure_says_that_it_is_cut(page: Page) -> None:
    assert "The first 200 of 301 rows; the JSON holds all." in page.text


def test_names_are_text_everywhere() -> None:
    name = "<script>alert(1)</script>\"'& $x$"
    base = account()
    changed = account(
        title=name,
        question=name,
        design=(name,),
        warnings=(name,),
        data=replace(base.data, source=name, notes=(name,), missing={name: 1}),
        verdicts=(replace(base.verdicts[0], claim=name, allowed=name, rule=name),),
        grids=(Grid(name, (Column(name, name),), ((name,),), name),),
        pictures=(replace(base.pictures[0], title=name, x_label=name, caption=name, alt=name),),
        definitions=(Definition(name, name, name),),
        settings={name: name},
    )
    made = render(changed)
    assert "<script" not in made
    assert Page(made).open == []
    assert "\x1b" not in summary(account(title="\x1b[31mred"))


def test_summary_holds_verdicts_tables_data_and_cautions() -> None:
    said = summary(account())
    for word in ("[demo data]", "not met: Reproducibility", "Only one operator", "Components", "up to 8.5", "ab" * 32):
        assert word in said, word
    assert "Left out: 3 (no value in modulus; rows 4, 9, 17)" in said
    assert all(caution in " ".join(said.split()) for caution in CAUTIONS)


def test_an_account_with_nothing_optional_is_still_a_report() -> None:
    bare = account(
        verdicts=(),
        grids=(),
        pictures=(),
        warnings=(),
        seed=None,
        settings={},
        numbers={},
        data=DataUsed("arrays", "", 3, 3),
    )
    said = Page(render(bare)).text
    for word in ("states numbers and no verdict", "No row was left out", "There are no tables", "none drawn", "arrays"):
        assert word in said
    assert "Demo data" not in said
    assert as_dict(bare)["seed"] is None
    assert summary(bare)


def test_a_column_that_holds_nothing_is_not_shown() -> None:
    columns = (Column("level"), Column("variance", "(Pa)^2"), Column("day"))
    made = render(account(grids=(Grid("Parts", columns, ((None, 1.5, "a"), ("", 2.0, "b"))),)))
    said = Page(made).text
    assert "variance (Pa²)" in said
    assert '<th scope="col">level</th>' not in made
    assert '<th scope="col">day</th>' in made
    empty = render(account(grids=(Grid("Parts", columns[:1], ((None,), ("",))),)))
    assert '<th scope="col">level</th>' in empty


def test_settings_of_other_designs_are_left_to_the_json() -> None:
    base = account(settings={"design": "nested", "factors": ("day", "run"), "base": None, "claimed_as": "sd"})
    said = Page(render(base)).text
    assert "--factors" in said
    assert "--claimed-as" not in said
    assert as_dict(base)["settings"]["claimed_as"] == "sd"


def test_index_lists_every_report_and_outcome() -> None:
    other = account(title="Other <b>", protocol="lots", verdicts=(), data=DataUsed("arrays", "", 3, 3))
    made = index_page([("precision.html", account()), ("a b.html", other)])
    page = Page(made)
    assert page.open == []
    links = [value for name, value in page.attributes if name == "href"]
    assert links == ["precision.html", "a%20b.html"]
    for word in ("Precision of the base well", "Other <b>", "not met", "no limit stated", "no verdict", *CAUTIONS):
        assert word in page.text
    assert "<script" not in made
    assert "precision on precision.csv" in page.text
    assert (
        "2 reports. Against the laboratory's own limits: 1 met, 1 not met, 1 undecided, 1 no limit stated." in page.text
    )
    assert "2 reports." in Page(index_page([("one.html", other), ("two.html", other)])).text


def test_columns_without_gaps_are_named_in_one_sentence() -> None:
    said = Page(render(account())).text
    assert "Neither missing cells nor bounds in day." in said
    assert "Column Missing Bounds modulus 3 2 Neither" in said
    assert "Neither missing cells nor bounds in day." in summary(account())


def test_a_plan_without_data_has_no_file_to_name() -> None:
    said = Page(render(account(data=DataUsed("no data: planned", "", 0, 0)))).text
    assert "no data: planned" in said
    assert "SHA-256" not in said


def test_a_range_without_a_value_is_no_interval_of_one() -> None:
    verdict = Verdict("The range is wide enough", Bounded(None, 60.0, 900.0, "Pa", why="Ends only."), "x", "met", "R.")
    assert "Found 60 to 900 Pa. Ends only." in Page(render(account(verdicts=(verdict,)))).text


def test_options_in_sentences_are_code_and_numbers_keep_their_per_cent_sign() -> None:
    made = render(account(warnings=("Consider --interval large-sample: 5 % <b>.",)))
    assert "Consider <code>--interval</code> large-sample: 5\N{NO-BREAK SPACE}% &lt;b&gt;." in made


def test_a_long_table_is_cut_on_page_and_terminal() -> None:
    grid = Grid("Signals", (Column("row"),), tuple((k,) for k in range(40)), "Note.")
    said = Page(render(account(grids=(grid,)))).text
    assert "16 more rows: Signals" in said
    assert "... and 16 more rows" in summary(account(grids=(grid,)))
    empty = account(grids=(Grid("Signals", (Column("row"),), (), "Note."),))
    assert "Signals none Note." in Page(render(empty)).text
    assert "Signals\n  none\n  Note." in summary(empty)


@pytest.mark.parametrize(
    ("numbers", "texts"),
    [
        ((512.345, 500.0, 525.0), ("512", "500", "525")),
        ((0.57, -0.39, 1.52), ("0.57", "−0.39", "1.52")),
        ((1.2341e-12, None, None), ("1.234 × 10⁻¹²", "", "")),
        ((1.0e-12, 0.9e-12, 1.1e-12), ("1.00 × 10⁻¹²", "0.90 × 10⁻¹²", "1.10 × 10⁻¹²")),
        ((123456789.0, None, None), ("1.235 × 10⁸", "", "")),
        ((0.0, None, None), ("0", "", "")),
        ((5.0, None, None), ("5", "", "")),
        ((1200.0, None, None), ("1200", "", "")),
        ((0.12345678, None, None), ("0.1235", "", "")),
        ((2 / 3, None, None), ("0.6667", "", "")),
        ((0.05, None, None), ("0.05", "", "")),
        ((-2.0, -2.0, -2.0), ("−2.000", "−2.000", "−2.000")),
        ((7.0, None, 8.5), ("7.0", "", "8.5")),
        ((None, 1.0, 2.0), ("", "1.00", "2.00")),
        ((None, None, None), ("", "", "")),
        ((1e300, 0.9e300, 1.1e300), ("1.00 × 10³⁰⁰", "0.90 × 10³⁰⁰", "1.10 × 10³⁰⁰")),
        ((1e6, 999999.99, 1000000.01), ("1000000.000", "999999.990", "1000000.010")),
    ],
)
def test_rounding(numbers: tuple[float | None, ...], texts: tuple[str, str, str]) -> None:
    assert shown(*numbers) == texts


@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.floats(-1e15, 1e15), st.floats(1e-12, 1e12))
def test_rounding_stays_within_a_twentieth_of_the_half_width(value: float, half: float) -> None:
    low, high = value - half, value + half
    if not low < high:
        return
    for number, said in zip((value, low, high), shown(value, low, high)):
        mantissa, _, power = said.replace("−", "-").partition(" × 10")
        digits = power.translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789"))
        read = float(f"{mantissa}e{digits or 0}")
        # Never more than eight digits are written: beyond them the interval is too narrow to show.
        assert abs(read - number) <= max(0.051 * half, 1e-6, 0.6e-8 * max(abs(low), abs(high)))


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_opens_in_a_browser_without_asking_outside(offline_page: Any, tmp_path: Any, text: str, scheme: str) -> None:
    path = tmp_path / "report.html"
    path.write_text(text, encoding="utf-8")
    offline_page.emulate_media(color_scheme=scheme)
    offline_page.goto(path.as_uri())
    assert offline_page.asked_outside == []
    assert offline_page.faults == []
    assert offline_page.locator("svg").count() == 4
    # The first stop of the keyboard leads to the verdicts; what scrolls can be reached.
    offline_page.keyboard.press("Tab")
    assert offline_page.evaluate("document.activeElement.getAttribute('href')") == "#verdicts"
    scrolling = offline_page.locator(".scroll")
    assert scrolling.count() == offline_page.locator(".scroll[tabindex='0'][role='region']").count()
    # Every region, figure and table has a name; headings do not skip a level.
    unnamed = offline_page.evaluate(
        """() => [...document.querySelectorAll('[role=region],[role=img],section')]
        .filter(e => !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby'))).length"""
    )
    assert unnamed == 0
    levels = offline_page.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(e => +e.tagName[1])")
    assert all(b - a <= 1 for a, b in pairwise(levels))
    # Nothing sticks out of a narrow window but what scrolls by itself.
    offline_page.set_viewport_size({"width": 380, "height": 800})
    assert offline_page.evaluate("document.documentElement.scrollWidth") <= 380
    # Contrast of text against what is behind it, WCAG 2.2 success criterion 1.4.3: at least 4.5 to 1.
    ratio = offline_page.evaluate(
        """() => {
        const lum = c => { const v = c.match(/[0-9.]+/g).slice(0, 3).map(x => x / 255)
          .map(x => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
          return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
        const behind = e => { for (let n = e; n; n = n.parentElement) {
          const c = getComputedStyle(n).backgroundColor; if (!/, 0\\)$/.test(c) && c !== 'transparent') return lum(c); }
          return 1; };
        return Math.min(...['body', '.small', 'figcaption', 'a', '.plot text', 'dt', 'dd', '.sentence', '.remark',
            '.notice', 'th', 'td', 'caption', 'summary', 'code', '.outcome', '.demo', 'footer p']
          .flatMap(s => [...document.querySelectorAll(s)])
          .map(e => { const st = getComputedStyle(e); const l = lum(e.tagName === 'text' ? st.fill : st.color);
            const p = behind(e); return (Math.max(l, p) + 0.05) / (Math.min(l, p) + 0.05); }));
        }"""
    )
    assert ratio >= 4.5


@pytest.mark.browser
def test_no_table_is_wider_than_window_or_paper(offline_page: Any, tmp_path: Any) -> None:
    names = ("hold", *(f"quantity of number {k}" for k in range(12)))
    rows = tuple((float(j), *(Bounded(j + k / 7, j + k / 8, j + k / 6) for k in range(12))) for j in range(5))
    text = render(account(grids=(Grid("Every hold", tuple(map(Column, names)), rows),)))
    path = tmp_path / "report.html"
    path.write_text(text, encoding="utf-8")
    offline_page.goto(path.as_uri())
    wider = """() => [...document.querySelectorAll('#results .scroll')]
        .filter(e => e.scrollWidth > e.clientWidth + 1).length"""
    offline_page.set_viewport_size({"width": 1200, "height": 800})
    assert offline_page.evaluate(wider) == 0
    # A4 without its margins: 182 mm.
    offline_page.emulate_media(media="print")
    offline_page.set_viewport_size({"width": 688, "height": 970})
    assert offline_page.evaluate(wider) == 0


@pytest.mark.browser
def test_rows_shown_on_demand_are_printed(offline_page: Any, tmp_path: Any) -> None:
    grid = Grid("Signals", (Column("row"),), tuple((f"row {k}",) for k in range(40)))
    path = tmp_path / "report.html"
    path.write_text(render(account(grids=(grid,))), encoding="utf-8")
    offline_page.goto(path.as_uri())
    last = offline_page.get_by_text("row 39", exact=True)
    shown = "e => e.checkVisibility({contentVisibilityAuto: true})"
    assert not last.evaluate(shown)
    offline_page.emulate_media(media="print")
    assert last.evaluate(shown)


@pytest.mark.browser
def test_the_index_fits_a_phone(offline_page: Any, tmp_path: Any) -> None:
    path = tmp_path / "index.html"
    path.write_text(index_page([("precision.html", account()), ("b.html", account())]), encoding="utf-8")
    offline_page.set_viewport_size({"width": 380, "height": 800})
    offline_page.goto(path.as_uri())
    assert offline_page.evaluate("document.documentElement.scrollWidth") <= 380
    outcome = offline_page.locator(".reports dt", has_text="not met").first.bounding_box()
    assert outcome["x"] + outcome["width"] <= 380


@pytest.mark.browser
def test_it_prints_on_paper(offline_page: Any, tmp_path: Any, text: str) -> None:
    path = tmp_path / "report.html"
    path.write_text(text, encoding="utf-8")
    offline_page.emulate_media(media="print", color_scheme="dark")
    offline_page.goto(path.as_uri())
    assert offline_page.locator("nav").is_hidden()
    assert offline_page.locator("table.review").is_visible()
    paper = offline_page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()")
    assert paper == "#2a2825", "dark ink is for paper, whatever the screen was"
