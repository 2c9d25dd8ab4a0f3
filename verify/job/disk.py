"""Evidence files: one for each piece, named by the SHA-256 of its bytes.

    evidence/ab/ab12…     whole, or not there at all
    evidence/.part-…      being written, or left behind by a program that was killed

The part of the store that is plain files; `verify.job.journal` puts it beside the database.
"""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import BinaryIO

_CHUNK_BYTES = 1 << 20
_LEFTOVER_S = 86_400.0


@contextmanager
def refused(place: str) -> Iterator[None]:
    """Turns what the disk refuses inside into one clear UserError about `place`."""
    try:
        yield
    except OSError as error:
        from verify.job.refusals import refusal

        raise refusal(place, error) from error


def is_sha256(name: str) -> bool:
    return len(name) == 64 and set(name) <= set("0123456789abcdef")


class EvidenceFolder:
    """The methods of `verify.job.memory.Journal` that concern evidence, in a folder."""

    def __init__(self, root: str) -> None:
        self._root = root

    def _path(self, sha256: str) -> str:
        if not is_sha256(sha256):
            raise ValueError("evidence is named by its SHA-256")
        return os.path.join(self._root, sha256[:2], sha256)

    def put(self, stream: BinaryIO) -> str:
        """See `Journal`. The file has its name only when all its bytes are on disk."""
        import hashlib
        import tempfile

        with refused(self._root):
            make_folder(self._root)
            descriptor, part = tempfile.mkstemp(prefix=".part-", dir=self._root)  # mode 0600
        try:
            try:
                _sweep(self._root, os.fstat(descriptor).st_mtime)
                digest = hashlib.sha256()
                while chunk := stream.read(_CHUNK_BYTES):  # its errors are the caller's
                    digest.update(chunk)
                    with refused(self._root):
                        _write_all(descriptor, chunk)
                with refused(self._root):
                    os.fsync(descriptor)
            finally:
                os.close(descriptor)
            final = self._path(digest.hexdigest())
            with refused(self._root):
                make_folder(os.path.dirname(final))
                os.replace(part, final)
                flush_folder(os.path.dirname(final))
        except BaseException:
            with suppress(OSError):
                os.unlink(part)
            raise
        return digest.hexdigest()

    def open(self, sha256: str) -> BinaryIO:
        import hashlib

        from verify.job.memory import changed, missing

        path = self._path(sha256)
        with refused(self._root):
            try:
                stream = open(path, "rb")  # noqa: SIM115 - the caller closes it
            except FileNotFoundError:
                raise missing("evidence", sha256) from None
            try:
                digest = hashlib.sha256()
                while chunk := stream.read(_CHUNK_BYTES):
                    digest.update(chunk)
                if digest.hexdigest() != sha256:
                    raise changed("evidence", sha256)
                stream.seek(0)
            except BaseException:
                stream.close()
                raise
        return stream

    def has(self, sha256: str) -> bool:
        return os.path.isfile(self._path(sha256))

    def names(self, *, older_than_s: float = 0.0) -> tuple[str, ...]:
        """The SHA-256 of every whole file, in order; or of those put here at least so
        long ago."""
        found: dict[str, float] = {}
        with refused(self._root):
            folders = os.listdir(self._root) if os.path.isdir(self._root) else []
            for folder in folders:
                if len(folder) == 2:
                    with os.scandir(os.path.join(self._root, folder)) as items:
                        found |= {i.name: i.stat().st_mtime for i in items if is_sha256(i.name)}
        if not older_than_s:
            return tuple(sorted(found))
        now_s = self._now_s() if found else 0.0
        return tuple(sorted(n for n, at_s in found.items() if now_s - at_s >= older_than_s))

    def _now_s(self) -> float:
        """The file system's own time, so that no other clock can make a file look old."""
        import tempfile

        with refused(self._root), tempfile.TemporaryFile(dir=self._root) as file:
            return os.fstat(file.fileno()).st_mtime

    def erase(self, sha256: str) -> bool:
        """Whether there was something to erase."""
        path = self._path(sha256)
        with refused(self._root):
            if not os.path.isfile(path):
                return False
            os.unlink(path)
            flush_folder(os.path.dirname(path))
        return True


def make_folder(path: str) -> None:
    """A folder for its owner only, with those above it, on disk when this returns."""
    if os.path.isdir(path):
        return
    above = os.path.dirname(path)
    if above != path:
        make_folder(above)
    try:
        os.mkdir(path, 0o700)
    except FileExistsError:
        if not os.path.isdir(path):  # else another program was quicker
            raise
    flush_folder(above)


def flush_folder(path: str) -> None:
    """A name given, changed or taken in the folder is on disk when this returns."""
    if os.name != "posix":
        return  # folders cannot be opened there; the file system writes names through
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _write_all(descriptor: int, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def _sweep(folder: str, now_s: float) -> None:
    """Removes what programs killed long ago left half written.

    now_s: the file system's own time, so that no other clock can make a file look old.
    """
    with os.scandir(folder) as found:
        for item in found:
            if item.name.startswith(".part-") and now_s - item.stat().st_mtime > _LEFTOVER_S:
                os.unlink(item.path)
