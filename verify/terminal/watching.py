"""Watches flow files for `keysback flows prove --watch`: which files count, and when one is saved.

Looks a few times a second at when files were changed and how long they are; so it works on any
disk and with any editor, also with those that write a new file and rename it.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

Stamp = tuple[int, int, int]
"""When changed (ns), length (bytes), which file (inode)."""

SECONDS = 0.25
_PART = re.compile(r"""\bpart\s*:\s*["']?([a-z0-9][a-z0-9-]*)""")


def watched(files: Iterable[Path]) -> frozenset[Path]:
    """The files, and every place beside them where a part that they use is or could be put."""
    found: set[Path] = set()
    waiting = list(files)
    while waiting:
        path = waiting.pop()
        if path in found:
            continue
        found.add(path)
        folder = path.parent.parent if path.parent.name == "parts" else path.parent
        for name in _PART.findall(_text(path)):
            waiting += [folder / "parts" / f"{name}.yaml", folder / f"{name}.yaml"]
    return frozenset(found)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def stamps(paths: Iterable[Path]) -> Mapping[Path, Stamp | None]:
    """When each was changed; None for one that is not there."""
    return {path: _stamp(path) for path in paths}


def _stamp(path: Path) -> Stamp | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


def each_save(
    files: tuple[Path, ...], show: Callable[[], None], *, seconds: float = SECONDS
) -> None:
    """Calls `show` now, and whenever a file was saved and then left alone for `seconds`.

    Ends only by an exception (Ctrl-C). A file that is changed again and again is shown as soon as
    it comes to rest: what is half written says nothing.
    """
    shown: Mapping[Path, Stamp | None] | None = None
    while True:
        before = stamps(watched(files))
        if before != shown:
            time.sleep(seconds if shown is not None else 0)
            if stamps(watched(files)) != before:
                continue
            show()
            shown = before
        time.sleep(seconds)
