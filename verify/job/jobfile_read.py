"""A job file opened by somebody who does not trust it: the strict reader. Pure over a stream.

Takes what `jobfile_zip` writes and nothing else; whatever differs is refused with one clear message
before anything is unpacked. Nothing is ever written to disk under a name from the file: a member is
handed out as chunks, and never more of it than its header says.
"""

from __future__ import annotations

import hashlib
import re
import struct
import tempfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from types import MappingProxyType
from typing import IO, BinaryIO, cast

from verify.errors import Problem, UserError
from verify.job.jobfile_zip import (
    CENTRAL_BYTES,
    CHUNK_BYTES,
    DEFLATED,
    END_BYTES,
    FORMAT,
    LOCAL_BYTES,
    MOST_MEMBER_BYTES,
    MOST_MEMBERS,
    MOST_RATIO,
    RATIO_COUNTS_FROM_BYTES,
    STORED,
    Member,
    Seal,
    central_header,
    end_record,
    hash_of,
    local_header,
    read_seal,
)

_CENTRAL = struct.Struct("<4s6H3L5H2L")
_LONGEST_COMMENT = 65_535
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}(/[A-Za-z0-9_-][A-Za-z0-9._-]{0,99})?")
_KEEP_IN_MEMORY_BYTES = 1 << 25
MOST_TOTAL_BYTES = 2**33


class Damaged(Exception):
    """A member that is not what its header says; the text completes "found …"."""


