"""What an importer is, and the one door through which a file becomes a `Recording`.

Takes an open binary stream and the source's name; opening the file is the caller's. Whatever is no
recording is refused here, with what it looks like and what would do. A new format is a new file
beside this one and one more entry in `importers()`.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Mapping
from typing import BinaryIO, Protocol

from verify.errors import Problem, UserError
from verify.evidence.channels import Proposal
from verify.evidence.recording import Recording
from verify.values import dataclass

HEAD_BYTES = 256 * 1024
MOST_BYTES = 2 * 1024**3
MOST_COLUMNS = 2000
MOST_ROWS = 20_000_000

WANTED = (
    "a table (CSV or Parquet) with one header line, a time column and one or more channels, "
    "events as JSON lines, an MDF 4 file, a bus log with standard diagnostic answers, or a sound"
)


@dataclass(frozen=True, slots=True)
class Layout:
    """What a file's columns seem to be, for a front end that asks a person about the rest.

    key: under which a mapping can be remembered for files of this layout.
    proposals: one a column (or a signal, where rows name their signal).
    has_time: False where somebody must say the interval between rows.
    sound: whether it is a sound, of which something else is told than what its columns are.
    """

    key: str
    proposals: tuple[Proposal, ...]
    has_time: bool
    sound: bool = False


class Importer(Protocol):
    """One file format."""

    name: str
    version: int

    def accepts(self, head: bytes) -> bool:
        """Whether a file that begins with these bytes may be of this format."""

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        """What the columns seem to be. Raises UserError where the file is no recording."""

    def read(
        self,
        stream: BinaryIO,
        source_name: str,
        *,
        mapping: Mapping[str, str] | None = None,
        interval_s: float | None = None,
    ) -> Recording:
        """The recording. The stream is seekable and stands at its start.

        mapping: header → channel, "channel unit", "(time)", "(time) unit" or "-"; wins over what
            the header says. "(time)" → "every 0.5 s, told" is the interval of a file without time.
        interval_s: the same interval, as a number.
        Raises UserError (and nothing else) for whatever the file holds.
        """


def importers() -> tuple[Importer, ...]:
    """The known formats, in the order in which they are tried."""
    return tuple(make() for _, make in _KNOWN)


def _parquet() -> Importer:
    from verify.evidence.importers.parquet import ParquetImporter

    return ParquetImporter()


def _mdf() -> Importer:
    from verify.evidence.importers.mdf import MdfImporter

    return MdfImporter()


def _can_blf() -> Importer:
    from verify.evidence.importers.can_import import CanBlfImporter

    return CanBlfImporter()


def _can_text() -> Importer:
    from verify.evidence.importers.can_import import CanTextImporter

    return CanTextImporter()


def _sound() -> Importer:
    from verify.evidence.importers.sound import SoundImporter

    return SoundImporter()


def _json_lines() -> Importer:
    from verify.evidence.importers.json_lines import JsonLinesImporter

    return JsonLinesImporter()


def _csv() -> Importer:
    from verify.evidence.importers.csv_table import CsvImporter

    return CsvImporter()


def _may_be_bus_log(head: bytes) -> bool:
    """Whether it is worth asking the reader of bus logs: no such log goes without one of these."""
    if _BUS_SIGNS.search(head[:HEAD_BYTES]) is not None:
        return True
    first = head.split(b"\n", 1)[0].lower()
    return b"id" in first and any(word in first for word in (b"data", b"payload", b"bytes"))


_BUS_SIGNS = re.compile(rb"\$FILEVERSION=|^\s*base\s|^\s*\(\d", re.I | re.M)

# (whether it is worth loading for this head, how it is made): a reader that is not asked is not
# loaded. What the first says no to, the importer's own `accepts` would refuse.
_KNOWN: tuple[tuple[Callable[[bytes], bool], Callable[[], Importer]], ...] = (
    (lambda head: head.startswith(b"PAR1"), _parquet),
    (lambda head: head.startswith((b"MDF ", b"UnFinMF ")), _mdf),
    (lambda head: head.startswith(b"LOGG"), _can_blf),
    (lambda head: not is_text(head[:64]), _sound),
    (_may_be_bus_log, _can_text),
    (lambda head: b"{" in head, _json_lines),
    (lambda _head: True, _csv),
)

_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"PK\x03\x04", "a spreadsheet or another ZIP archive"),
    (b"PK\x05\x06", "an empty ZIP archive"),
    (b"\xd0\xcf\x11\xe0", "an old office document"),
    (b"\x1f\x8b", "a compressed file (gzip)"),
    (b"BZh", "a compressed file (bzip2)"),
    (b"\xfd7zXZ", "a compressed file (xz)"),
    (b"7z\xbc\xaf", "a compressed file (7z)"),
    (b"MDF     ", "a bus log in MDF format"),
    (b"UnFinMF ", "a bus log in MDF format that was never finished"),
    (b"LOGG", "a bus log in BLF format"),
    (b"SQLite format 3\x00", "a database"),
    (b"PAR1", "a Parquet file"),
    (b"RIFF", "a sound or video file"),
    (b"OggS", "a sound file"),
    (b"fLaC", "a sound file"),
    (b"ID3", "a sound file"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"{\\rtf", "a text document"),
)
_TEXTS: tuple[tuple[re.Pattern[bytes], str], ...] = (
    (re.compile(rb"\s*[\[{]\s*[\"{\[\]}\d]"), "JSON data"),
    (re.compile(rb"\s*<(\?xml|!doctype|html|[a-z]+[\s>])", re.I), "an XML or HTML page"),
    (re.compile(rb"\s*\(\d+\.\d+\)\s+\S+\s+[0-9A-Fa-f]+#"), "a bus log as text (raw frames)"),
    (re.compile(rb";\$FILEVERSION="), "a bus log as text (raw frames)"),
    (re.compile(rb"date [A-Z][a-z]{2} .*\r?\nbase "), "a bus log as text (raw frames)"),
)  # fmt: skip


def tables_used(importer: str) -> tuple[str, ...]:
    """The packaged tables that decide what an importer makes of a file, by the importer's name."""
    if importer == "sound":
        return ()  # its channels are no columns that a table could know
    decodes = importer in ("can-text", "can-blf", "mdf")
    return ("seeds/channels.csv", "seeds/parameters.csv") if decodes else ("seeds/channels.csv",)


