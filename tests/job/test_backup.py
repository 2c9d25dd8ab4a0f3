"""A store as one file and back: whole or not at all, and every damage found."""

from __future__ import annotations

import hashlib
import io
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.contracts.journal import draft, fill, private_draft
from verify.errors import UserError
from verify.job import backup as module
from verify.job.backup import MANIFEST, Kept, make_backup, member_of, restore_backup
from verify.job.backup_place import PART
from verify.job.entry import GENESIS
from verify.job.journal import DATABASE, SqliteJournal

TIME = "2031-03-04T08:00:00.000Z"
PICTURE = b"\xff\xd8\xff a picture"


def recording(number: int) -> bytes:
    return b"time,rpm\n" + b"".join(b"%d,%d\n" % (i, 700 + number) for i in range(500))


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Three jobs, two recordings, a picture named by a personal value, an edition, a setting."""
    folder = tmp_path / "store"
    with SqliteJournal(folder) as journal:
        edition = b'{"id":"throttle"}'
        sha256 = hashlib.sha256(edition).hexdigest()
        journal.put_edition(sha256, edition)
        opened = {
            "flow": "f",
            "edition": sha256,
            "audience": "technician",
            "mode": "as-work",
            "units": "metric",
        }
        first = journal.append("j1", draft(kind="opened", body=opened), expected_head=GENESIS)
        pieces = [journal.put_evidence(io.BytesIO(recording(n))) for n in range(2)]
        body = {"step": "idle", "attempt": 1, "outcome": "done"}
        body["evidence"] = [{"kind": "recording", "sha256": p} for p in pieces]
        head = journal.append("j1", draft(2, body=body), expected_head=first.digest).digest
        wish, digest = private_draft(3, journal.put_evidence(io.BytesIO(PICTURE)))
        body = {"step": "photo", "attempt": 1, "outcome": "done", "private": {"photo": digest}}
        journal.append(
            "j1",
            draft(3, body=body, private=dict(wish.private)),
            expected_head=head,
            index={"a": 1},
        )
        fill(journal, "j2", range(1, 6))
        fill(journal, "j3", (1,))
        journal.put_setting("units", "us")
    return folder


def everything(store: Path) -> object:
    """All a store says."""
    with SqliteJournal(store, readonly=True) as journal:
        jobs = journal.jobs()
        pieces = []
        for name in journal.evidence_names():
            with journal.open_evidence(name) as stream:
                pieces.append(stream.read())
        return (
            jobs,
            [journal.entries(str(row["job"])) for row in jobs],
            journal.setting("units"),
            pieces,
        )


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def leftovers(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if p.name.startswith(PART)]


def rewritten(source: Path, target: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    """The same archive with other members; its manifest stays unless it is changed too."""
    with zipfile.ZipFile(source) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    with zipfile.ZipFile(target, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return target


def in_manifest(**changes: object) -> Callable[[dict[str, bytes]], None]:
    def change(members: dict[str, bytes]) -> None:
        members[MANIFEST] = json.dumps(json.loads(members[MANIFEST]) | changes).encode()

    return change


def test_what_comes_back_is_what_was_kept(store: Path, tmp_path: Path) -> None:
    before, said = tree(store), everything(store)
    kept = make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    assert (kept.jobs, kept.entries, kept.evidence) == (3, 9, 3)
    assert (kept.damaged, kept.absent, kept.made) == ((), 0, TIME)
    assert tree(store) == before
    again = tmp_path / "again" / "deeper"
    assert restore_backup(str(tmp_path / "b.zip"), str(again)) == kept
    assert everything(again) == said
    assert leftovers(tmp_path) == leftovers(again.parent) == []
    if os.name == "posix":
        assert (tmp_path / "b.zip").stat().st_mode & 0o777 == 0o600
        assert {p.stat().st_mode & 0o777 for p in again.rglob("*") if p.is_file()} == {0o600}
        assert again.stat().st_mode & 0o777 == 0o700
    with SqliteJournal(again) as journal:
        fill(journal, "j2", (6,))


def test_a_person_with_unzip_and_sha256sum_alone_can_check_it(store: Path, tmp_path: Path) -> None:
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    out = tmp_path / "out"
    shutil.unpack_archive(tmp_path / "b.zip", out)
    manifest = json.loads((out / MANIFEST).read_text())
    assert manifest["keysback_backup"] == 1
    for name, told in manifest["members"].items():
        sha256 = shutil.which("sha256sum")
        found = (
            subprocess.run([sha256, out / name], capture_output=True, text=True).stdout.split()[0]
            if sha256
            else hashlib.sha256((out / name).read_bytes()).hexdigest()
        )
        assert found == told["sha256"]
    assert set(tree(out)) == {MANIFEST, *manifest["members"]}


def test_an_empty_folder_may_become_the_store_and_a_full_one_never(
    store: Path, tmp_path: Path
) -> None:
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    empty = tmp_path / "empty"
    empty.mkdir()
    restore_backup(str(tmp_path / "b.zip"), str(empty))
    for taken in (store, empty):
        before = tree(taken)
        with pytest.raises(UserError, match="something in this place already"):
            restore_backup(str(tmp_path / "b.zip"), str(taken))
        assert tree(taken) == before
    a_file = tmp_path / "file"
    a_file.write_text("x")
    with pytest.raises(UserError, match="something in this place already"):
        restore_backup(str(tmp_path / "b.zip"), str(a_file))
    assert a_file.read_text() == "x"


def test_every_damage_of_a_backup_is_found_and_nothing_appears(store: Path, tmp_path: Path) -> None:
    """Single bytes, seeded. Bytes that carry nothing (times and modes in the archive's own lists)
    may change: then the store must come back the same."""
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    good, said = (tmp_path / "b.zip").read_bytes(), everything(store)
    chance, refused = random.Random(20310304), 0
    for number in range(200):
        at = chance.randrange(len(good))
        bad = tmp_path / "bad.zip"
        bad.write_bytes(good[:at] + bytes([good[at] ^ chance.randrange(1, 256)]) + good[at + 1 :])
        place = tmp_path / f"new-{number}"
        problems = 0
        try:
            restore_backup(str(bad), str(place))
        except UserError as error:
            problems = len(error.problems)
        refused += problems
        assert problems == 1 or everything(place) == said
        assert place.exists() is not bool(problems)
    assert refused > 170
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_a_backup_that_is_cut_off_is_refused(store: Path, tmp_path: Path, share: float) -> None:
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    good = (tmp_path / "b.zip").read_bytes()
    (tmp_path / "bad.zip").write_bytes(good[: int(len(good) * share)])
    with pytest.raises(UserError, match=r"damaged backup|without the manifest"):
        restore_backup(str(tmp_path / "bad.zip"), str(tmp_path / "new"))
    assert not (tmp_path / "new").exists()


def _escape(members: dict[str, bytes]) -> None:
    manifest = json.loads(members[MANIFEST])
    members["../escaped"] = b"x"
    sha256 = hashlib.sha256(b"x").hexdigest()
    manifest["members"]["../escaped"] = {"sha256": sha256, "bytes": 1}
    manifest["size"] += 1
    members[MANIFEST] = json.dumps(manifest).encode()


def _swap(members: dict[str, bytes]) -> None:
    first, second = [name for name in members if name.startswith("evidence/")][:2]
    members[first], members[second] = members[second], members[first]


def _less(members: dict[str, bytes]) -> None:
    del members[next(name for name in members if name.startswith("evidence/"))]


def _other_entry(members: dict[str, bytes]) -> None:
    """An entry changed by somebody who also mended the manifest: the chain still tells."""
    manifest = json.loads(members[MANIFEST])
    content = members[DATABASE].replace(b'"attempt":3', b'"attempt":4')
    assert content != members[DATABASE]
    members[DATABASE] = content
    manifest["members"][DATABASE]["sha256"] = hashlib.sha256(content).hexdigest()
    members[MANIFEST] = json.dumps(manifest).encode()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (in_manifest(keysback_backup=2), r"newer version \(2; this keysback knows 1\)"),
        (in_manifest(keysback_backup="x"), "makes no sense"),
        (in_manifest(jobs=4), "not as its manifest says"),
        (in_manifest(size=-1), "makes no sense"),
        (in_manifest(members=[]), "damaged backup"),
        (in_manifest(members={}), "damaged backup"),
        (lambda m: m.update({MANIFEST: b"[" * 100_000}), "damaged backup"),
        (lambda m: m.update({MANIFEST: b"\xff"}), "damaged backup"),
        (lambda m: m.update({"more": b"x"}), "other members"),
        (lambda m: m.pop(MANIFEST), "without the manifest"),
        (_escape, "a member ../escaped"),
        (_swap, "is not what the manifest says"),
        (_less, "other members"),
        (_other_entry, "entry 3 of job j2 changed"),
    ],
    ids=lambda v: getattr(v, "__qualname__", str(v)),
)
def test_a_backup_that_was_tampered_with_or_is_newer(
    store: Path, tmp_path: Path, change: Callable[[dict[str, bytes]], None], words: str
) -> None:
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    bad = rewritten(tmp_path / "b.zip", tmp_path / "bad.zip", change)
    with pytest.raises(UserError, match=words):
        restore_backup(str(bad), str(tmp_path / "new"))
    assert not (tmp_path / "new").exists()
    assert not (tmp_path / "escaped").exists()
    assert leftovers(tmp_path) == []


def test_doubled_names_and_bombs_are_refused(store: Path, tmp_path: Path) -> None:
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    doubled = tmp_path / "doubled.zip"
    shutil.copy(tmp_path / "b.zip", doubled)
    with zipfile.ZipFile(doubled, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr(DATABASE, b"another")
    with pytest.raises(UserError, match="other members"):
        restore_backup(str(doubled), str(tmp_path / "new"))

    def bomb(members: dict[str, bytes]) -> None:
        members[next(n for n in members if n.startswith("evidence/"))] = b"0" * (64 << 20)

    bad = rewritten(tmp_path / "b.zip", tmp_path / "bomb.zip", bomb)
    with pytest.raises(UserError, match="is not what the manifest says"):
        restore_backup(str(bad), str(tmp_path / "new"))


def test_a_store_of_a_newer_keysback_in_a_backup_says_so(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    monkeypatch.setattr("verify.job.store_file.VERSION", 1)
    with pytest.raises(UserError, match="newer version") as caught:
        restore_backup(str(tmp_path / "b.zip"), str(tmp_path / "new"))
    assert "install the newer keysback" in str(caught.value)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("old", sorted((Path(__file__).parent / "stores").glob("*")), ids=str)
def test_a_store_in_an_older_shape_is_kept_as_it_is(old: Path, tmp_path: Path) -> None:
    folder = tmp_path / "old"
    folder.mkdir()
    shutil.copy(old, folder / DATABASE)
    before = tree(folder)
    kept = make_backup(str(folder), str(tmp_path / "b.zip"), time=TIME)
    assert tree(folder) == before
    restore_backup(str(tmp_path / "b.zip"), str(tmp_path / "new"))
    with SqliteJournal(tmp_path / "new") as journal:
        assert len(journal.jobs()) == kept.jobs > 0


# A store that is not as it should be


def test_a_damaged_store_gives_no_backup(store: Path, tmp_path: Path) -> None:
    db = sqlite3.connect(store / DATABASE)
    db.execute("DROP TRIGGER entries_never_changed")
    db.execute("UPDATE entries SET person = 'p9' WHERE job = 'j2' AND seq = 2")
    db.commit()
    db.close()
    with pytest.raises(UserError, match="entry 2 of job j2 changed"):
        make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    assert [p.name for p in tmp_path.iterdir()] == ["store"]


def test_a_page_of_rubbish_gives_no_backup(store: Path, tmp_path: Path) -> None:
    content = bytearray((store / DATABASE).read_bytes())
    content[8192:12288] = b"\xa5" * 4096
    (store / DATABASE).write_bytes(content)
    with pytest.raises(UserError, match="damaged store"):
        make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    assert [p.name for p in tmp_path.iterdir()] == ["store"]


def test_damaged_evidence_is_left_out_and_named_and_the_rest_is_kept(
    store: Path, tmp_path: Path
) -> None:
    sha256 = hashlib.sha256(recording(0)).hexdigest()
    (store / member_of(sha256)).write_bytes(b"bit rot")
    gone = hashlib.sha256(PICTURE).hexdigest()
    (store / member_of(gone)).unlink()
    kept = make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    assert (kept.damaged, kept.absent, kept.evidence) == ((sha256,), 1, 1)
    assert restore_backup(str(tmp_path / "b.zip"), str(tmp_path / "new")) == kept
    with SqliteJournal(tmp_path / "new") as journal:
        assert not journal.has_evidence(sha256)
        assert journal.has_evidence(hashlib.sha256(recording(1)).hexdigest())


def test_evidence_that_changes_while_it_is_copied_gives_no_backup(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = module._add

    def slip(archive, name, stream, made):  # type: ignore[no-untyped-def]
        return whole(archive, name, io.BytesIO(b"x") if name != DATABASE else stream, made)

    monkeypatch.setattr(module, "_add", slip)
    with pytest.raises(UserError, match="damaged backup"):
        make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    assert [p.name for p in tmp_path.iterdir()] == ["store"]


# Places


def test_places_that_do_not_serve(store: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.zip"
    there.write_text("mine")
    for target, words in [
        (there, "something under this name already"),
        (store / "b.zip", "inside the store"),
        (store / "evidence" / "b.zip", "inside the store"),
        (tmp_path / "no" / "b.zip", "no such folder"),
    ]:
        with pytest.raises(UserError, match=words):
            make_backup(str(store), str(target), time=TIME)
    assert there.read_text() == "mine"
    with pytest.raises(UserError, match="no store here"):
        make_backup(str(tmp_path / "none"), str(tmp_path / "b.zip"), time=TIME)
    assert not (tmp_path / "none").exists()
    with pytest.raises(UserError, match="no such file"):
        restore_backup(str(tmp_path / "b.zip"), str(tmp_path / "new"))


def test_a_name_taken_meanwhile_is_never_written_over(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "b.zip"
    whole = module._read_through

    def slow(file: str, into: str | None) -> Kept:
        target.write_text("another's")
        return whole(file, into)

    monkeypatch.setattr(module, "_read_through", slow)
    with pytest.raises(UserError, match="something under this name already"):
        make_backup(str(store), str(target), time=TIME)
    assert target.read_text() == "another's"

    def refuse(*_: object) -> None:
        raise PermissionError(1, "no links here")

    monkeypatch.setattr(os, "link", refuse)
    with pytest.raises(UserError, match="something under this name already"):
        make_backup(str(store), str(target), time=TIME)
    monkeypatch.setattr(module, "_read_through", whole)
    make_backup(str(store), str(tmp_path / "c.zip"), time=TIME)
    restore_backup(str(tmp_path / "c.zip"), str(tmp_path / "new"))


def test_what_a_killed_program_left_long_ago_is_cleared_away(store: Path, tmp_path: Path) -> None:
    old, young = tmp_path / f"{PART}old", tmp_path / f"{PART}young"
    for folder in (old, young):
        folder.mkdir()
        (folder / DATABASE).write_text("half")
    os.utime(old, (1, 1))
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    assert leftovers(tmp_path) == [young.name]


def test_too_little_room_for_what_is_in_it(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_backup(str(store), str(tmp_path / "b.zip"), time=TIME)
    few = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: few)
    with pytest.raises(UserError, match="a full disk"):
        restore_backup(str(tmp_path / "b.zip"), str(tmp_path / "new"))
    assert not (tmp_path / "new").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="needs a small disk of its own")
def test_a_full_disk_leaves_nothing_behind(store: Path, tmp_path: Path) -> None:
    """On a real disk of 64 kB, in a mount namespace of its own."""
    small = tmp_path / "small"
    small.mkdir()
    script = (
        f"mount -t tmpfs -o size=64k none {small} && "
        f"{sys.executable} -m verify backup {small}/b.zip --store {store}; echo code $?; "
        f"ls -A {small}"
    )
    if subprocess.run(["unshare", "-rm", "true"], capture_output=True).returncode != 0:
        pytest.skip("no mount namespaces here")
    before = tree(store)
    done = subprocess.run(
        ["unshare", "-rm", "sh", "-c", script],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert done.stdout == "code 2\n", (done.stdout, done.stderr)
    assert "a full disk" in done.stderr
    assert len(done.stderr.splitlines()) == 3
    assert tree(store) == before
