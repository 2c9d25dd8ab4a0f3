"""A report → a PDF: tagged, PDF/A-3 and PDF/UA, fonts inside, the record attached.

Everything comes in as data and is set as text, so nothing a person typed is ever markup. The same
report gives the same bytes: its date is that of the job's last entry, and no clock is asked.
"""

from __future__ import annotations

import json
from contextlib import ExitStack
from datetime import UTC, datetime
from functools import cache
from importlib.resources import as_file, files
from typing import Any

from verify.report.build import to_json
from verify.report.document import Report
from verify.report.letters import fallback_folder, mapped, printable
from verify.report.marks import COLOURS, MARK_SVG, STOP_ON_BLACK

STANDARDS = ("a-3a", "ua-1")
RECORD, EDITION = "record.jsonl", "flow-edition.json"


def to_pdf(report: Report) -> bytes:
    """The report as PDF bytes."""
    import typst

    moment = datetime.fromisoformat(report.moment.replace("Z", "+00:00")).astimezone(UTC)
    inputs = {
        "report": to_json(mapped(report, printable)),
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
            font_paths=[str(folder), *fallback_folder()],
        )
    template = (files("verify.report") / "templates" / "report.typ").read_bytes()
    return typst.Compiler(template, font_paths=fonts), template
