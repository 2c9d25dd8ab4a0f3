"""The job file as a zip: written in one form only, so that a reader can refuse every other.

    member │ member │ … │ directory │ end │ text with the seal     (nothing may follow)

Each member is a plain zip member: no folders, links, extra fields, encryption or zip64, one fixed
time, members end to end in the order of the directory. Any zip program opens it. What
`jobfile_read` takes is built here and compared byte for byte, so that no trick has room to hide.

The seal is the SHA-256 of every byte before the zip's comment and stands in that comment, as text a
person can read (`unzip -z`), signed where the maker has a key.
"""

from __future__ import annotations

import hashlib
import re
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO

from verify.errors import Problem, UserError
from verify.job.canonical import canonical
from verify.job.jws import sign

if TYPE_CHECKING:
    from verify.job.jws import SigningKey

FORMAT = 1
CHUNK_BYTES = 1 << 20
STORED, DEFLATED = 0, 8
# Zip without its 64-bit extension ends here.
MOST_FILE_BYTES = 2**32 - 2
MOST_MEMBER_BYTES = 2**31
MOST_MEMBERS = 20_000
# A member that would unpack to a hundred times its size is stored as it is: so a reader may refuse
# such a ratio without ever refusing a file of ours. Small ones may; they hurt nobody.
MOST_RATIO = 100
RATIO_COUNTS_FROM_BYTES = 1 << 26

_LOCAL = struct.Struct("<4s5H3L2H")
_CENTRAL = struct.Struct("<4s6H3L5H2L")
_END = struct.Struct("<4s4H2LH")
END_BYTES = _END.size
LOCAL_BYTES = _LOCAL.size
CENTRAL_BYTES = _CENTRAL.size
_VERSION, _UNIX = 20, 3 << 8
_DATE = (1 << 5) | 1  # 1980-01-01, the first day zip knows: when it was made stands in the manifest
_MODE = 0o100644 << 16

Source = Callable[[], BinaryIO]


@dataclass(frozen=True, slots=True)
class Member:
    """Sizes in bytes; packed: as it lies in the file; offset: of its local header."""

    name: str
    method: int
    crc: int
    packed: int
    size: int
    offset: int

    @property
    def data_offset(self) -> int:
        return self.offset + LOCAL_BYTES + len(self.name)


@dataclass(frozen=True, slots=True)
class Listed:
    """A member as the manifest names it."""

    name: str
    size: int
    sha256: str

    def to_json(self) -> dict[str, str | int]:
        return {"name": self.name, "size": self.size, "sha256": self.sha256}


def local_header(m: Member) -> bytes:
    sizes = m.crc, m.packed, m.size, len(m.name), 0
    head = _LOCAL.pack(b"PK\x03\x04", _VERSION, 0, m.method, 0, _DATE, *sizes)
    return head + m.name.encode("ascii")


def central_header(m: Member) -> bytes:
    sizes = m.crc, m.packed, m.size, len(m.name), 0, 0, 0, 0, _MODE, m.offset
    made = _UNIX | _VERSION
    head = _CENTRAL.pack(b"PK\x01\x02", made, _VERSION, 0, m.method, 0, _DATE, *sizes)
    return head + m.name.encode("ascii")


def end_record(count: int, size: int, offset: int, comment: int) -> bytes:
    return _END.pack(b"PK\x05\x06", 0, 0, count, count, size, offset, comment)


# The text behind the last byte that is sealed

_COMMENT = re.compile(
    r"keysback job file, format (\d{1,6})\n"
    r"The SHA-256 of the (\d{1,10}) bytes before this text is\n"
    r"([0-9a-f]{64})\n"
    r"signed: (by nobody|[A-Za-z0-9_.-]{1,2000})\n"
)


@dataclass(frozen=True, slots=True)
class Seal:
    """sealed: how many bytes; jws: compact, "" where nobody signed."""

    format: int
    sealed: int
    sha256: str
    jws: str

    def text(self) -> str:
        return (
            f"keysback job file, format {self.format}\n"
            f"The SHA-256 of the {self.sealed} bytes before this text is\n"
            f"{self.sha256}\n"
            f"signed: {self.jws or 'by nobody'}\n"
        )

    def statement(self) -> dict[str, str | int]:
        """What is signed, as a JSON value."""
        return {"format": self.format, "sealed": self.sealed, "sha256": self.sha256}


