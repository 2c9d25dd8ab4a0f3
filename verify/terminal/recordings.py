"""From a file on disk to a recording that is kept: the shell around the importers.

The bytes go into the store first and are read back from there, so what was judged is what is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

from verify import tables
from verify.errors import Problem, UserError
from verify.evidence.importers.port import Layout, look, read_recording
from verify.evidence.recording import Recording
from verify.quantity import parse


def open_file(path: str) -> BinaryIO:
    """Raises UserError naming the file."""
    try:
        return Path(path).expanduser().open("rb")
    except OSError as error:
        raise UserError(
            Problem(
                found=f"a file that cannot be opened ({error.strerror})",
                expected="a readable recording",
                next="check the path; a file can be dragged into the terminal",
                file=path,
            )
        ) from None


def keep(journal: Any, path: str) -> str:
    """Puts a file into the store. Returns its SHA-256."""
    with open_file(path) as stream:
        return str(journal.put_evidence(stream))


def layout_of(journal: Any, sha256: str, name: str) -> Layout:
    with journal.open_evidence(sha256) as stream:
        return look(stream, name)


def import_kept(
    journal: Any, sha256: str, name: str, mapping: Mapping[str, str] | None, interval: str = ""
) -> Recording:
    """The recording behind a kept file. interval: "0.5 s" where the file has no time column."""
    interval_s = float(parse(interval, expect="s").to("s").value) if interval else None
    with journal.open_evidence(sha256) as stream:
        return read_recording(stream, name, mapping=mapping or None, interval_s=interval_s)


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
            }
            for n, c in recording.channels.items()
        },
        "repairs": list(recording.repairs),
        "tables": {"seeds/channels.csv": tables.table_hash("seeds/channels.csv")},
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
