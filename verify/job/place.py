"""Where the jobs lie on this machine, and the room made for them there. Beside the journal, which
opens what is named here."""

from __future__ import annotations

import os
import sys
from contextlib import suppress

from verify.job.disk import flush_folder, make_folder

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Mapping


def store_folder(option: str | None, environ: Mapping[str, str]) -> str:
    """Where the store lies: `--store`, else KEYSBACK_STORE, else where the platform keeps data.

    Returns an absolute path, as text: pathlib alone takes half as long as Python's own start.
    """
    chosen = option if option is not None else environ.get("KEYSBACK_STORE") or None
    if chosen is None:
        chosen = _data_folder(environ)
    if not chosen.strip() or "\0" in chosen:
        from verify.job.refusals import no_folder_name

        raise no_folder_name(chosen)
    return os.path.abspath(os.path.expanduser(chosen))


def _data_folder(environ: Mapping[str, str]) -> str:
    if sys.platform == "linux" and "ANDROID_DATA" not in environ:
        # XDG Base Directory Specification 0.8: a relative path is invalid and to be ignored. Said
        # here because the library, which the tests compare it with, doubles the time of a list.
        base = environ.get("XDG_DATA_HOME", "").strip()
        return os.path.join(base if os.path.isabs(base) else "~/.local/share", "keysback")
    import platformdirs

    return platformdirs.user_data_dir("keysback", appauthor=False)


def prepare(folder: str, file: str, *, readonly: bool) -> str:
    """Makes folder and database where they are missing and wanted; returns what to open.

    Raises OSError where that cannot be.
    """
    if not readonly or os.path.exists(folder):
        make_folder(folder)  # raises where a file is in its place
    try:
        empty = os.stat(file).st_size == 0  # killed while it was being made
    except FileNotFoundError:
        empty = True
    if readonly:
        return ":memory:" if empty else file
    if not os.access(folder, os.W_OK | os.X_OK):
        raise PermissionError(13, "the folder cannot be written", folder)
    if empty:
        # Made by ourselves, so that nobody else may read it; SQLite gives its rollback journal
        # the same permissions. Never opened if it is there: closing a file drops the locks
        # that this process holds on it.
        with suppress(FileExistsError):
            os.close(os.open(file, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
        flush_folder(folder)
    return file
