"""A store as one file, and a store again out of that file.

    store ─copy of one moment, evidence─→ backup.zip ─every hash and chain checked─→ new store

A backup is a plain ZIP archive, so that it can be looked into without this program:

    manifest.json             what is in it, with the SHA-256 of every member
    keysback.sqlite3          the database, as of one moment
    evidence/ab/ab12…         the pieces of evidence, as in the store

Jobs go on while it is made: the database is copied under a lock that only writers feel, for as
long as the copying takes, and evidence never changes once it has its name. It was put there before
the entry that names it, so the evidence copied after the database holds all that was named. What is
being made lies in a folder `.keysback-part-…` beside its place, and gets its name when it is
complete, on disk, and has been read again. So a killed program leaves such a folder and nothing
else.

Not in it: private keys, which are not the store's, and copies of the database in older shapes.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, BinaryIO

from verify.errors import UserError
from verify.job.backup_place import (
    check_empty,
    check_place,
    check_space,
    damaged,
    problem,
    room,
    there,
    told,
)
from verify.job.disk import flush_folder, is_sha256, make_folder
from verify.job.hidden import digests_in, evidence_in
from verify.job.journal import DATABASE, SqliteJournal

if TYPE_CHECKING:
    import zipfile

FORMAT = 1
MANIFEST = "manifest.json"
_CHUNK_BYTES = 1 << 20
_MOST_MANIFEST_BYTES = 256 << 20


@dataclass(frozen=True, slots=True)
class Kept:
    """What a backup holds.

    made: time as in entries. evidence: pieces; size: bytes of all members, unpacked. damaged:
    pieces that are no longer what their name says, and were left out; absent: how many pieces the
    jobs name that the store did not have (erased on request, or lost).
    """

    made: str
    jobs: int
    entries: int
    evidence: int
    size: int
    damaged: tuple[str, ...] = ()
    absent: int = 0


def make_backup(store: str, target: str, *, time: str) -> Kept:
    """Writes `target`, which must not be there yet.

    Raises UserError, and then neither wrote `target` nor changed the store, where the store is
    damaged or not there, the place cannot be written, or something is in its place.
    """
    target = os.path.abspath(target)
    folder = os.path.dirname(target)
    check_place(store, target, folder)
    with SqliteJournal(store, readonly=True) as journal, room(folder, target) as made:
        copy = os.path.join(made, DATABASE)
        journal.copy_database(copy)
        with SqliteJournal(made, readonly=True) as copied:
            jobs, entries, named = check_store(copied)
        part = os.path.join(made, "backup.zip")
        with told(target):
            kept = _write(part, copy, journal, Kept(time, jobs, entries, 0, 0), named)
            if _read_through(part, None) != kept:
                raise damaged(target, "what was written is not what was read again")
            _name_it(part, target)
    return kept


def restore_backup(file: str, store: str) -> Kept:
    """Makes the store `store` of a backup; it appears there whole, or not at all.

    Raises UserError where something is in its place already, or where any byte, hash or chain of
    the backup does not hold.
    """
    store = os.path.abspath(store)
    folder = os.path.dirname(store)
    if not os.path.isfile(file):
        raise problem(file, "no such file", "a backup", "check the name")
    check_empty(store)
    with told(folder):
        make_folder(folder)
    with room(folder, store) as beside:
        made = os.path.join(beside, "store")
        with told(store):
            os.mkdir(made, 0o700)
            kept = _read_through(file, made)
            _check_restored(file, made, kept)
            check_empty(store)
            if os.name != "posix" and os.path.isdir(store):
                os.rmdir(store)
            os.rename(made, store)
            flush_folder(folder)
    return kept


def check_store(journal: SqliteJournal) -> tuple[int, int, frozenset[str]]:
    """Reads everything of a store but its evidence: (jobs, entries, evidence it names).

    Raises UserError where a chain, an edition or a personal value does not hold.
    """
    jobs = journal.jobs()
    count, named, editions = 0, set[str](), set[str]()
    for row in jobs:
        entries = journal.entries(str(row["job"]))
        count += len(entries)
        named |= evidence_in(entries)
        for digest, field in digests_in(entries).items():
            value = journal.private(digest)
            if field == "photo" and value is not None and is_sha256(value):
                named.add(value)
        editions |= {str(e.body["edition"]) for e in entries if e.kind == "opened"}
    for edition in editions:
        journal.edition(edition)
    return len(jobs), count, frozenset(named)


# Writing


def _write(part: str, copy: str, journal: SqliteJournal, kept: Kept, named: frozenset[str]) -> Kept:
    import zipfile

    members: dict[str, dict[str, Any]] = {}
    damaged: list[str] = []
    descriptor = os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w+b") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            with open(copy, "rb") as stream:
                members[DATABASE] = _add(archive, DATABASE, stream, kept.made)
            for sha256 in journal.evidence_names():
                try:
                    stream = journal.open_evidence(sha256)  # type: ignore[assignment]
                except UserError:
                    # Gone since (a customer was forgotten meanwhile), or damaged. The rest must
                    # be kept all the more.
                    if journal.has_evidence(sha256):
                        damaged.append(sha256)
                    continue
                with stream:
                    name = member_of(sha256)
                    members[name] = _add(archive, name, stream, kept.made)
            kept = replace(
                kept,
                evidence=len(members) - 1,
                size=sum(int(m["bytes"]) for m in members.values()),
                damaged=tuple(damaged),
                absent=sum(member_of(s) not in members and s not in damaged for s in named),
            )
            manifest = {"keysback_backup": FORMAT, **asdict(kept), "members": members}
            text = json.dumps(manifest, indent=1, ensure_ascii=False)
            archive.writestr(_info(MANIFEST, kept.made), text)
        file.flush()
        os.fsync(file.fileno())
    return kept


def member_of(sha256: str) -> str:
    return f"evidence/{sha256[:2]}/{sha256}"


def _info(name: str, made: str) -> zipfile.ZipInfo:
    import zipfile

    info = zipfile.ZipInfo(name, _zip_time(made))
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o600 << 16
    return info


def _zip_time(made: str) -> tuple[int, int, int, int, int, int]:
    year, month, day = (int(made[a:b]) for a, b in ((0, 4), (5, 7), (8, 10)))
    hour, minute, second = (int(made[a:b]) for a, b in ((11, 13), (14, 16), (17, 19)))
    return max(1980, year), month, day, hour, minute, second


def _add(archive: zipfile.ZipFile, name: str, stream: BinaryIO, made: str) -> dict[str, str | int]:
    digest, size = hashlib.sha256(), 0
    with archive.open(_info(name, made), "w", force_zip64=True) as member:
        while chunk := stream.read(_CHUNK_BYTES):
            digest.update(chunk)
            size += len(chunk)
            member.write(chunk)
    return {"sha256": digest.hexdigest(), "bytes": size}


def _name_it(part: str, target: str) -> None:
    """Gives the finished file its name, never in the place of another."""
    try:
        os.link(part, target)
    except FileExistsError:
        raise there(target) from None
    except OSError:  # a file system without links, such as that of many sticks
        if os.path.lexists(target):
            raise there(target) from None
        os.rename(part, target)
    flush_folder(os.path.dirname(target))


# Reading


def _read_through(file: str, into: str | None) -> Kept:
    """Every member against the manifest; written below the folder `into` where one is given."""
    import zipfile
    import zlib

    try:
        with zipfile.ZipFile(file) as archive:
            manifest = _manifest(file, archive)
            kept = _kept(file, manifest)
            members: dict[str, Any] = manifest["members"]
            names = [item.filename for item in archive.infolist()]
            if sorted(names) != sorted([MANIFEST, *members]) or DATABASE not in members:
                raise damaged(file, "other members than its manifest names")
            if into is not None:
                check_space(into, kept.size)
            for name, stated in members.items():
                _take_out(file, archive, name, stated, into)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise damaged(file, str(error) or "it is cut off") from error
    except (KeyError, ValueError, TypeError, AttributeError, RecursionError) as error:
        raise damaged(file, f"a manifest that makes no sense: {error}") from error
    return kept


def _manifest(file: str, archive: zipfile.ZipFile) -> dict[str, Any]:
    names = [item.filename for item in archive.infolist()]
    if names.count(MANIFEST) != 1 or archive.getinfo(MANIFEST).file_size > _MOST_MANIFEST_BYTES:
        raise problem(
            file,
            "an archive without the manifest of a backup",
            "a backup that keysback made",
            "name the file that keysback backup wrote; nothing was changed",
        )
    with archive.open(MANIFEST) as stream:
        manifest = json.loads(stream.read(_MOST_MANIFEST_BYTES))
    number = manifest["keysback_backup"]
    if isinstance(number, int) and number > FORMAT:
        raise problem(
            file,
            f"a backup of a newer version ({number}; this keysback knows {FORMAT})",
            "a backup of this version or an older one",
            "install the newer keysback; nothing was changed",
        )
    if number != FORMAT:
        raise ValueError(f"format {number}")
    return dict(manifest)


def _kept(file: str, manifest: dict[str, Any]) -> Kept:
    numbers = [manifest[n] for n in ("jobs", "entries", "evidence", "size", "absent")]
    sizes = [m["bytes"] for m in manifest["members"].values()]
    if any(type(n) is not int or n < 0 for n in (*numbers, *sizes)) or sum(sizes) != numbers[3]:
        raise damaged(file, "a manifest that makes no sense")
    jobs, entries, evidence, size, absent = numbers
    left_out = tuple(map(str, manifest["damaged"]))
    return Kept(str(manifest["made"]), jobs, entries, evidence, size, left_out, absent)


def _take_out(
    file: str, archive: zipfile.ZipFile, name: str, stated: dict[str, Any], into: str | None
) -> None:
    sha256 = str(stated["sha256"])
    if name != DATABASE and (not is_sha256(sha256) or name != member_of(sha256)):
        raise damaged(file, f"a member {name}")
    out = None
    if into is not None:
        place = os.path.join(into, *name.split("/"))
        make_folder(os.path.dirname(place))
        out = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        digest, left = hashlib.sha256(), stated["bytes"]
        with archive.open(name) as stream:
            while chunk := stream.read(min(_CHUNK_BYTES, left + 1)):
                left -= len(chunk)
                if left < 0:
                    break
                digest.update(chunk)
                if out is not None:
                    _write_all(out, chunk)
        if left != 0 or digest.hexdigest() != sha256:
            raise damaged(file, f"{name} is not what the manifest says")
        if out is not None:
            os.fsync(out)
            flush_folder(os.path.dirname(place))
    finally:
        if out is not None:
            os.close(out)


def _write_all(descriptor: int, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def _check_restored(file: str, made: str, kept: Kept) -> None:
    try:
        with SqliteJournal(made, readonly=True) as journal:
            jobs, entries, _ = check_store(journal)
    except UserError as error:
        first = error.problems[0]
        newer = "newer" in first.next
        raise problem(
            file,
            f"a backup whose store does not hold: {first.found}",
            first.expected,
            first.next if newer else "take another backup; nothing was restored",
        ) from error
    if (jobs, entries) != (kept.jobs, kept.entries):
        raise damaged(file, f"{jobs} jobs with {entries} entries, not as its manifest says")
