"""Whatever people type, a page comes of it."""

from __future__ import annotations

from dataclasses import replace

import html5lib
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.report import jobs
from verify.report.document import Facts, Report, Section
from verify.report.html import to_html
from verify.report.letters import NO_LETTER, mapped, printable, sound
from verify.report.pdf import to_pdf

# Halves of letters too: they cannot be stored, but a page must not hang on that.
ANYTHING = st.text(alphabet=st.characters(), max_size=60)
NASTY = "\x00\x07\x1b[31m \x85\u2028\u202e\ufffe\ufdd0\ud800 \U0001f697 e\u0301 \U000e0001 \ufeff x"


def with_words(text: str) -> Report:
    made = jobs.van_report("customer")
    section = Section(f"A {text}", (Facts(((text, text),)),))
    return replace(made, title=f"A {text}", sections=(section,), warnings=(text,), record=b"")


@settings(max_examples=25, deadline=None)
@given(ANYTHING)
def test_any_text_can_be_set_in_a_pdf(text: str) -> None:
    assert to_pdf(with_words(text)).startswith(b"%PDF")


@settings(max_examples=60, deadline=None)
@given(ANYTHING)
def test_any_text_is_sound_markup(text: str) -> None:
    html5lib.HTMLParser(strict=True).parse(to_html(with_words(text)))


def test_the_nastiest_text_in_both() -> None:
    assert to_pdf(with_words(NASTY)).startswith(b"%PDF")
    made = to_html(with_words(NASTY))
    html5lib.HTMLParser(strict=True).parse(made)
    made.encode()
    assert "\x1b" not in made


@given(st.text(alphabet=st.characters(categories=["L", "N", "P", "S", "Zs"])))
def test_what_is_a_letter_stays(text: str) -> None:
    assert sound(text) == text


def test_what_our_fonts_have_stays_and_what_they_lack_is_marked() -> None:
    kept = "Größe ½ · Ревёт · ≤ 0,5 N·m ± 2 °C − → ✓"
    assert printable(kept) == kept
    assert printable("車") == NO_LETTER


def test_every_text_of_a_report_is_reached() -> None:
    made = mapped(with_words("abc"), str.upper)
    assert made.title == made.sections[0].title == "A ABC"
    assert made.warnings == ("ABC",)
    assert made.sections[0].blocks == (Facts((("ABC", "ABC"),), kind="FACTS"),)
