"""`keysback flows diff A B`: what changes for the person at the car between two flows."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from verify.terminal.flows_explain import wrapped

if TYPE_CHECKING:
    from verify.flow.diff import Change, Difference, Point


def add(words: Any) -> None:
    p = words.add_parser("diff", help="what changes for the person at the car from one to another")
    p.add_argument("before", metavar="A", help="a file, or a name of the library")
    p.add_argument("after", metavar="B", help="a file, or a name of the library")


def run(args: argparse.Namespace) -> int:
    from verify.flow.diff import difference
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    before, after = (library.load_flow(n, catalogue()).graph for n in (args.before, args.after))
    found = difference(before, after)
    if not found:
        print("Nothing changes for anybody: both ask the same.")
        return 0
    print("\n".join(difference_lines(found)))
    return 0


def difference_lines(found: Difference) -> Iterator[str]:
    """All of it: what lets a car go more readily, then what is asked in addition, otherwise, and
    no longer."""
    from verify.flow.diff import GONE, NEW, OTHER

    yield f"− {found.before}"
    yield f"+ {found.after}"
    yield ""
    yield _in_short(found)
    if found.looser:
        yield from ("", f"LOOSER: less is asked before a car goes ({len(found.looser)})")
        for point in found.looser:
            yield from wrapped(f"“{point.title}”: {point.words}", 4, "  ")
    if found.whole:
        yield from ("", "The flow itself", *points_lines(found.whole, 2))
    for kind, title in ((NEW, "Asked in addition"), (OTHER, "Changed"), (GONE, "No longer asked")):
        steps = [c for c in found.steps if c.kind == kind]
        if steps:
            yield from ("", f"{title} ({len(steps)})")
            for change in steps:
                yield from _change(change)
    if found.renamed:
        yield from ("", "The same under another name")
        for old, new in found.renamed.items():
            yield from wrapped(f"{old} → {new}", 4, "  ")
    if found.endings:
        yield from ("", "Endings")
        for change in found.endings:
            yield from _change(change, said=True)
    for title, points in (("Numbers of the car", found.numbers), ("Promises", found.promises)):
        if points:
            yield from ("", title, *points_lines(points, 2))


def _in_short(found: Difference) -> str:
    from verify.flow.diff import GONE, NEW, OTHER

    counts = [
        (sum(1 for c in found.steps if c.kind == kind and c.asks), words)
        for kind, words in ((NEW, "more to do"), (OTHER, "changed"), (GONE, "fewer"))
    ]
    parts = [f"{count} {words}" for count, words in counts if count]
    return "In short: " + (", ".join(parts) if parts else "the same is asked at the car") + "."


def _change(change: Change, *, said: bool = False) -> Iterator[str]:
    how = f" ({change.kind})" if said else ""
    yield from wrapped(f"“{change.title}”{how}", 4, "  ")
    yield from points_lines(change.points, 6)


def points_lines(points: Iterable[Point], indent: int) -> Iterator[str]:
    """One line for what came or went; two where it changed."""
    before = " " * indent
    for point in points:
        if point.before and point.after:
            yield from wrapped(f"{point.what}:", indent)
            yield from wrapped(point.before, indent + 4, f"{before}  − ")
            yield from wrapped(point.after, indent + 4, f"{before}  + ")
        else:
            sign, words = ("+", point.after) if point.after else ("−", point.before)
            yield from wrapped(f"{sign} {point.what}: {words}", indent + 2, before)
