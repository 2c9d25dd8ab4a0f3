"""A report → one HTML file: nothing is fetched, all has its words, it prints and fits a phone.

The pictures are those of the PDF. What people typed is escaped by the template's engine.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

from verify.report.document import Mark, Report
from verify.report.letters import mapped, sound
from verify.report.marks import COLOURS, MARK_SVG, STOP_ON_BLACK


def to_html(report: Report) -> str:
    """The report as the text of a single HTML file."""
    text: str = _template().render(
        d=mapped(report, sound),
        marks={m.value: _ornament(svg) for m, svg in MARK_SVG.items()},
        colours={m.value: c for m, c in COLOURS.items()},
        stop=_ornament(STOP_ON_BLACK),
        is_stop=report.head.mark is Mark.STOP,
        described=_described,
        groups=lambda text: " ".join(text[i : i + 8] for i in range(0, len(text), 8)),
    )
    return text


@cache
def _template() -> Any:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    folder = files("verify.report") / "templates"
    engine = Environment(
        loader=FunctionLoader(lambda name: (folder / name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return engine.get_template("report.html")


def _ornament(svg: str) -> str:
    """A mark, which always stands beside its word."""
    return _safe(svg.replace("<svg ", '<svg aria-hidden="true" class="mark" ', 1))


def _described(svg: str, alt: str) -> str:
    """A picture with the words that say the same."""
    from markupsafe import escape

    return _safe(svg.replace("<svg ", f'<svg role="img" aria-label="{escape(alt)}" ', 1))


def _safe(svg: str) -> str:
    from markupsafe import Markup

    return Markup(svg)
