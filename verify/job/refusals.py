"""What it means to a person when SQLite or the disk refuses.

Apart from the store because it is words only: it takes an exception and opens nothing.
"""

from __future__ import annotations

import errno

from verify.errors import Problem, UserError

KEPT = "what was accepted before is kept"
_FULL = (errno.ENOSPC, errno.EDQUOT)
_FORBIDDEN = (errno.EACCES, errno.EPERM, errno.EROFS)
_NO_FOLDER = (errno.EEXIST, errno.ENOTDIR)


def refusal(place: str, error: Exception) -> UserError:
    """The one clear problem behind an OSError or an exception of sqlite3.

    place: the database or folder that was being used.
    """
    number = error.errno if isinstance(error, OSError) else None
    # Text that is no UTF-8 comes as an error without a code: the file was damaged.
    name = "" if number is not None else getattr(error, "sqlite_errorname", "SQLITE_CORRUPT")
    if number in _FULL or name == "SQLITE_FULL":
        found, expected = "a full disk", "room to write"
        follow = f"free some space and do the last thing again; {KEPT}, the last thing was not"
    elif number in _NO_FOLDER:
        found, expected = "a file where the store's folder should be", "a folder"
        follow = "name another folder with --store"
    elif number in _FORBIDDEN or name.startswith(
        ("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")
    ):
        found = f"a store that cannot be opened or written ({error})"
        expected = "a folder and files that you may read and write"
        follow = f"change its permissions, or name another folder with --store; {KEPT}"
    elif name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        found = "a store in which another program has been writing for some seconds"
        expected = "a moment in which nobody else writes"
        follow = f"close the other program, or wait, and do the last thing again; {KEPT}"
    elif number is not None or name.startswith("SQLITE_IOERR"):
        found = f"a disk that does not do what it is told ({error})"
        expected = "a disk that can be read and written"
        follow = f"resume the job to see whether the last thing was kept; {KEPT}"
    else:
        return damaged(place, str(error))
    return UserError(Problem(file=place, found=found, expected=expected, next=follow))


def damaged(place: str, why: str) -> UserError:
    return UserError(
        Problem(
            file=place,
            found=f"a damaged store ({why})",
            expected="a store as keysback writes it",
            next="keep a copy of the folder as it is; restore it from a backup",
        )
    )


def foreign(place: str) -> UserError:
    return UserError(
        Problem(
            file=place,
            found="a database of another program",
            expected="a store of keysback",
            next="name another folder with --store",
        )
    )


def newer(place: str, version: int, known: int) -> UserError:
    return UserError(
        Problem(
            file=place,
            found=f"a store of a newer version ({version}; this keysback knows {known})",
            expected="a store of this version or an older one",
            next="install the newer keysback; nothing was changed",
        )
    )


def old_sqlite(version: str) -> UserError:
    return UserError(
        Problem(
            found=f"a Python with SQLite {version}",
            expected="SQLite 3.37 or newer",
            next="use a newer Python",
        )
    )


def no_folder_name(option: str) -> UserError:
    return UserError(
        Problem(
            field="--store",
            found=f'"{option}"' if option.isprintable() else "a name no folder can have",
            expected="a folder",
            next="name the folder that holds the jobs, or leave the option out",
        )
    )
