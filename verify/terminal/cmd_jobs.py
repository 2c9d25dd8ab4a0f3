"""`keysback jobs`: the list, from the derived index alone, so that it opens at once."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING

from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    from verify.job.journal import SqliteJournal
    from verify.job.memory import Row

HELP = "list the jobs"


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(description="Lists the jobs, the last changed first.")
    p.add_argument(
        "--open",
        action="store_true",
        help="only those that have not ended, and those with proof to follow",
    )
    p.add_argument("--json", action="store_true", help="as JSON")
    p.add_argument("--rebuild", action="store_true", help="make the list anew from the entries")
    p.add_argument("--store", metavar="PATH", help="folder of the jobs (else KEYSBACK_STORE)")
    return p


def run(args: argparse.Namespace) -> int:
    from verify.job.journal import SqliteJournal, store_folder
    from verify.terminal.clock import SystemClock, local, stamp

    folder = store_folder(args.store, os.environ)
    if args.rebuild:
        _rebuild(args.store)
    if not os.path.exists(folder):
        rows = []
    else:
        with SqliteJournal(folder, readonly=True) as journal:
            rows = [_shown(journal, r) for r in journal.jobs() if _is_open(r) or not args.open]
    if args.json:
        import json

        json.dump(rows, sys.stdout, indent=2, ensure_ascii=False)
        print()
        return 0
    if not rows:
        kind = "open jobs" if args.open else "jobs"
        say_plain(
            f"No {kind} in {folder}.\nOpen one: keysback open FLOW (keysback flows lists them)"
        )
        return 0
    today = stamp(SystemClock().now())[:10]
    for row in rows:
        mark = " [demo]" if row.get("demo") else " [scripted]" if row.get("scripted") else ""
        say_plain(f"{row['job']:<8} {local(str(row['changed']))}  {row.get('title', '')}{mark}")
        if row["car"]:
            say_plain(f"         {row['car']}")
        came = f"; a comeback of {row['comeback_of']}" if row.get("comeback_of") else ""
        erased = "; personal data erased on request" if row.get("erased") else ""
        say_plain(f"         {row.get('state', '')}{_due(row, today)}{came}{erased}")
    return 0


def _shown(journal: SqliteJournal, row: Row) -> Row:
    """The row with the car in masked words instead of digests; one of before knows no car."""
    from verify.terminal.masks import car_words

    # What was erased on request is no longer in the store.
    typed = [journal.private(digest) or "" for digest in str(row.get("car", "")).split()]
    return {**row, "car": car_words(" ".join(filter(None, typed)), str(row.get("model", "")))}


def _is_open(row: Row) -> bool:
    return not row.get("ending") or bool(row.get("open_proofs"))


def _due(row: Row, today: str) -> str:
    """today: YYYY-MM-DD, as the list has it; the list itself knows no clock."""
    due = str(row.get("proof_due", ""))
    if not due:
        return ""
    return f"; PROOF OVERDUE since {due}" if today > due else f"; proof due {due}"


def _rebuild(store: str | None) -> None:
    """The list holds nothing of its own: it can be made from the entries at any time."""
    from verify.job.bodies import index_row
    from verify.job.session import fold
    from verify.terminal.desk import machine_of, open_store

    with open_store(store) as journal:
        journal.rebuild_index(
            lambda entries: index_row(fold(entries[0].job, entries, machine_of(journal, entries)))
        )
