"""Where the jobs lie on this machine. Beside the journal, which opens what is named here."""

from __future__ import annotations

import os
import sys

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
