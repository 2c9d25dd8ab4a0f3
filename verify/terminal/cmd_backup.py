"""`keysback backup PLACE`: the whole store as one file, while jobs go on."""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import Any

from verify.terminal.screen import say_plain

HELP = "keep a copy of all jobs and their evidence in one file"
SETTING = "backups"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(
        description="Copies all jobs, their evidence and what the store remembers into one file, "
        "while jobs go on. The file is read again before it gets its name. Bring a store back "
        "with keysback restore."
    )
    p.add_argument("place", help="a folder (the file gets a name with the time), or a new file")
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Returns 0; 1 where the backup was made but damaged evidence had to be left out."""
    from verify.job.backup import make_backup
    from verify.job.journal import store_folder
    from verify.terminal.clock import SystemClock, stamp

    time = stamp(SystemClock().now())
    store = store_folder(args.store, os.environ)
    target = _target(args.place, time)
    kept = make_backup(store, target, time=time)
    say_plain(f"Backup made: {target}")
    say_plain(f"{contents(kept)} All of it was read again and is whole.")
    if kept.absent:
        say_plain(
            f"{pieces(kept.absent)} of evidence that jobs name {_are(kept.absent)} not in the "
            "store: erased on request, or lost."
        )
    say_plain(
        "It holds customers' data as the store does: keep it where nobody else reads it. Private "
        "keys for signing are not in it: they lie with the people they belong to."
    )
    _remember(args.store, time, target)
    if kept.damaged:
        say_plain(
            f"{pieces(len(kept.damaged))} of evidence {_are(len(kept.damaged))} damaged in the "
            "store and could not be kept:\n"
            + "\n".join(f"  evidence/{s[:2]}/{s}" for s in kept.damaged)
            + "\n  take them from an earlier backup",
            target=sys.stderr,
        )
        return 1
    return 0


def contents(kept: Any) -> str:
    jobs = f"{kept.jobs} job{'' if kept.jobs == 1 else 's'}"
    entries = f"{kept.entries} entr{'y' if kept.entries == 1 else 'ies'}"
    return f"{jobs} with {entries}, {pieces(kept.evidence)} of evidence, {size(kept.size)} in all."


def pieces(count: int) -> str:
    return f"{count} piece{'' if count == 1 else 's'}"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def size(count: int) -> str:
    if count < 1_000_000:
        return f"{count / 1e3:.0f} kB"
    return f"{count / 1e6:.1f} MB" if count < 1_000_000_000 else f"{count / 1e9:.1f} GB"


def _target(place: str, time: str) -> str:
    """The file to write: as named, or in the folder named with a name of its own."""
    place = os.path.abspath(os.path.expanduser(place))
    if not os.path.isdir(place):
        return place
    base = os.path.join(place, "keysback-" + time[:19].replace(":", "").replace("T", "-"))
    names = (base + (f"-{n}" if n > 1 else "") + ".zip" for n in range(1, 1000))
    return next(name for name in names if not os.path.lexists(name))


def _remember(store: str | None, time: str, target: str) -> None:
    """Where backups went: whoever forgets a customer must know which files still name them."""
    from verify.errors import UserError
    from verify.terminal.desk import open_store

    try:
        with open_store(store) as journal:
            known = known_backups(journal)
            journal.put_setting(SETTING, json.dumps([*known, {"time": time, "file": target}]))
    except UserError:
        say_plain(
            "The store could not be written, so it does not know of this backup: think of it when "
            "a customer is to be forgotten."
        )


def known_backups(journal: Any) -> list[dict[str, str]]:
    """The backups made of this store: when, and as which file."""
    try:
        found = json.loads(journal.setting(SETTING) or "[]")
    except ValueError:
        return []
    return [b for b in found if isinstance(b, dict) and {"time", "file"} <= b.keys()]
