"""What the runner says, in English or in another language: one home for all its words.

    tr("Wait on")                     a sentence of the runner's own
    tr("{n} min to wait.", n=10)      … with values put in after it was translated
    mark("Done")                      a sentence that stands in a table and is spoken later, by `tr`
    said(result.why)                  a sentence of the checks, which know of no languages

The catalogues are gettext's, one file of messages a language (`seeds/words.de.po`), so that any
editor for such files will do; they are read when a language other than English is spoken, and no
command that speaks English pays for them. Which language is spoken is a context (`speaking`), set
by the command that talks with a person and by nothing else: what is written into a job, a report
or a note is English, or names.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from gettext import GNUTranslations
from typing import Any

from verify.values import dataclass
from verify.words import ENGLISH, LANGUAGES

VARIABLE = "KEYSBACK_LANGUAGE"
SAID = "said"
"""Context of the messages that are sentences of lower layers, with {0}, {1} … for what varies."""
FINDING = "finding"
"""Context of the sentences for findings: "check: finding", or the finding of any check."""
CHECK = "check"
"""Context of the names of checks, which are names in English and stay so in what is stored."""
FREE = "9"
"""The hole in which anything may stand: what a person typed, or a text of the flow."""
_ENGLISH_WORDS = re.compile(r"[a-z]{2,} [a-z]{2,}")
UNTRANSLATED = "EN: "
"""Stands before a sentence that has no translation: nobody shall take a mixed screen for whole."""


@dataclass(frozen=True, slots=True)
class Tongue:
    """A language as it is spoken. templates: of the sentences of others, each with a piece that a
    sentence of it must hold, the pattern of the English, and the translation."""

    language: str
    catalogue: GNUTranslations
    templates: tuple[tuple[str, re.Pattern[str], str], ...]


_spoken: ContextVar[Tongue | None] = ContextVar("spoken", default=None)


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """The runner speaks this language inside; "" and "en" are English. Raises UserError for one
    that it does not know."""
    token = _spoken.set(tongue(language))
    try:
        yield
    finally:
        _spoken.reset(token)


def spoken() -> str:
    """The language spoken now, "" for English."""
    now = _spoken.get()
    return now.language if now is not None else ""


def tongue(language: str) -> Tongue | None:
    """None for English. Raises UserError."""
    if language in ("", ENGLISH):
        return None
    if language not in LANGUAGES:
        from verify.errors import unknown

        raise unknown_language(unknown(language, (ENGLISH, *LANGUAGES), "language"))
    return _read(language)


def unknown_language(problem: Any) -> Exception:
    from verify.errors import UserError

    return UserError(problem.within(field="--language"))


@cache
def _read(language: str) -> Tongue:
    import polib

    from verify import tables

    text = tables.read_bytes(f"seeds/words.{language}.po").decode("utf-8")
    file = polib.pofile(text)
    catalogue = GNUTranslations(io.BytesIO(file.to_binary()))
    pairs = [(e.msgid, e.msgstr) for e in file if e.msgctxt == SAID and e.msgstr]
    # The longest first: of two that fit, the one that leaves less to chance.
    pairs.sort(key=lambda pair: len(re.sub(r"\{\d\}", "", pair[0])), reverse=True)
    templates = tuple((_longest_piece(a), _pattern(a), b) for a, b in pairs)
    return Tongue(language, catalogue, templates)


def _longest_piece(template: str) -> str:
    """What a sentence of this template must hold: looking for it is quick, matching is not."""
    return max(re.split(r"\{\d\}", template), key=len)


def _pattern(template: str) -> re.Pattern[str]:
    """A template ("{0} of {1}") as an expression whose groups are p0, p1 …"""
    seen: set[str] = set()

    def hole(name: str) -> str:
        if name in seen:
            return f"(?P=p{name})"
        seen.add(name)
        return f"(?P<p{name}>.+?)"

    pieces = re.split(r"\{(\d)\}", template)
    body = "".join(hole(p) if i % 2 else re.escape(p) for i, p in enumerate(pieces))
    return re.compile(body, re.DOTALL)


def mark(text: str) -> str:
    """The text itself: marks it as one that `tr` will be asked for."""
    return text


def tr(text: str, /, **values: object) -> str:
    """A sentence of the runner in the language spoken now, with `values` put in by name."""
    now = _spoken.get()
    found = text if now is None or not text else now.catalogue.gettext(text)
    return found.format(**values) if values else found


def must(text: str) -> str:
    """As `tr` for words of safety (cautions, the sign of a stop): never in another language than
    the one spoken. Raises UserError where the catalogue lacks them."""
    now = _spoken.get()
    found = tr(text)
    if now is not None and found == text:
        from verify.errors import Problem, UserError

        raise UserError(
            Problem(
                found=f'no {LANGUAGES[now.language]} of the caution "{text}"',
                expected="every caution in the language that is spoken",
                next="go on with --language en",
            )
        )
    return found


def said(text: str) -> str:
    """A sentence of the checks, of a table or of an error, in the language spoken now.

    Several sentences are translated one by one. One that no template fits stays English, and is
    marked as such.
    """
    now = _spoken.get()
    if now is None or not text.strip():
        return text
    parts = re.split(r"(?<=[.!?;])(\s+)", text)
    done = ""
    at = 0
    while at < len(parts):
        # The longest run first: a sentence may have a semicolon of its own.
        for end in range(len(parts), at, -2):
            found = _said(now, "".join(parts[at:end]))
            if found is not None:
                done += found + "".join(parts[end : end + 1])
                at = end + 1
                break
        else:
            return UNTRANSLATED + text
    return done


def _said(now: Tongue, text: str) -> str | None:
    """By the whole sentence, with or without its last mark and its first capital."""
    for form in dict.fromkeys((text, text.rstrip(".;"), text[:1].lower() + text[1:].rstrip(".;"))):
        end = text[len(text.rstrip(".;")) :] if not form.endswith((".", ";")) else ""
        for piece, pattern, german in now.templates:
            match = pattern.fullmatch(form) if piece in form else None
            found = _filled(now, german, match.groupdict()) if match is not None else None
            if found is None:
                continue
            if text[:1].isupper() and not form[:1].isupper():
                found = found[:1].upper() + found[1:]
            return found + end
    return None


def _filled(now: Tongue, template: str, holes: Mapping[str, str]) -> str | None:
    """The template with what stood in the English one's holes; None where that is English itself
    and has no translation: half a sentence is worse than none."""
    for name, value in holes.items():
        shown = value if name == f"p{FREE}" else _said(now, value)
        if shown is None and _ENGLISH_WORDS.search(value):
            return None
        template = template.replace(f"{{{name[1:]}}}", shown if shown is not None else value)
    return template


def finding(check: str, name: str) -> str:
    """What a check found, as a sentence in the language spoken now; "" in English, where the check
    itself says it, and where there is none."""
    now = _spoken.get()
    if now is None:
        return ""
    for key in (f"{check}: {name}", name):
        found = now.catalogue.pgettext(FINDING, key)
        if found != key:
            return str(found)
    return ""


def check_name(check: str) -> str:
    """What a check is called on a screen."""
    now = _spoken.get()
    return check if now is None else str(now.catalogue.pgettext(CHECK, check))


def why(check: str, found: str, text: str, *, brief: bool = False) -> str:
    """What a check says, `text` in English. In another language its finding speaks first, in words
    of that language; the sentence with its numbers follows, marked where it is English still.

    brief: one of the two, and the sentence only where it can be said in the language.
    """
    first, numbers = finding(check, found), said(text)
    if brief and first:
        return first if numbers.startswith(UNTRANSLATED) else numbers
    return f"{first} {numbers}".strip()


def trouble_words(error: Any) -> str:
    """What is wrong with something typed (a UserError), as `errors.render` shows it in English."""
    if _spoken.get() is None:
        return str(error)
    lines = []
    for problem in error.problems:
        head = ": ".join(p for p in (problem.file, problem.field) if p)
        body = tr("found {found}", found=said(problem.found))
        if problem.expected:
            body += tr("; expected {expected}", expected=said(problem.expected))
        rows = [head, f"  {body}", f"  {said(problem.next)}" if problem.next else ""]
        lines += [row for row in rows if row]
    return "\n".join("".join(c if c.isprintable() else "?" for c in line) for line in lines)


# ---- the option ----------------------------------------------------------------------------------


def add_language_option(parser: Any) -> None:
    parser.add_argument(
        "--language",
        metavar="LANGUAGE",
        help="of questions and answers: en, " + ", ".join(LANGUAGES) + f" (else {VARIABLE})",
    )


def language_wanted(option: str | None, environ: Mapping[str, str]) -> str:
    """The language of a new job: the option, else the variable, else English. "" for English.

    The locale is not asked: it says how a machine was set up and is nobody's wish for this job.
    Raises UserError for a language the runner does not speak.
    """
    language = option or environ.get(VARIABLE, "")
    return "" if tongue(language) is None else language
