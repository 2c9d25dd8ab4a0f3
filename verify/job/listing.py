"""A job's row in lists as text and back. Light: it is all that listing a thousand jobs needs.

Not JSON, because loading a JSON reader would take longer than reading the thousand rows. Fields
are set apart by the signs ASCII has for it, and each value says whether it is text or a number:

    title US "t" A throttle body … RS answers US "i" 12
"""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Mapping

    Row = dict[str, str | int]
    Index = Mapping[str, str | int]

FIELD = "\x1e"  # record separator
VALUE = "\x1f"  # unit separator

# What a store itself says of a job in lists; an index may not say otherwise.
OWN_FIELDS = frozenset({"job", "entries", "changed"})


def index_to_text(index: Index) -> str:
    """An index as text. Raises ValueError for what lists cannot hold.

    The two separators become U+FFFD inside names and texts: a list is only looked at."""
    cells = []
    for name, value in index.items():
        if name in OWN_FIELDS or not isinstance(value, str | int) or isinstance(value, bool):
            raise ValueError(f"an index holds texts and whole numbers under free names: {name!r}")
        kind, shown = ("t", _plain(value)) if isinstance(value, str) else ("i", str(value))
        cells.append(f"{_plain(name)}{VALUE}{kind}{shown}")
    text = FIELD.join(cells)
    text.encode()  # ValueError for half a surrogate pair, which no store can hold
    return text


def text_to_row(text: str, row: Row) -> Row:
    """Adds the fields of `text` to `row` and returns it. Raises ValueError for another text."""
    if text:
        for cell in text.split(FIELD):
            name, _, value = cell.partition(VALUE)
            kind = value[:1]
            if kind == "t":
                row[name] = value[1:]
            elif kind == "i":
                row[name] = int(value[1:])
            else:
                raise ValueError("a field that is neither text nor number")
    return row


def _plain(text: str) -> str:
    return text.replace(FIELD, "\ufffd").replace(VALUE, "\ufffd")