def refusal(found: str, source_name: str, *, expected: str = WANTED, next: str = "") -> UserError:
    """The one way in which an importer says no."""
    advice = next or "export the recording from the logger as CSV"
    return UserError(Problem(found=found, expected=expected, next=advice, file=source_name))


def missing_extra(extra: str, what: str, source_name: str) -> UserError:
    """Where the library for a format is not installed."""
    return refusal(
        f"{what}, and the library that reads it is not installed",
        source_name,
        expected=f"the optional part “{extra}” of this program",
        next=f"run: pip install keysback[{extra}]",
    )


def looks_like(head: bytes) -> str:
    """What the first bytes show, where that is no table; "" otherwise."""
    if not head:
        return "an empty file"
    for magic, what in _MAGIC:
        if head.startswith(magic) and not (magic in (b"MZ", b"ID3") and is_text(head)):
            return what
    bare = head[3:] if head.startswith(b"\xef\xbb\xbf") else head
    for pattern, what in _TEXTS:
        if pattern.match(bare):
            return what
    if not bare.strip():
        return "a file with nothing but blanks"
    if head[:2] in (b"\xff\xfe", b"\xfe\xff") or _utf16_order(head):
        return ""
    return "" if is_text(head) else "binary data"


def is_text(head: bytes) -> bool:
    """Whether these bytes may be plain text: no zeros, next to no control characters."""
    if b"\x00" in head:
        return False
    odd = sum(head.count(bytes([b])) for b in range(32) if b not in (9, 10, 12, 13))
    return odd <= len(head) // 1000


def _utf16_order(head: bytes) -> str:
    """ "le" or "be" where the bytes look like UTF-16 without its mark, else ""."""
    sample = head[:4096]
    if len(sample) < 8:
        return ""
    even, odd = sample[0::2], sample[1::2]
    for zeros, text, order in ((odd, even, "le"), (even, odd, "be")):
        if zeros.count(0) > 0.7 * len(zeros) and text.count(0) == 0:
            return order
    return ""


def _opened(stream: BinaryIO, source_name: str) -> tuple[BinaryIO, bytes]:
    """A seekable stream at its start, and its first bytes. Raises UserError where far too big."""
    if not stream.seekable():
        stream = io.BytesIO(stream.read(MOST_BYTES + 1))
    size = stream.seek(0, io.SEEK_END)
    stream.seek(0)
    if size > MOST_BYTES:
        raise refusal(
            f"a file of {size / 1e9:.1f} GB",
            source_name,
            expected=f"at most {MOST_BYTES / 1e9:.1f} GB",
            next="cut the recording into parts, or export fewer channels",
        )
    head = stream.read(HEAD_BYTES)
    stream.seek(0)
    return stream, head


def _importer_for(head: bytes, source_name: str) -> Importer:
    for may_be, make in _KNOWN:
        if may_be(head) and (importer := make()).accepts(head):
            return importer
    raise refusal(looks_like(head) or "a file of no known format", source_name)


def look(stream: BinaryIO, source_name: str) -> Layout:
    """What the columns of a file seem to be. Raises UserError where it is no recording."""
    stream, head = _opened(stream, source_name)
    return _importer_for(head, source_name).look(stream, source_name)


def read_recording(
    stream: BinaryIO,
    source_name: str,
    *,
    mapping: Mapping[str, str] | None = None,
    interval_s: float | None = None,
) -> Recording:
    """Reads any known format. Arguments and errors as `Importer.read`.

    A recording's own `mapping`, passed in again, gives the same channels.
    """
    if interval_s is not None and not 0 < interval_s <= 3600:
        raise UserError(
            Problem(
                found=f"an interval of {interval_s:g} s",
                expected="more than 0 s and at most 3600 s",
                next="give the time between two rows in seconds",
            )
        )
    stream, head = _opened(stream, source_name)
    importer = _importer_for(head, source_name)
    return importer.read(stream, source_name, mapping=mapping, interval_s=interval_s)
