"""A report → a PDF: tagged, PDF/A-3 and PDF/UA, fonts inside, the record attached.

Everything comes in as data and is set as text, so nothing a person typed is ever markup. The same
report gives the same bytes: its date is that of the job's last entry, and no clock is asked.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import ExitStack
from datetime import UTC, datetime
from functools import cache
from importlib.resources import as_file, files
from importlib.util import find_spec
from typing import Any

from verify.report.build import to_json
from verify.report.document import Report
from verify.report.marks import COLOURS, MARK_SVG, STOP_ON_BLACK

STANDARDS = ("a-3a", "ua-1")
RECORD, EDITION = "record.jsonl", "flow-edition.json"
# What stands for a letter that none of our fonts has.
NO_LETTER = "\u25a1"
# Latin, Greek, Cyrillic and punctuation: surely in our fonts, and nearly all there is to set.
_PLAIN = frozenset(map(chr, (*range(0x20, 0x7F), *range(0xA1, 0x100), 0x2013, 0x2014, 0x2026)))


def to_pdf(report: Report) -> bytes:
    """The report as PDF bytes."""
    import typst

    moment = datetime.fromisoformat(report.moment.replace("Z", "+00:00")).astimezone(UTC)
    inputs = {
        "report": printable(to_json(report)),
        "date": moment.date().isoformat(),
        "marks": json.dumps({m.value: svg for m, svg in MARK_SVG.items()}),
        "colours": json.dumps({m.value: colour for m, colour in COLOURS.items()}),
        "stop": STOP_ON_BLACK,
        "record": report.record.decode(),
        "record-name": RECORD,
        "edition": report.edition.decode(),
        "edition-name": EDITION,
    }
    compiler, template = _compiler()
    made = compiler.compile(
        template,
        sys_inputs=inputs,
        format="pdf",
        pdf_standards=list(STANDARDS),
        timestamp=int(moment.timestamp()),
    )
    assert isinstance(made, bytes), typst
    return made


@cache
def _compiler() -> tuple[Any, bytes]:
    """(the compiler, our template). Made once a process: it reads the fonts and keeps what it has
    set before; the template it wants anew each time."""
    import typst

    with ExitStack() as stack:
        folder = stack.enter_context(as_file(files("verify.report") / "fonts"))
        fonts = typst.Fonts(
            include_system_fonts=False,
            include_embedded_fonts=True,
            font_paths=[str(folder), *_fallback_folder()],
        )
    template = (files("verify.report") / "templates" / "report.typ").read_bytes()
    return typst.Compiler(template, font_paths=fonts), template


def _fallback_folder() -> list[str]:
    """DejaVu Sans, which comes with matplotlib, for letters that our own fonts lack."""
    found = find_spec("matplotlib")
    if found is None or found.submodule_search_locations is None:
        return []
    root = next(iter(found.submodule_search_locations))
    return [f"{root}/mpl-data/fonts/ttf"]


def printable(text: str) -> str:
    """The text with every letter that no font of ours has replaced: PDF/A refuses a missing one.

    Line breaks and the escapes of JSON stay.
    """
    odd = set(text) - _PLAIN - {"\n"}
    if not odd:
        return text
    known = _letters()
    lost = {ord(c): NO_LETTER if c.isprintable() else " " for c in odd if ord(c) not in known}
    return text.translate(lost)


@cache
def _letters() -> frozenset[int]:
    from matplotlib.ft2font import FT2Font

    return frozenset(letter for path in _font_files() for letter in FT2Font(path).get_charmap())


def _font_files() -> Iterable[str]:
    with as_file(files("verify.report") / "fonts") as folder:
        yield str(folder / "IBMPlexSans-Regular.ttf")
    for root in _fallback_folder():
        yield f"{root}/DejaVuSans.ttf"
