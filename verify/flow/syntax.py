"""What a YAML reader says of broken text, in the words of somebody who edits a file.

Beside `text`, because these are sentences and not a stage: each line of the table is one complaint
of the reader, what it means, and what to do.
"""

from __future__ import annotations

import re

from ruamel.yaml.error import MarkedYAMLError, YAMLError

from verify.errors import Problem
from verify.flow.slips import slip

# (pattern in the reader's complaint, found, next, whether the trouble began where its context did)
_SAYINGS: tuple[tuple[str, str, str, bool], ...] = (
    (
        "mapping values are not allowed",
        'a ":" where none can stand',
        "put the text in quotes if the colon belongs to it; check the indentation otherwise",
        False,
    ),
    (
        r"character '\\t' that cannot start|tab character",
        "a tab as indentation",
        "use spaces",
        False,
    ),
    (
        "that cannot start any token",
        "a character that cannot begin a value",
        "put the text in quotes",
        False,
    ),
    (
        "unexpected end of stream",
        "a quotation mark that is never closed",
        "close it at the end of the text",
        True,
    ),
    (
        "unexpected document separator",
        "a quotation mark that is not closed before the line of dashes",
        "close it at the end of the text",
        True,
    ),
    (
        "expected ',' or|did not find expected ',' or",
        "a list or group in brackets that is never closed, or a comma left out",
        "check the brackets and commas from here on",
        True,
    ),
    (
        "could not find expected ':'",
        'a line without ":"',
        'write "name: value", or put a text of several lines in quotes',
        True,
    ),
    (
        "unknown escape character|expected escape sequence",
        r"a backslash that means nothing here",
        "use single quotes around text with a backslash",
        False,
    ),
    (
        "sequence entries are not allowed",
        'a "-" where no list can begin',
        "put the list on lines of its own, below the name",
        False,
    ),
    (
        "mapping keys are not allowed",
        'a "?" where none can stand',
        "put the text in quotes",
        False,
    ),
    (
        "expected <block end>|expected the node content|expected <document start>"
        "|while parsing a block",
        "a line that does not fit the lines above it",
        "check its indentation, its quotes and its brackets",
        False,
    ),
    (
        "alias|anchor",
        "a broken anchor or alias (& or *)",
        "put the text in quotes if the sign belongs to it",
        False,
    ),
    (
        "tag|directive",
        "a broken tag or directive (! or %)",
        "put the text in quotes if the sign belongs to it",
        False,
    ),
)


def syntax_problem(error: YAMLError, source: str, text: str) -> Problem:
    """The problem behind a reader's complaint about `text`, at its line (never beyond the last)."""
    lines = text.splitlines()
    line = column = 0
    found, advice = "text that cannot be read", "check the indentation, the colons and the quotes"
    if isinstance(error, MarkedYAMLError):
        said = f"{error.problem or ''} {error.context or ''}"
        mark = error.problem_mark or error.context_mark
        for pattern, meaning, what_next, at_context in _SAYINGS:
            if re.search(pattern, said):
                found, advice = meaning, what_next
                if at_context and error.context_mark is not None:
                    mark = error.context_mark
                break
        if mark is not None:
            line, column = mark.line + 1, mark.column + 1
            if line > len(lines):
                line, column = len(lines) or 1, 1
            seen = slip(lines, line, column) if lines else None
            if seen is not None:
                found, advice, line, column = seen
    return Problem(
        found=found, expected="YAML 1.2", next=advice, file=source, line=line, column=column
    )
