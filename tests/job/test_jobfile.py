"""The job file: what is in it, how it is written, and that the reader takes nothing else."""

from __future__ import annotations

import hashlib
import io
import random
import struct
import tracemalloc
import zipfile
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.job.jobfiles import KEY, audited, file_of, forged, members, refused, whole_job
from verify.errors import UserError
from verify.job import bodies
from verify.job.audit_shape import read_entries
from verify.job.canonical import canonical, parse
from verify.job.entry import hide, verify_chain
from verify.job.jobfile_read import Damaged, JobFileReader
from verify.job.jobfile_zip import (
    JobFileWriter,
    Member,
    Seal,
    central_header,
    end_record,
    local_header,
    read_seal,
)
from verify.job.jws import verify
from verify.terminal.desk import Desk, Secrets


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return whole_job(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def data(desk: Desk) -> bytes:
    return file_of(desk)


def test_the_members_are_these_in_this_order(data: bytes, desk: Desk) -> None:
    csv = next(iter(desk.journal._evidence))  # type: ignore[attr-defined]
    assert list(members(data)) == [
        "HOW-TO-CHECK.txt",
        "journal.jsonl",
        "edition.json",
        f"evidence/{csv}",
        "keys.json",
        f"keys/{KEY.kid}.pem",
        "signatures/15.jws",
        "signatures/20.jws",
        "SHA256SUMS",
        "manifest.json",
        "manifest.jws",
    ]


def test_the_same_job_gives_the_same_bytes(data: bytes, desk: Desk) -> None:
    assert file_of(desk) == data


def test_the_journal_comes_back_entry_by_entry(data: bytes, desk: Desk) -> None:
    entries = read_entries(members(data)["journal.jsonl"])
    assert entries == desk.session().history
    verify_chain(entries)


def test_no_name_plate_picture_or_free_word_is_in_it(data: bytes) -> None:
    everything = b"".join(members(data).values())
    for word in (b"Kim", b"hunts", b"mistyped", b"hurry", b"idle-750.csv"):
        assert word not in everything


def test_the_manifest_names_every_member_and_is_what_is_signed(data: bytes) -> None:
    parts = members(data)
    manifest = parse(parts["manifest.json"])
    assert canonical(manifest) == parts["manifest.json"]
    named = {m["name"]: (m["size"], m["sha256"]) for m in manifest["members"]}
    assert named == {
        name: (len(text), hashlib.sha256(text).hexdigest())
        for name, text in parts.items()
        if not name.startswith("manifest")
    }
    assert verify(parts["manifest.jws"].decode().strip(), KEY.public) == parts["manifest.json"]


def test_the_seal_is_the_hash_of_all_bytes_before_it(data: bytes) -> None:
    seal = JobFileReader(io.BytesIO(data), "x").seal
    assert data[seal.sealed :].decode() == seal.text()
    assert hashlib.sha256(data[: seal.sealed]).hexdigest() == seal.sha256


@given(st.integers(1, 2**32), st.binary(min_size=32, max_size=32), st.sampled_from(["", "a.b.c"]))
def test_a_seal_is_read_as_it_is_written(sealed: int, digest: bytes, jws: str) -> None:
    seal = Seal(1, sealed, digest.hex(), jws)
    assert read_seal(seal.text()) == seal


def test_another_zip_program_reads_every_member(data: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(data)) as theirs:
        assert theirs.testzip() is None
        assert {i.filename: theirs.read(i) for i in theirs.infolist()} == members(data)


def test_evidence_that_was_erased_is_named_with_its_hash(tmp_path: Path) -> None:
    desk = whole_job(tmp_path)
    evidence = desk.journal._evidence  # type: ignore[attr-defined]
    (sha256,) = evidence
    desk.journal.erase_evidence([sha256])
    manifest = parse(members(file_of(desk))["manifest.json"])
    assert manifest["withheld"] == [{"sha256": sha256, "why": "erased"}]
    left_out = parse(members(file_of(whole_job(tmp_path), with_evidence=False))["manifest.json"])
    assert left_out["withheld"] == [{"sha256": sha256, "why": "left out"}]


class _Numbers(io.RawIOBase):
    """A large file that nobody holds in memory: pseudo-random rows of a table."""

    def __init__(self, size: int) -> None:
        rng = random.Random(5)
        self._rows = b"".join(b"%d,%d,0,90\n" % (i, rng.randrange(600, 900)) for i in range(9000))
        self._left = size

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        out = (self._rows * (size // len(self._rows) + 1))[: min(size, self._left)]
        self._left -= len(out)
        return out


def test_large_evidence_is_written_and_read_in_constant_memory(tmp_path: Path) -> None:
    size = 60_000_000
    tracemalloc.start()
    with (tmp_path / "large.zip").open("w+b") as target:
        writer = JobFileWriter(target)
        listed = writer.add("evidence/" + "0" * 64, lambda: _Numbers(size))  # type: ignore[arg-type,return-value]
        writer.finish(None)
        reader = JobFileReader(target, "large.zip")
        assert reader.hash(listed.name) == listed.sha256
        assert reader.sealed_hash() == reader.seal.sha256
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert listed.size == size
    assert peak < 16_000_000


def test_a_file_is_hardly_larger_than_its_compressed_evidence(tmp_path: Path) -> None:
    desk = whole_job(tmp_path)
    data = file_of(desk)
    evidence = desk.journal._evidence.values()  # type: ignore[attr-defined]
    assert len(data) <= 1.1 * sum(len(zlib.compress(e, 6)) for e in evidence) + 1_000_000


def test_what_would_look_like_a_bomb_is_stored_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("verify.job.jobfile_zip.RATIO_COUNTS_FROM_BYTES", 1000)
    target = io.BytesIO()
    writer = JobFileWriter(target)
    writer.add("a", bytes(100_000))
    writer.add("b", b"after")
    writer.finish(None)
    reader = JobFileReader(target, "x")
    assert reader.members["a"].packed == reader.members["a"].size == 100_000
    assert reader.hash("a") == hashlib.sha256(bytes(100_000)).hexdigest()
    assert b"".join(reader.chunks("b")) == b"after"


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(max_size=300), min_size=1, max_size=6), st.booleans())
def test_whatever_is_put_in_comes_out(contents: list[bytes], signed: bool) -> None:
    target = io.BytesIO()
    writer = JobFileWriter(target)
    for number, content in enumerate(contents):
        writer.add(f"m{number}", content)
    seal = writer.finish(KEY if signed else None)
    reader = JobFileReader(io.BytesIO(target.getvalue()), "x")
    assert reader.seal == seal
    assert reader.sealed_hash() == seal.sha256
    assert [b"".join(reader.chunks(f"m{n}")) for n in range(len(contents))] == contents


# What the reader refuses


def raw(*parts: tuple[Member, bytes], twist: bytes = b"") -> bytes:
    """A zip with these headers and data, whatever they claim, and a seal that fits."""
    body = b"".join(local_header(m) + data for m, data in parts) + twist
    directory = b"".join(central_header(m) for m, _ in parts)
    return sealed(body, directory, len(parts))


def sealed(body: bytes, directory: bytes, count: int) -> bytes:
    size = len(body) + len(directory) + 22
    length = len(Seal(1, size, "0" * 64, "").text())
    start = body + directory + end_record(count, len(directory), len(body), length)
    return start + Seal(1, size, hashlib.sha256(start).hexdigest(), "").text().encode()


def packed(data: bytes) -> bytes:
    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    return squeeze.compress(data) + squeeze.flush()


def member(name: str, data: bytes, **over: int) -> tuple[Member, bytes]:
    small = packed(data)
    values = {"method": 8, "crc": zlib.crc32(data), "packed": len(small), "size": len(data)}
    values |= {"offset": 0} | over
    return Member(name, **values), small


def test_the_workshop_of_these_tests_makes_files_that_are_read() -> None:
    reader = JobFileReader(io.BytesIO(raw(member("a", b"hello"))), "x")
    assert b"".join(reader.chunks("a")) == b"hello"


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("../../etc/cron", "a member whose name leads elsewhere"),
        ("/etc/passwd", "a member whose name leads elsewhere"),
        ("C:/a", "a member whose name leads elsewhere"),
        ("a\\..\\b", "a member whose name leads elsewhere"),
        ("evidence/..", "a member whose name leads elsewhere"),
        ("a/b/c", "a member of a name that no job file has"),
        ("-rf", "a member of a name that no job file has"),
        (".hidden", "a member of a name that no job file has"),
        ("a\n", "a member of a name that no job file has"),
        ("folder/", "a member of a name that no job file has"),
        ("", "a member of a name that no job file has"),
    ],
)
def test_names_that_lead_out_of_the_folder_are_refused(name: str, found: str) -> None:
    assert refused(raw(member(name, b"x"))).startswith(found)