class JobFileReader:
    """The members of a job file by name, and its seal. stream: seekable, kept open by the caller.

    Raises UserError (and nothing else) where the file is not of the one form a job file has.
    """

    def __init__(self, stream: BinaryIO, source_name: str) -> None:
        self._stream, self._name = stream, source_name
        self.size = stream.seek(0, 2)
        end, comment = self._find_end()
        self.seal = self._seal(end, comment)
        self.members: Mapping[str, Member] = MappingProxyType(self._directory(end, len(comment)))

    def sealed_hash(self) -> str:
        """SHA-256 of the bytes that the seal speaks of."""
        return hash_of(self._stream, self.seal.sealed)

    # What the file is

    def _refuse(self, found: str, next: str = "") -> UserError:
        return UserError(
            Problem(
                file=self._name,
                found=found,
                expected="a job file as keysback writes it",
                next=next or "ask whoever gave you the file for it again, and do not rely on it",
            )
        )

    def _read(self, offset: int, count: int) -> bytes:
        self._stream.seek(offset)
        return self._stream.read(count)

    def _find_end(self) -> tuple[int, bytes]:
        """(place of the end record, the text behind it)."""
        if self._read(0, 4) != b"PK\x03\x04":
            what = "an empty file" if self.size == 0 else "a file that is no job file"
            raise self._refuse(what, "name a file that keysback jobfile wrote")
        start = max(0, self.size - END_BYTES - _LONGEST_COMMENT)
        tail = self._read(start, self.size - start)
        fitting = []
        place = tail.find(b"PK\x05\x06")
        while place >= 0:
            rest = len(tail) - place - END_BYTES
            if rest >= 0 and int.from_bytes(tail[place + 20 : place + 22], "little") == rest:
                fitting.append(place)
            place = tail.find(b"PK\x05\x06", place + 1)
        if len(fitting) != 1:
            raise self._refuse(
                "a file that was cut off, or continued, or changed at its end"
                if not fitting
                else "a zip with two ends"
            )
        return start + fitting[0], tail[fitting[0] + END_BYTES :]

    def _seal(self, end: int, comment: bytes) -> Seal:
        text = comment.decode("ascii", "replace")
        newer = re.match(r"keysback job file, format (\d{1,6})\n", text)
        if newer is not None and int(newer[1]) > FORMAT:
            raise self._refuse(
                f"a job file of a newer form ({newer[1]}; this keysback knows {FORMAT})",
                "install the newer keysback that wrote it",
            )
        seal = read_seal(text)
        if seal is None or seal.format != FORMAT:
            raise self._refuse("a zip without a seal, or with one that was changed")
        if seal.sealed != end + END_BYTES:
            raise self._refuse("a seal over another number of bytes than stand before it")
        return seal

    def _directory(self, end: int, comment: int) -> dict[str, Member]:
        record = self._read(end, END_BYTES)
        count, size, offset = struct.unpack_from("<H2L", record, 10)
        if count > MOST_MEMBERS:
            raise self._refuse(f"a zip with {count} members")
        if offset + size != end or record != end_record(count, size, offset, comment):
            raise self._refuse("a zip whose directory is not where it must be")
        text = self._read(offset, size)
        found: dict[str, Member] = {}
        place = expected_offset = total = 0
        for _ in range(count):
            if len(text) - place < CENTRAL_BYTES or text[place : place + 4] != b"PK\x01\x02":
                raise self._refuse("a zip whose directory was changed")
            member, length = self._member(text, place)
            if member.name in found:
                raise self._refuse(f"a zip with two members of one name, {member.name}")
            if member.offset != expected_offset:
                raise self._refuse(f"a zip with something hidden before {member.name}")
            header = self._read(member.offset, LOCAL_BYTES + len(member.name))
            if header != local_header(member):
                raise self._refuse(f"a zip that says two things of {member.name}")
            found[member.name] = member
            place += length
            total += member.size
            expected_offset = member.data_offset + member.packed
        if place != size or expected_offset != offset:
            raise self._refuse("a zip with something hidden before its directory")
        if total > MOST_TOTAL_BYTES:
            raise self._refuse(f"a zip that unpacks to {total / 1e9:.1f} GB")
        return found

    def _member(self, text: bytes, place: int) -> tuple[Member, int]:
        (_, _, _, flags, method, _, _, crc, packed, size, length, extra, more, _, _, mode, offset
         ) = _CENTRAL.unpack_from(text, place)  # fmt: skip
        raw = text[place + CENTRAL_BYTES : place + CENTRAL_BYTES + length]
        name = raw.decode("ascii", "replace")
        shown = name[:60]
        if flags & 1:
            raise self._refuse(f"a member that is encrypted, {shown}")
        if (mode >> 28) & 0xF == 0xA:
            raise self._refuse(f"a member that is a link, {shown}")
        if ".." in name or name.startswith(("/", "\\")) or "\\" in name or ":" in name:
            raise self._refuse(f"a member whose name leads elsewhere, {shown}")
        if not _NAME.fullmatch(name):
            raise self._refuse(f"a member of a name that no job file has, {shown}")
        if method not in (STORED, DEFLATED):
            raise self._refuse(f"a member packed in another way, {shown}")
        if size > MOST_MEMBER_BYTES or (
            size > RATIO_COUNTS_FROM_BYTES and size > MOST_RATIO * packed
        ):
            raise self._refuse(f"a member that would unpack from {packed} to {size} bytes, {shown}")
        member = Member(name, method, crc, packed, size, offset)
        header = central_header(member)
        if extra or more or text[place : place + len(header)] != header:
            raise self._refuse(f"a member written by another program, {shown}")
        return member, len(header)

    # What is in it

    def chunks(self, name: str) -> Iterator[bytes]:
        """The bytes of a member, in pieces of at most a megabyte or so.

        Raises Damaged, before more comes out than the header says, and where anything else than
        the header says is found.
        """
        member = self.members[name]
        count, crc = 0, 0
        for chunk in self._unpacked(member):
            count += len(chunk)
            if count > member.size:
                raise Damaged("a member that unpacks to more than it says")
            crc = zlib.crc32(chunk, crc)
            yield chunk
        if count != member.size or crc != member.crc:
            raise Damaged("a member that was changed")

    def _unpacked(self, member: Member) -> Iterator[bytes]:
        place, left = member.data_offset, member.packed
        grow = zlib.decompressobj(-15) if member.method == DEFLATED else None
        while left:
            packed = self._read(place, min(CHUNK_BYTES, left))
            if not packed:
                raise Damaged("a member that was cut off")
            place, left = place + len(packed), left - len(packed)
            if grow is None:
                yield packed
                continue
            while packed:
                try:
                    out = grow.decompress(packed, CHUNK_BYTES)
                except zlib.error:
                    raise Damaged("a member that cannot be unpacked") from None
                packed = grow.unconsumed_tail
                if out:
                    yield out
                if grow.eof and (grow.unused_data or left):
                    raise Damaged("a member with something hidden behind its end")
                if not out and not packed:
                    break
        if grow is not None:
            # A full piece may leave more behind than the input that is left over.
            while not grow.eof:
                try:
                    out = grow.decompress(b"", CHUNK_BYTES)
                except zlib.error:
                    raise Damaged("a member that cannot be unpacked") from None
                if not out:
                    raise Damaged("a member that was cut off")
                yield out

    def bytes_of(self, name: str, most: int) -> bytes:
        """A whole member. Raises Damaged, also where it is larger than `most` bytes."""
        if self.members[name].size > most:
            raise Damaged(f"a member of more than {most // 1_000_000} MB")
        return b"".join(self.chunks(name))

    def hash(self, name: str) -> str:
        """SHA-256 of a member. Raises Damaged."""
        digest = hashlib.sha256()
        for chunk in self.chunks(name):
            digest.update(chunk)
        return digest.hexdigest()

    @contextmanager
    def opened(self, name: str) -> Iterator[BinaryIO]:
        """A member as a seekable stream, in memory or, if large, in a file without a name that is
        gone when this ends. Raises Damaged."""
        with tempfile.SpooledTemporaryFile(max_size=_KEEP_IN_MEMORY_BYTES) as kept:
            for chunk in self.chunks(name):
                kept.write(chunk)
            kept.seek(0)
            yield cast(BinaryIO, cast(IO[bytes], kept))
