"""The packaged files (flows, seeds, demo data), read-only.

In a wheel they lie in `verify/_data/`; in a checkout or an editable install beside the package.
Looked for in that order, so both kinds of installation work from any folder.
"""

from __future__ import annotations

import csv
import hashlib
import io
from functools import cache
from pathlib import Path

from verify.errors import Problem, UserError, unknown

_PACKAGE = Path(__file__).resolve().parent


@cache
def data_root() -> Path:
    """The folder that holds `flows/`, `seeds/` and `demo_data/`.

    Raises UserError when the installation carries neither.
    """
    for root in (_PACKAGE / "_data", _PACKAGE.parent):
        if (root / "flows").is_dir() and (root / "seeds").is_dir():
            return root
    raise UserError(
        Problem(
            found="an installation without its flows and tables",
            expected=f"folders flows and seeds in {_PACKAGE / '_data'} or {_PACKAGE.parent}",
            next="install keysback again",
        )
    )


def read_bytes(name: str) -> bytes:
    """The bytes of one packaged file, named as in the repository ("seeds/channels.csv")."""
    path = data_root() / name
    try:
        return path.read_bytes()
    except (FileNotFoundError, IsADirectoryError, NotADirectoryError):
        folder = path.parent
        known = (
            [f"{Path(name).parent}/{p.name}" for p in folder.iterdir()] if folder.is_dir() else []
        )
        raise UserError(unknown(name, known, "packaged file")) from None


@cache
def rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of a packaged CSV table (UTF-8, first line names the columns).

    Raises ValueError where a row has more or fewer fields than the first line: our own mistake.
    """
    text = read_bytes(name).decode("utf-8")
    reader = csv.DictReader(io.StringIO(text), strict=True)
    found = []
    for row in reader:
        if None in row or None in row.values():
            raise ValueError(f"{name}, line {reader.line_num}: not as many fields as columns")
        found.append(dict(row))
    return tuple(found)


@cache
def table_hash(name: str) -> str:
    """SHA-256 of a packaged table, stored with every verdict that used it."""
    return hashlib.sha256(read_bytes(name)).hexdigest()


def listing(folder: str, suffix: str) -> tuple[str, ...]:
    """Names of the packaged files of one folder (not below it) that end in `suffix`, sorted."""
    root = data_root() / folder
    if not root.is_dir():
        return ()
    return tuple(sorted(p.name for p in root.iterdir() if p.name.endswith(suffix)))
