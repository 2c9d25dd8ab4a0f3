"""The places a backup is made in and a store is restored to, and what is said where they do not
serve. Beside `backup`, which knows what lies in them.
"""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from verify.errors import Problem, UserError
from verify.job.journal import DATABASE

if TYPE_CHECKING:
    from collections.abc import Iterator

PART = ".keysback-part-"
UNTOUCHED = "the store is as it was"
_LEFTOVER_S = 86_400.0


def check_place(store: str, target: str, folder: str) -> None:
    if not os.path.exists(os.path.join(store, DATABASE)):
        raise problem(store, "no store here", "a folder with jobs", "name it with --store")
    if os.path.lexists(target):
        raise there(target)
    if not os.path.isdir(folder):
        raise problem(
            folder, "no such folder", "the folder for the backup", "make it, or name another"
        )
    within = os.path.join(os.path.realpath(store), "")
    if os.path.join(os.path.realpath(folder), "").startswith(within):
        raise problem(
            target,
            "a place inside the store",
            "a place that is not lost together with the store",
            "name a folder elsewhere, best on another disk",
        )


def there(target: str) -> UserError:
    return problem(
        target,
        "something under this name already",
        "a name that is free",
        "write another name, or a folder: each backup then gets a name of its own",
    )


def check_empty(store: str) -> None:
    try:
        taken = bool(os.listdir(store))
    except FileNotFoundError:
        taken = os.path.lexists(store)
    except NotADirectoryError:
        taken = True
    except OSError:
        taken = False  # what cannot be looked into is refused when it is to be named
    if taken:
        raise problem(
            store,
            "something in this place already",
            "a new or empty folder",
            "name another with --store; nothing was changed",
        )


def check_space(folder: str, size: int) -> None:
    import shutil

    if shutil.disk_usage(folder).free < size:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@contextmanager
def room(folder: str, target: str) -> Iterator[str]:
    """A folder beside the target in which it is made; gone at the end."""
    import shutil
    import tempfile

    with told(target):
        made = tempfile.mkdtemp(prefix=PART, dir=folder)  # mode 0700
    try:
        with suppress(OSError):
            _sweep(folder, os.stat(made).st_mtime)
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _sweep(folder: str, now_s: float) -> None:
    """Removes what programs killed long ago left: it holds customers' data as the store does."""
    import shutil

    with os.scandir(folder) as found:
        for item in found:
            if item.name.startswith(PART) and now_s - item.stat().st_mtime > _LEFTOVER_S:
                shutil.rmtree(item.path, ignore_errors=True)


@contextmanager
def told(place: str) -> Iterator[None]:
    """Turns what the disk refuses inside into one clear UserError about `place`."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            found, expected = "a full disk", "room to write"
            follow = "free some space, or name a place on another disk"
        elif error.errno in (errno.EEXIST, errno.ENOTEMPTY):
            raise there(place) from error
        else:
            found = f"a place that cannot be written ({error.strerror})"
            expected, follow = (
                "a folder you may write in",
                "change its permissions, or name another",
            )
        raise problem(place, found, expected, f"{follow}; {UNTOUCHED}") from error


def damaged(file: str, why: str) -> UserError:
    return problem(
        file,
        f"a damaged backup ({why})",
        "a backup as keysback writes it",
        "take another backup; nothing was changed",
    )


def problem(file: str, found: str, expected: str, follow: str) -> UserError:
    return UserError(Problem(file=file, found=found, expected=expected, next=follow))
