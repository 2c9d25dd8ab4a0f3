"""From a file on disk to a recording that is kept: the shell around the importers.

The bytes go into the store first and are read back from there, so what was judged is what is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

from verify import tables
from verify.errors import Problem, UserError
from verify.evidence.importers.port import Layout, look, read_recording, tables_used
from verify.evidence.likeness import sketch
from verify.evidence.recording import Recording
from verify.quantity import parse
from verify.terminal.big_file import keep_memory


def open_file(path: str, what: str = "recording") -> BinaryIO:
    """Raises UserError naming the file, and what was expected of it."""
    try:
        return Path(path).expanduser().open("rb")
    except OSError as error:
        raise UserError(
            Problem(
                found=f"a file that cannot be opened ({error.strerror})",
                expected=f"a readable {what}",
                next="check the path; a file can be dragged into the terminal",
                file=path,
            )
        ) from None


def keep(journal: Any, path: str) -> str:
    """Puts a file into the store. Returns its SHA-256."""
    with open_file(path) as stream:
        return str(journal.put_evidence(stream))


# How the files of cameras and phones begin: (place of the mark, mark).
_PICTURES = (
    (0, b"\xff\xd8\xff"),  # JPEG
    (0, b"\x89PNG\r\n\x1a\n"),
    (0, b"GIF8"),
    (0, b"BM"),
    (0, b"II*\x00"),  # TIFF and raw formats built on it
    (0, b"MM\x00*"),
    (0, b"RIFF"),  # WebP, AVI
    (0, b"\x1aE\xdf\xa3"),  # Matroska, WebM
    (4, b"ftyp"),  # HEIC, AVIF, MP4, MOV
)


def keep_picture(journal: Any, path: str) -> str:
    """As `keep`, for a picture or short clip. Raises UserError where the file begins like none:
    a wrong file would stand in the record as one."""
    with open_file(path, "picture") as stream:
        begin = stream.read(16)
    if not any(begin[at : at + len(mark)] == mark for at, mark in _PICTURES):
        raise UserError(
            Problem(
                found="a file that does not begin like a picture or clip",
                expected="a picture or short clip as a camera or phone makes it",
                next="give the picture's own file, or answer that you cannot",
                file=path,
            )
        )
    return keep(journal, path)


def layout_of(journal: Any, sha256: str, name: str) -> Layout:
    with journal.open_evidence(sha256) as stream:
        return look(stream, name)


def import_kept(
    journal: Any, sha256: str, name: str, mapping: Mapping[str, str] | None, interval: str = ""
) -> Recording:
    """The recording behind a kept file. interval: "0.5 s" where the file has no time column."""
    interval_s = float(parse(interval, expect="s").to("s").value) if interval else None
    with journal.open_evidence(sha256) as stream:
        keep_memory(stream)
        return read_recording(stream, name, mapping=mapping or None, interval_s=interval_s)


def key_on_proposals(journal: Any, sha256: str, name: str) -> list[float]:
    """When in a kept sound the key may have been turned on, in seconds since its start."""
    from verify.evidence.checks.key_sounds import proposed_marks

    return proposed_marks(import_kept(journal, sha256, name, None))


def provenance(recording: Recording, interval: str = "") -> dict[str, Any]:
    """All that decides what a check saw, for the entry: an audit can read the same file the same
    way (invariant 4)."""
    return {
        "kind": "recording",
        "sha256": recording.sha256,
        "importer": recording.importer,
        "importer_version": recording.importer_version,
        "mapping": dict(recording.mapping),
        "interval": interval,
        "rows": recording.rows,
        "seconds": recording.seconds,
        "channels": {
            n: {
                "unit": c.unit,
                "samples": len(c.values),
                "interval_s": c.interval_s if c.interval_s == c.interval_s else None,
                "resolution": c.resolution,
                "skew_s": c.skew_s,
            }
            for n, c in recording.channels.items()
        },
        "repairs": list(recording.repairs),
        "sketch": list(sketch(recording)),
        "tables": {name: tables.table_hash(name) for name in tables_used(recording.importer)},
    }


def reimport(journal: Any, evidence: Any) -> list[Recording]:
    """The recordings of a stored visit's evidence."""
    return [
        import_kept(
            journal,
            item["sha256"],
            "earlier recording",
            item["mapping"],
            item.get("interval", ""),
        )
        for item in evidence or ()
        if item.get("kind") == "recording"
    ]
