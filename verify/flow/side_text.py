"""A side file as text: a skeleton with every English text, or an old one brought up to date.

tree of the flow (+ tree of its side file) ─side_text→ YAML text and what is open. Pure.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from verify.flow.text import Path, Tree
from verify.flow.texts import WAS, Side, read_side, texts_of
from verify.words import ENGLISH, LANGUAGES

_WIDTH = 98
# What a YAML reader takes for a word of its own, or that begins or breaks something.
_PLAIN = re.compile(r"[A-Za-zÀ-ž„(][^:#\n]*(?:[:#][^ \n][^:#\n]*)*")
_WORDS = frozenset(("true", "false", "null", "yes", "no", "on", "off", "y", "n"))


@dataclass(frozen=True, slots=True)
class Drafted:
    """text: of the side file. open: texts without a translation; stale: of these, those whose
    English has changed; dropped: translations of what is not in the flow any more."""

    text: str
    open: tuple[str, ...]
    stale: tuple[str, ...]
    dropped: tuple[str, ...]


def side_text(flow: Tree, language: str, old: Tree | None = None, head: str = "") -> Drafted:
    """The side file of a flow or part. What stands in the old one is kept as far as it is right.

    A text whose English has changed loses its translation, which is kept beside it as `was`.
    head: lines of comment to begin with.
    """
    wanted = texts_of(flow.data)
    side = read_side(old, flow, language) if old is not None else Side(language, {}, {})
    before = dict(_pairs(side.data, ()))
    entries: dict[Path, dict[str, str]] = {}
    open_, stale = [], []
    for path, english in wanted.items():
        entry = {ENGLISH: english, language: side.texts.get(path, "")}
        if not entry[language]:
            open_.append(_dotted(path))
            pair = before.get(path, {})
            kept = pair.get(language) or pair.get(WAS)
            if isinstance(kept, str) and kept:
                entry[WAS] = " ".join(kept.split())
                stale.append(_dotted(path))
        entries[path] = entry
    kind = "part" if "keysback_part" in flow.data else "flow"
    lines = [head.rstrip("\n"), ""] if head.strip() else _head(kind, language)
    lines += ["keysback_words: 1", f"{kind}: {flow.data.get('id')}", f"language: {language}"]
    lines += _lines(entries)
    gone = tuple(_dotted(p) for p in before if p not in wanted)
    return Drafted("\n".join(lines) + "\n", tuple(open_), tuple(stale), gone)


def comment_of(text: str) -> str:
    """The comment that a file begins with."""
    lines = text.splitlines()
    number = next((i for i, line in enumerate(lines) if not line.startswith("#")), len(lines))
    return "\n".join(lines[:number])


def _head(kind: str, language: str) -> list[str]:
    spoken = LANGUAGES.get(language, language)
    return [f"# The texts of this {kind} in {spoken}, each below its English.", ""]


def _pairs(node: Any, at: Path) -> Iterator[tuple[Path, Mapping[str, Any]]]:
    """The texts a side file has, wherever they stand."""
    if isinstance(node, dict):
        if at and ENGLISH in node and not any(isinstance(v, dict) for v in node.values()):
            yield at, node
            return
        for name, value in node.items():
            yield from _pairs(value, (*at, name))


def _dotted(path: Path) -> str:
    return ".".join(map(str, path))


def _lines(entries: Mapping[Path, Mapping[str, str]]) -> Iterator[str]:
    shown: Path = ()
    for path, entry in entries.items():
        same = 0
        while same < min(len(shown), len(path)) and shown[same] == path[same]:
            same += 1
        for depth in range(same, len(path)):
            if depth == 0 or (depth == 1 and path[0] in ("steps", "specs", "endings")):
                yield ""
            yield f"{'  ' * depth}{_key(path[depth])}:"
        shown = path
        for name, text in entry.items():
            yield from _field("  " * len(path), name, text)


def _key(name: str | int) -> str:
    word = str(name)
    return f'"{word}"' if word in _WORDS or word[:1].isdigit() else word


def _field(indent: str, name: str, text: str) -> Iterator[str]:
    if len(indent) + len(name) + len(text) + 2 > _WIDTH and "  " not in text:
        yield f"{indent}{name}: >-"
        yield from textwrap.wrap(
            text,
            _WIDTH,
            initial_indent=indent + "  ",
            subsequent_indent=indent + "  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
        return
    plain = _PLAIN.fullmatch(text) and text.casefold() not in _WORDS and text == text.strip()
    yield f"{indent}{name}: {text if plain else json.dumps(text, ensure_ascii=False)}"
