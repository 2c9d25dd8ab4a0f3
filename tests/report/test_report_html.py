"""The HTML report: one file, sound markup, readable by everybody; and on a phone, in a browser."""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import html5lib
import pytest

from tests.conftest import missing
from tests.report import jobs
from verify.report.document import Reader
from verify.report.html import to_html
from verify.report.marks import COLOURS
from verify.terminal.cmd_report import report_of
from verify.terminal.desk import Desk

ALL = [r.value for r in Reader]
XHTML = "{http://www.w3.org/1999/xhtml}"


@cache
def van_html(reader: str) -> str:
    return to_html(jobs.van_report(reader))


def html_of(desk: Desk, reader: str) -> str:
    return to_html(report_of(desk.journal, desk.job, reader))


def parsed(text: str) -> ElementTree.Element:
    """Strictly: any error of the markup, by the HTML standard's own list, is raised."""
    parser = html5lib.HTMLParser(strict=True)
    root: ElementTree.Element = parser.parse(text)
    return root


@pytest.mark.parametrize("reader", ALL)
@pytest.mark.parametrize("job", ["van", "stop", "told", "open"])
def test_markup_is_sound(job: str, reader: str) -> None:
    made = {
        "van": lambda: van_html(reader),
        "stop": lambda: html_of(jobs.stopped(), reader),
        "told": lambda: html_of(jobs.told_only(), reader),
        "open": lambda: html_of(jobs.opened(), reader),
    }[job]()
    root = parsed(made)
    assert root.get("lang") == "en"
    title = root.find(f".//{XHTML}title")
    assert title is not None
    assert title.text
    assert len(root.findall(f".//{XHTML}main")) == 1
    assert len(root.findall(f".//{XHTML}h1")) == 1


@pytest.mark.parametrize("reader", ALL)
def test_headings_go_down_one_step_at_a_time(reader: str) -> None:
    levels = [int(n) for n in re.findall(r"<h([1-6])[ >]", van_html(reader))]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("reader", ALL)
def test_every_picture_has_words_or_is_an_ornament_beside_its_word(reader: str) -> None:
    pictures = re.findall(r"<svg [^>]*>", van_html(reader))
    assert pictures
    for tag in pictures:
        told = re.search(r'role="img" aria-label="([^"]+)"', tag)
        assert told or 'aria-hidden="true"' in tag, tag


@pytest.mark.parametrize("reader", ALL)
def test_nothing_comes_from_outside(reader: str) -> None:
    text = van_html(reader)
    assert not re.search(r"<(script|link|iframe|object|embed|img|video|audio|base|form)\b", text)
    places = re.findall(r'(?:src|href|action)="([^"]*)"', text)
    assert all(p.startswith("#") for p in places), places
    assert "@import" not in text
    assert not re.search(r"url\((?!#)", text)


@pytest.mark.parametrize("reader", ALL)
def test_no_name_stands_twice(reader: str) -> None:
    names = re.findall(r' id="([^"]+)"', van_html(reader))
    assert len(names) == len(set(names))


def test_what_was_typed_is_text_and_never_markup() -> None:
    nasty = '<script>alert(1)</script> & "quoted" {{ 7*7 }} </style> #set page() $x$'
    desk = jobs.typed(jobs.small(), nasty, "none", "!pause")
    text = html_of(desk, "workshop")
    assert "<script>" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert "{{ 7*7 }}" in text
    parsed(text)


# ---- colours ---------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance. Source: WCAG 2.1, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    lin = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * lin[0] + 0.7152 * lin[1] + 0.0722 * lin[2]


def contrast(a: str, b: str) -> float:
    """Source: WCAG 2.1, definition of contrast ratio."""
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_the_published_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the known edge case


@pytest.mark.parametrize("ground", ["#ffffff", "#f3f5f7"])
@pytest.mark.parametrize("ink", ["#1b1f24", "#565d66", "#005a8c", "#5c5c5c", "#a84a00"])
def test_text_stands_out_from_its_ground(ink: str, ground: str) -> None:
    """4.5 : 1, WCAG 2.1 success criterion 1.4.3 (AA)."""
    assert ink in van_html("workshop"), "a colour of the page"
    assert contrast(ink, ground) >= 4.5


def test_marks_stand_out_from_the_page() -> None:
    """3 : 1 for what is no text, WCAG 2.1 success criterion 1.4.11 (AA)."""
    assert all(contrast(colour, "#ffffff") >= 3.0 for colour in COLOURS.values())


# ---- in a browser ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        missing("chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as p:
        own = p.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield own
        own.close()


@pytest.mark.parametrize("reader", ALL)
@pytest.mark.parametrize("width", [390, 1100])
def test_a_page_fits_its_screen_and_asks_the_network_for_nothing(
    browser: Any, tmp_path: Path, reader: str, width: int
) -> None:
    file = tmp_path / "report.html"
    file.write_text(van_html(reader), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 844})
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.on("console", lambda m: said.append(m.text))
    page.goto(file.as_uri())
    wide = page.evaluate("document.documentElement.scrollWidth")
    out = page.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => !e.closest('svg') &&"
        " getComputedStyle(e).position !== 'absolute' && !e.closest('thead') &&"
        " e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 80))"
    )
    page.close()
    assert wide <= width
    assert out == []
    assert asked == [file.as_uri()]
    assert said == []


def test_the_customers_page_prints_on_little_paper(browser: Any, tmp_path: Path) -> None:
    import pypdf

    file = tmp_path / "report.html"
    file.write_text(van_html("customer"), encoding="utf-8")
    page = browser.new_page()
    page.goto(file.as_uri())
    printed = page.pdf(prefer_css_page_size=True, print_background=True)
    page.close()
    assert len(pypdf.PdfReader(io.BytesIO(printed)).pages) <= 2