def test_two_members_of_one_name_are_refused() -> None:
    first = member("a", b"one")
    second = member("a", b"two", offset=len(local_header(first[0])) + len(first[1]))
    assert refused(raw(first, second)) == "a zip with two members of one name, a"


def patched(data: bytes, offset: int, form: str, value: int) -> bytes:
    """The central header of the only member with one field changed, sealed again."""
    place = data.index(b"PK\x01\x02")
    end = data.index(b"PK\x05\x06")
    directory = bytearray(data[place:end])
    struct.pack_into(form, directory, offset, value)
    return sealed(data[:place], bytes(directory), 1)


@pytest.mark.parametrize(
    ("offset", "form", "value", "found"),
    [
        (8, "<H", 1, "a member that is encrypted, a"),
        (38, "<L", 0o120777 << 16, "a member that is a link, a"),
        (38, "<L", 0o040755 << 16, "a member written by another program, a"),
        (10, "<H", 12, "a member packed in another way, a"),
        (8, "<H", 8, "a member written by another program, a"),
        (12, "<H", 77, "a member written by another program, a"),
        (24, "<L", 0xFFFFFFFF, "a member that would unpack from 4 to 4294967295 bytes, a"),
        (24, "<L", 5, "a zip that says two things of a"),
        (42, "<L", 1, "a zip with something hidden before a"),
    ],
)
def test_headers_of_another_kind_are_refused(
    offset: int, form: str, value: int, found: str
) -> None:
    data = patched(raw(member("a", b"xx")), offset, form, value)
    assert refused(data) == found


