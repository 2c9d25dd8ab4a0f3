"""`keysback restore FILE`: a store again out of a backup."""

from __future__ import annotations

import argparse
import os

from verify.terminal.screen import say_plain

HELP = "make a store out of a backup"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(
        description="Makes a new store out of a backup, after every hash in it and the chain of "
        "every job was checked. It never writes over a store: the folder must be new or empty."
    )
    p.add_argument("file", help="the file that keysback backup wrote")
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError, and then made nothing."""
    from verify.job.backup import restore_backup
    from verify.job.journal import store_folder
    from verify.terminal.clock import local
    from verify.terminal.cmd_backup import contents, pieces

    store = store_folder(args.store, os.environ)
    file = os.path.abspath(os.path.expanduser(args.file))
    kept = restore_backup(file, store)
    say_plain(f"Restored: {store}")
    say_plain(f"As it was on {local(kept.made)}: {contents(kept)}")
    say_plain("Every hash and the chain of every job were checked and hold.")
    if kept.damaged or kept.absent:
        say_plain(
            f"{pieces(len(kept.damaged) + kept.absent)} of evidence that jobs name were not in "
            "the store when the backup was made, or damaged there."
        )
    say_plain(
        "Not in a backup: private keys for signing, and what was done since. Customers that were "
        "forgotten since are back: forget them again (keysback forget)."
    )
    return 0
