"""The HTML report: complete, offline, readable without pictures, and safe against any name."""

from __future__ import annotations

import html.parser
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from stanch.report.examples import example_index
from stanch.report.html import render
from stanch.report.svg import embedded
from stanch.report.view import ExamplePush

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Page(html.parser.HTMLParser):
    """Ids, links and the balance of the elements."""

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


def examples_of(result: Any, synthetic: Any) -> list[ExamplePush]:
    rng = np.random.default_rng(1)
    depth = -1e-3 + 1575 / 80e6 * np.arange(256)
    time = 125e-6 * np.arange(-2, synthetic.FRAMES)
    return [ExamplePush(w.well.name, 60, synthetic.make_echo(rng), depth, time) for w in result.wells]


@pytest.fixture(scope="module")
def text(result: Any, synthetic: Any) -> str:
    return render(result, examples_of(result, synthetic))


@pytest.fixture(scope="module")
def page(text: str) -> Page:
    return Page(text)


def test_elements_are_balanced_and_ids_unique(page: Page) -> None:
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))
    inner = [value[1:] for name, value in page.attributes if name in ("href", "xlink:href") and value.startswith("#")]
    assert set(inner) <= set(page.ids)
    labelled = [value for name, value in page.attributes if name == "aria-labelledby"]
    assert set(labelled) <= set(page.ids)


def test_nothing_is_fetched_from_outside(text: str, page: Page) -> None:
    assert "script" not in page.tags
    for name, value in page.attributes:
        if name in ("href", "src", "xlink:href", "action", "poster", "srcset"):
            assert value.startswith(("#", "data:image/png;base64,")), value[:60]
    assert "@import" not in text
    assert "url(http" not in text
    assert re.findall(r"https?://(?!www\.w3\.org/)[^\s\"<]+", text) == []


def test_it_holds_everything(page: Page, result: Any) -> None:
    words = " ".join(" ".join(page.words).split())
    for part in (
        "Demo data",
        "unapproved rules",
        "not a probability of disease",
        "Not assessed in this run",
        "What this assay cannot see",
        "Readings against limits",
        "Contrasts",
        "Curves",
        "Quality",
        "One push of each well, opened",
        result.identity,
        result.assay_sha256,
        "Not a medical device",
        "invented for the demo",
    ):
        assert part in words, part
    for finding in result.findings:
        assert finding.text in words
    for well in result.wells:
        assert well.well.name in words
        assert f"{well.well.name}, push 60" in words


def test_every_figure_has_words_and_a_table(page: Page, result: Any) -> None:
    svgs = page.tags.count("svg")
    # Two curve scales, viscosity, limits, witnesses, and a push of each well.
    assert svgs == 5 + len(result.wells)
    assert page.tags.count("figure") == svgs
    alts = [value for name, value in page.attributes if name == "aria-label" and len(value) > 30]
    assert len(alts) >= svgs
    assert page.tags.count("figcaption") == svgs


def test_tables_name_their_columns(page: Page) -> None:
    assert page.tags.count("th") == sum(1 for name, _ in page.attributes if name == "scope")


def test_it_follows_light_dark_and_print(text: str) -> None:
    for part in ("prefers-color-scheme: dark", "@media print", "prefers-reduced-motion", 'lang="en"', "var(--series-0"):
        assert part in text


def test_the_same_result_gives_the_same_report(text: str, result: Any, synthetic: Any) -> None:
    assert render(result, examples_of(result, synthetic)) == text


def test_names_are_text_everywhere(result: Any) -> None:
    name = "<script>alert(1)</script>\"'& $x$ $\\frac"
    first = result.wells[0]
    changed = replace(
        result,
        sample=replace(result.sample, sample=name),
        source=name,
        wells=(replace(first, well=replace(first.well, name=name), problems=(name,)), *result.wells[1:]),
        not_assessed=(name,),
    )
    text = render(changed)
    assert "<script" not in text
    assert Page(text).open == []
    assert text.count("&lt;script&gt;alert(1)&lt;/script&gt;") > 4


def test_a_result_without_assay_or_echoes_is_still_a_report(result: Any) -> None:
    wells = tuple(replace(w, readings=None, displacement=None, kind="modulus") for w in result.wells)
    bare = replace(
        result,
        wells=wells,
        contrasts=(),
        findings=(),
        not_assessed=(),
        cannot_see=(),
        assay_name=None,
        assay_sha256=None,
        assay_source=None,
        assay_text=None,
    )
    page = Page(render(bare))
    words = " ".join(page.words)
    assert "need an assay document" in words
    assert "no echoes or displacement to open" in words
    assert page.tags.count("svg") == 3


def test_a_result_without_a_single_curve_is_still_a_report(result: Any) -> None:
    wells = tuple(
        replace(w, readings=None, displacement=None, moduli=None, curve=None, problems=("Nothing to read.",))
        for w in result.wells
    )
    words = " ".join(Page(render(replace(result, wells=wells, contrasts=()))).words)
    assert "No well gave a curve." in words
    assert "Nothing to read." in words


def test_ids_of_an_embedded_figure_carry_its_key() -> None:
    svg = '<?xml version="1.0"?><svg width="10pt" height="5pt" viewBox="0 0 10 5"><g id="a" clip-path="url(#b)"/></svg>'
    found = embedded(svg, "k", 'say "so" <now>')
    assert found.startswith('<svg role="img" aria-label="say &#34;so&#34; &lt;now&gt;"')
    assert 'id="k-a" clip-path="url(#k-b)"' in found
    assert "width=" not in found


def test_the_opened_push_is_a_usable_one_near_the_early_modulus(result: Any) -> None:
    one = result.wells[2]
    index = example_index(one, hold=540.0, onset=180.0)
    assert index is not None
    assert abs(one.displacement.push_time[index] - 720.0) <= 15.0
    usable = one.moduli.usable.copy()
    usable[index] = False
    other = replace(one, moduli=replace(one.moduli, usable=usable))
    assert example_index(other, hold=540.0, onset=180.0) in (index - 1, index + 1)
    assert example_index(one) == 60
    assert example_index(replace(one, displacement=None)) is None


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_opens_in_a_browser_without_asking_outside(offline_page: Any, tmp_path: Any, text: str, scheme: str) -> None:
    path = tmp_path / "report.html"
    path.write_text(text, encoding="utf-8")
    offline_page.emulate_media(color_scheme=scheme)
    offline_page.goto(path.as_uri())
    assert offline_page.asked_outside == []
    assert offline_page.faults == []
    assert offline_page.locator("svg").count() == 11
    # Nothing sticks out of a narrow window but what scrolls by itself.
    offline_page.set_viewport_size({"width": 380, "height": 800})
    assert offline_page.evaluate("document.documentElement.scrollWidth") <= 380
    # Contrast of text against paper, WCAG 2.2 success criterion 1.4.3: at least 4.5 to 1.
    ratio = offline_page.evaluate(
        """() => {
        const lum = c => { const v = c.match(/[0-9.]+/g).slice(0, 3).map(x => x / 255)
          .map(x => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
          return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
        const paper = lum(getComputedStyle(document.body).backgroundColor);
        return Math.min(...['body', '.small', 'figcaption', 'a', '.plot text', 'dt', '.sentence']
          .flatMap(s => [...document.querySelectorAll(s)])
          .map(e => { const st = getComputedStyle(e); return lum(e.tagName === 'text' ? st.fill : st.color); })
          .map(l => (Math.max(l, paper) + 0.05) / (Math.min(l, paper) + 0.05)));
        }"""
    )
    assert ratio >= 4.5