def test_a_bomb_that_says_so_is_refused_before_anything_is_unpacked() -> None:
    bomb, small = member("a", bytes(200_000_000))
    assert len(small) < 200_000
    assert refused(raw((bomb, small))).startswith("a member that would unpack from 1")


def test_a_bomb_that_says_less_is_stopped_at_what_it_says() -> None:
    bomb, small = member("a", bytes(200_000_000), size=1000)
    reader = JobFileReader(io.BytesIO(raw((bomb, small))), "x")
    tracemalloc.start()
    with pytest.raises(Damaged, match="unpacks to more than it says"):
        reader.hash("a")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 8_000_000


def test_a_member_that_is_shorter_or_longer_than_it_says_is_damaged() -> None:
    one, data = member("a", b"hello there")
    for size, words in ((10, "more than it says"), (12, "was changed")):
        other = Member("a", 8, one.crc, one.packed, size, 0)
        with pytest.raises(Damaged, match=words):
            JobFileReader(io.BytesIO(raw((other, data))), "x").hash("a")
    longer = Member("a", 8, one.crc, one.packed + 4, one.size, 0)
    with pytest.raises(Damaged, match="hidden behind its end"):
        JobFileReader(io.BytesIO(raw((longer, data + b"more"))), "x").hash("a")


def test_bytes_hidden_between_members_or_before_the_directory_are_refused() -> None:
    assert "hidden before its directory" in refused(raw(member("a", b"x"), twist=b"secret"))


def test_a_zip_of_another_program_is_refused() -> None:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as theirs:
        theirs.writestr("journal.jsonl", "{}")
    assert refused(target.getvalue()) == "a zip without a seal, or with one that was changed"


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "an empty file"),
        (b"%PDF-1.7", "a file that is no job file"),
        (b"PK\x03\x04" + bytes(40), "a file that was cut off, or continued, or changed at its end"),
    ],
)
def test_what_is_no_job_file_is_refused(data: bytes, found: str) -> None:
    assert refused(data) == found


def test_a_file_of_a_newer_form_is_refused_with_what_to_do(data: bytes) -> None:
    newer = data.replace(b"keysback job file, format 1\n", b"keysback job file, format 2\n")
    assert refused(newer) == "a job file of a newer form (2; this keysback knows 1)"
    assert refused(forged(members(data), None, lambda m: m.update(format=2, new_field=[]))) == (
        "a job file of a newer form (2)"
    )


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_whatever_bytes_come_there_is_an_answer_and_no_traceback(
    data: bytes, draw: st.DataObject
) -> None:
    at = draw.draw(st.integers(0, len(data)))
    cut = draw.draw(st.integers(0, 2000))
    junk = draw.draw(st.binary(max_size=60))
    changed = data[:at] + junk + data[at + cut :]
    try:
        result = audited(changed, verdicts=False)
    except UserError:
        return
    assert bool(result.findings) == (changed != data)


def test_pictures_go_along_with_personal_values_and_never_without(tmp_path: Path) -> None:
    desk = whole_job(tmp_path)
    sha256 = desk.journal.put_evidence(io.BytesIO(b"\x89PNG\r\n\x1a\n of a number plate"))
    digest, kept = hide(sha256)
    apart = Secrets()
    apart.kept[digest] = kept
    desk.write("note", bodies.note_body(desk.live(), {"photo": digest}), apart)
    without = file_of(desk)
    assert sha256.encode() not in b"".join(members(without).values())
    asked = file_of(desk, personal={digest: kept})
    assert f"evidence/{sha256}" in members(asked)
    assert not audited(asked).findings
    desk.journal.erase_evidence([sha256])
    gone = audited(file_of(desk, personal={digest: kept}))
    assert not gone.findings