def read_seal(text: str) -> Seal | None:
    """The inverse of `Seal.text`; None for any other text."""
    found = _COMMENT.fullmatch(text)
    if found is None:
        return None
    number, sealed, sha256, jws = found.groups()
    seal = Seal(int(number), int(sealed), sha256, "" if jws == "by nobody" else jws)
    return seal if seal.text() == text else None


def _sealed(sealed: int, sha256: str, key: SigningKey | None) -> Seal:
    bare = Seal(FORMAT, sealed, sha256, "")
    if key is None:
        return bare
    return Seal(FORMAT, sealed, sha256, sign(canonical(bare.statement()), key))


class JobFileWriter:
    """Writes members one after the other, each in constant memory, and at last the seal.

    target: empty, opened for writing and reading, seekable. The same members give the same bytes
    (with the same zlib).
    """

    def __init__(self, target: BinaryIO) -> None:
        self._target = target
        self._members: list[Member] = []
        self._end = 0

    def add(self, name: str, source: Source | bytes) -> Listed:
        """source: the bytes, or a function that opens them (it may be asked twice).

        Raises UserError where the file would become larger than plain zip can be.
        """
        made, sha256 = self._write(name, source, DEFLATED)
        if made.size > RATIO_COUNTS_FROM_BYTES and made.size > MOST_RATIO * made.packed:
            made, sha256 = self._write(name, source, STORED)
        self._members.append(made)
        self._end = made.data_offset + made.packed
        return Listed(name, made.size, sha256)

    def _write(self, name: str, source: Source | bytes, method: int) -> tuple[Member, str]:
        empty = Member(name, method, 0, 0, 0, self._end)
        digest, crc, size, packed = hashlib.sha256(), 0, 0, 0
        squeeze = zlib.compressobj(6, zlib.DEFLATED, -15) if method == DEFLATED else None
        target = self._target
        target.seek(self._end)
        target.truncate()
        target.write(local_header(empty))
        for chunk in _chunks(source):
            digest.update(chunk)
            crc = zlib.crc32(chunk, crc)
            size += len(chunk)
            out = chunk if squeeze is None else squeeze.compress(chunk)
            packed += target.write(out)
            if size > MOST_MEMBER_BYTES or self._end + packed > MOST_FILE_BYTES:
                raise _too_large(name)
        if squeeze is not None:
            packed += target.write(squeeze.flush())
        made = Member(name, method, crc, packed, size, self._end)
        target.seek(self._end)
        target.write(local_header(made))
        return made, digest.hexdigest()

    def finish(self, key: SigningKey | None) -> Seal:
        """The directory, the end and the seal, signed with `key` if there is one."""
        target, directory = self._target, b"".join(map(central_header, self._members))
        sealed = self._end + len(directory) + END_BYTES
        if sealed > MOST_FILE_BYTES or len(self._members) > MOST_MEMBERS:
            raise _too_large("the directory")
        # How long the text will be is sealed too; a signature is as long whatever it signs.
        length = len(_sealed(sealed, "0" * 64, key).text())
        target.seek(self._end)
        target.truncate()
        target.write(directory)
        target.write(end_record(len(self._members), len(directory), self._end, length))
        seal = _sealed(sealed, hash_of(target, sealed), key)
        target.seek(sealed)
        target.write(seal.text().encode("ascii"))
        target.flush()
        return seal


def hash_of(stream: BinaryIO, count: int) -> str:
    """SHA-256 of the first `count` bytes of a seekable stream."""
    digest = hashlib.sha256()
    stream.seek(0)
    while count > 0 and (chunk := stream.read(min(CHUNK_BYTES, count))):
        digest.update(chunk)
        count -= len(chunk)
    return digest.hexdigest()


def _chunks(source: Source | bytes) -> Iterator[bytes]:
    if isinstance(source, bytes):
        yield source
        return
    with source() as stream:
        while chunk := stream.read(CHUNK_BYTES):
            yield chunk


def _too_large(name: str) -> UserError:
    return UserError(
        Problem(
            found=f"more than a job file can hold, at {name}",
            expected="members of at most 2 GB, and 4 GB in all",
            next="leave the recordings out: --without-evidence (their hashes stay in the file)",
        )
    )
