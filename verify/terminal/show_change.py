"""Comparisons as rich shows them: mark, word, both verdicts, both numbers, the difference.

Pure: makes renderables, prints nothing. Blue better, orange worse, grey cannot tell; unchanged has
no colour. The word stands beside each mark.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from verify.evidence.compare import Change, Comparison
from verify.evidence.verdict import CheckResult
from verify.quantity import is_unit, shown_unit
from verify.terminal.marks import COLOURS, MARKS, STYLES, WORDS
from verify.terminal.screen import rows
from verify.terminal.show_verdict import (
    labelled,
    limits_text,
    measured,
    scale_of,
    sentence,
    with_doubt,
)
from verify.terminal.verdict_list import not_judged
from verify.words import Verdict

CHANGE_MARKS = {
    Change.BETTER: "▲",
    Change.WORSE: "▼",
    Change.UNCHANGED: "=",
    Change.CANNOT_TELL: "?",
}
CHANGE_STYLES = {
    Change.BETTER: f"bold {COLOURS[Verdict.PASS]}",
    Change.WORSE: f"bold {COLOURS[Verdict.FAIL]}",
    Change.UNCHANGED: "bold",
    Change.CANNOT_TELL: f"bold {COLOURS[Verdict.UNDECIDED]}",
}
ORDER = (Change.WORSE, Change.BETTER, Change.UNCHANGED, Change.CANNOT_TELL)


def changes(
    found: Sequence[Comparison], system: str = "metric", *, full: bool = False
) -> list[RenderableType]:
    """What got worse, what got better, what is unchanged (a line each), and what cannot be told.

    full: every one with both sides in words and the limits, and also those that neither recording
    speaks of, which are else one sentence.
    """
    if full:
        return [_block(c, system, full=True) for word in ORDER for c in found if c.change is word]
    silent = [c for c in found if _silent(c)]
    shown: list[RenderableType] = [
        _block(c, system, full=False)
        for word in (Change.WORSE, Change.BETTER)
        for c in found
        if c.change is word
    ]
    if same := [c for c in found if c.change is Change.UNCHANGED]:
        shown.append(_lines(same, system))
    shown += _open([c for c in found if c.change is Change.CANNOT_TELL and c not in silent], system)
    if silent:
        text = Text("Not compared: ", style="bold")
        text.append(f"{', '.join(c.check for c in silent)}. ", style="not bold")
        text.append("Neither recording speaks of them; why: --all", style="dim not bold")
        shown.append(text)
    return shown


def _silent(c: Comparison) -> bool:
    """Neither recording speaks of it."""
    return not_judged(c.before) and not_judged(c.after)


def _open(found: Sequence[Comparison], system: str) -> list[RenderableType]:
    """What cannot be told; those that the same doing settles stand together above it, and those
    that say the same are one."""
    groups: dict[str, dict[tuple[str, Verdict, Verdict], list[Comparison]]] = {}
    shown: list[RenderableType] = []
    for c in found:
        if c.difference is not None:
            # It has numbers of its own to show.
            shown.append(_block(c, system, full=False))
            continue
        own = groups.setdefault(c.settle, {})
        own.setdefault((c.why, c.before.verdict, c.after.verdict), []).append(c)
    for settle, alike in groups.items():
        lines: list[RenderableType] = []
        for (why, *_verdicts), same in alike.items():
            names = ", ".join(c.check for c in same)
            lines += [_head(same[0], names), labelled("", sentence(why))]
        if settle:
            label = "settles it" if len(alike) == 1 else "settles all"
            lines.append(labelled(label, sentence(settle)))
        shown.append(Group(*lines))
    return shown


def _head(c: Comparison, names: str = "") -> Text:
    """names: of several that say the same."""
    head = Text()
    head.append(f"{CHANGE_MARKS[c.change]} {c.change.value.upper()}", style=CHANGE_STYLES[c.change])
    head.append(f"  {names or c.check}  ", style="bold")
    head.append_text(_verdict(c.before))
    head.append(" → ")
    head.append_text(_verdict(c.after))
    return head


def _block(c: Comparison, system: str, *, full: bool) -> RenderableType:
    numbers = full or c.difference is not None or c.change is not Change.CANNOT_TELL
    lines: list[RenderableType] = [_head(c)]
    for label, text in (
        ("before", _side(c.before, system) if numbers else ""),
        ("after", _side(c.after, system) if numbers else ""),
        ("change", _difference(c, system)),
        ("limits", limits_text(c.after.limits, system) if full else ""),
        ("", sentence(c.why)),
        ("settles it", sentence(c.settle)),
    ):
        if text:
            lines.append(labelled(label, text))
    return Group(*lines)


def _lines(found: Sequence[Comparison], system: str) -> RenderableType:
    word = f"{CHANGE_MARKS[Change.UNCHANGED]} {Change.UNCHANGED.value.upper()}"
    wide = max(len(c.check) for c in found)
    pairs = []
    for c in found:
        label = Text(word, style=CHANGE_STYLES[c.change])
        label.append(f"  {c.check}", style="bold")
        text = _verdict(c.before)
        text.append(" → ")
        text.append_text(_verdict(c.after))
        text.append(f"  {_difference(c, system)}")
        pairs.append((label, text))
    block: RenderableType = rows(pairs, len(word) + 2 + wide, indent=0)
    return block


def _verdict(result: CheckResult) -> Text:
    words = f"{MARKS[result.verdict]} {WORDS[result.verdict]}"
    return Text(words, style=STYLES[result.verdict])


def _side(result: CheckResult, system: str) -> str:
    """The number and the finding, or the sentence where no number was judged."""
    number = measured(result, system, coverage=False)
    if not number or result.uncertainty is None or result.verdict is Verdict.UNDECIDED:
        return sentence(result.why)
    return f"{number}, {result.finding}"


def _difference(c: Comparison, system: str) -> str:
    if c.difference is None or c.uncertainty is None:
        return ""
    unit = shown_unit(c.unit, system) if is_unit(c.unit) else c.unit
    scale = scale_of(c.unit, unit)
    name = "" if unit == "1" else f" {unit}"
    return with_doubt(scale * c.difference, 2.0 * scale * c.uncertainty, name, sign=True)


def counted_changes(found: Sequence[Comparison]) -> Text:
    """How many of each, in one line; what neither recording speaks of apart."""
    line = Text("In short: ", style="bold")
    spoken = [c for c in found if not _silent(c)]
    parts = [(word, sum(1 for c in spoken if c.change is word)) for word in ORDER]
    for number, (word, count) in enumerate((w, n) for w, n in parts if n):
        line.append(" · " if number else "", style="not bold")
        line.append(f"{CHANGE_MARKS[word]} {count} {word.value}", style=CHANGE_STYLES[word])
    if silent := len(found) - len(spoken):
        line.append(f"{' · ' if spoken else ''}{silent} not compared", style="not bold")
    return line
