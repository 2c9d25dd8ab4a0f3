"""What a forger changes is found, though everything around it was made to fit."""

from __future__ import annotations

import hashlib
import io
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.job.jobfiles import (
    KEY,
    OTHER_KEY,
    audited,
    file_of,
    forged,
    found,
    members,
    rechained,
    sign_job,
    whole_job,
    with_key,
)
from verify.job import bodies
from verify.job.audit import Audit, Level
from verify.job.audit_shape import read_entries
from verify.job.canonical import canonical, parse
from verify.job.entry import Entry, digest_of, hide
from verify.job.jobfile import journal_lines
from verify.job.jobfile_zip import JobFileWriter
from verify.job.people import Key
from verify.terminal.clock import stamp
from verify.terminal.desk import Desk, Secrets

FLIPS = 200


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return whole_job(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def data(desk: Desk) -> bytes:
    return file_of(desk)


@pytest.fixture(scope="module")
def parts(data: bytes) -> dict[str, bytes]:
    return members(data)


def level(result: Audit, part: str) -> Level:
    return next(p.level for p in result.parts if p.name == part)


def text(result: Audit, part: str) -> str:
    return next(" | ".join((p.text, *p.more)) for p in result.parts if p.name == part)


def result_of(body: dict[str, Any]) -> dict[str, Any]:
    return body["results"][0]  # type: ignore[no-any-return]


def at(seq: int, change: Any) -> Any:
    """A change of the body of one entry, numbered as in the honest file."""

    def apply(entry: Entry, body: dict[str, Any]) -> None:
        if entry.seq == seq:
            change(body)

    return apply


# What a forger tries, everything around it made to fit


def check_forgery(parts: dict[str, bytes], seq: int, change: Any, words: str) -> None:
    result = audited(forged(with_key(rechained(parts, at(seq, change)))))
    assert result.findings, "it was not found"
    assert words in "\n".join(" | ".join((p.text, *p.more)) for p in result.findings)
    assert result.sentence.startswith("DOES NOT HOLD.")


@pytest.mark.parametrize("seq", [5, 7, 14, 17])
def test_a_verdict_with_another_number_is_found(parts: dict[str, bytes], seq: int) -> None:
    def change(body: dict[str, Any]) -> None:
        result_of(body)["probability"] = 0.999

    check_forgery(parts, seq, change, "differs: was pass")


def test_a_fail_made_a_pass_is_found(tmp_path: Path) -> None:
    """All of it: the verdict, its numbers, the outcome, the ending."""
    honest = whole_job(tmp_path, rpm=1400)
    parts = members(file_of(honest))
    good = members(file_of(whole_job(tmp_path)))
    assert honest.session().ending.name == "back"  # type: ignore[union-attr]
    passing = {e.seq: e.body for e in read_entries(good["journal.jsonl"]) if e.kind != "spec"}

    def change(entry: Entry, body: dict[str, Any]) -> None:
        if body.get("step") == "idle" and "results" in body:
            body["results"] = passing[14]["results"]
            body["outcome"] = passing[14]["outcome"]
        if body.get("step") == "idle" and "from" in body:
            body["outcome"] = passing[14]["outcome"]

    changed = forged(
        with_key(rechained(parts, change)),
        change=lambda m: m.update(ending="hand-back", at="gone"),
    )
    result = audited(changed)
    assert level(result, "replay") is Level.HOLDS
    assert [p.name for p in result.findings] == ["verdicts"]
    assert "entry 14, idle, idle-speed: differs: was pass (in-range, 750 rpm), now fail" in text(
        result, "verdicts"
    )


def test_an_outcome_that_its_verdicts_do_not_bear_out_is_found(parts: dict[str, bytes]) -> None:
    def change(body: dict[str, Any]) -> None:
        result_of(body).update(verdict="undecided", finding="too-close")

    check_forgery(parts, 14, change, "is not what its own verdicts come to")


@pytest.mark.parametrize("field", ["results", "evidence"])
def test_a_pass_on_nothing_is_found(parts: dict[str, bytes], field: str) -> None:
    words = {"results": "is not what its own verdicts come to", "evidence": "none is named"}
    check_forgery(parts, 14, lambda body: body.pop(field), words[field])


def test_a_torque_that_was_not_typed_is_found(parts: dict[str, bytes]) -> None:
    def change(body: dict[str, Any]) -> None:
        body["values"]["text"] = "20"

    check_forgery(parts, 5, change, "entry 5, bolt")


def test_a_number_of_the_car_changed_under_its_verdict_is_found(parts: dict[str, bytes]) -> None:
    def change(body: dict[str, Any]) -> None:
        body["text"] = "900"

    check_forgery(parts, 13, change, "entry 14, idle")


def test_another_mapping_of_the_channels_is_found(parts: dict[str, bytes]) -> None:
    def change(body: dict[str, Any]) -> None:
        body["evidence"][0]["mapping"]["engine_speed_rpm"] = "-"

    check_forgery(parts, 14, change, "entry 14, idle")


def test_evidence_swapped_between_two_jobs_is_found(
    parts: dict[str, bytes], tmp_path: Path
) -> None:
    other = members(file_of(whole_job(tmp_path, rpm=1400, job="second")))
    (mine,) = [n for n in parts if n.startswith("evidence/")]
    (theirs,) = [n for n in other if n.startswith("evidence/")]
    assert mine != theirs
    swapped = forged(with_key({**parts, mine: other[theirs]}))
    assert "holds other bytes than its name says" in found(swapped)
    renamed = {n if n != mine else theirs: t for n, t in parts.items()}
    renamed[theirs] = other[theirs]
    result = found(forged(with_key(renamed)))
    assert "is missing, and not said to be withheld" in result
    assert "is in the file and no entry names it" in result


def test_the_journal_of_another_job_is_found(parts: dict[str, bytes], tmp_path: Path) -> None:
    other = members(file_of(whole_job(tmp_path, rpm=1400, job="second")))
    mixed = forged(with_key({**parts, "journal.jsonl": other["journal.jsonl"]}))
    assert found(mixed)


def lines(parts: dict[str, bytes]) -> list[bytes]:
    return parts["journal.jsonl"].splitlines(keepends=True)


@pytest.mark.parametrize("seed", range(6))
def test_entries_in_another_order_are_found(parts: dict[str, bytes], seed: int) -> None:
    rng = random.Random(seed)
    order = lines(parts)
    one, two = rng.sample(range(len(order)), 2)
    order[one], order[two] = order[two], order[one]
    result = found(forged(with_key({**parts, "journal.jsonl": b"".join(order)})))
    assert "changed since it was written" in result


@pytest.mark.parametrize("seq", [1, 2, 8, 14, 19])
def test_an_entry_left_out_is_found(parts: dict[str, bytes], seq: int) -> None:
    rest = lines(parts)
    del rest[seq - 1]
    result = found(forged(with_key({**parts, "journal.jsonl": b"".join(rest)})))
    assert "changed since it was written" in result


@pytest.mark.parametrize("left", [19, 15, 14, 3])
def test_a_journal_cut_off_at_its_end_does_not_pass_for_the_signed_one(
    parts: dict[str, bytes], left: int
) -> None:
    """What a forger can still do is to tell less under their own name, and that is said."""
    short = {**parts, "journal.jsonl": b"".join(lines(parts)[:left])}
    assert "The journal is not the one the manifest speaks of" in found(
        forged(with_key(short), change=lambda m: m.update(entries=20))
    )
    result = audited(forged(with_key(short)), trust=[KEY.kid])
    assert not result.sentence.startswith("HOLDS:")


def test_a_journal_whose_lines_are_written_otherwise_is_found(parts: dict[str, bytes]) -> None:
    spaced = lines(parts)
    spaced[3] = spaced[3].replace(b'":', b'": ', 1)
    changed = {**parts, "journal.jsonl": b"".join(spaced)}
    assert "the one form of RFC 8785" in found(forged(with_key(changed)))
    doubled = lines(parts)
    doubled[3] = doubled[3].replace(b'"job":', b'"job":"x","job":', 1)
    changed = {**parts, "journal.jsonl": b"".join(doubled)}
    assert "the one form of RFC 8785" in found(forged(with_key(changed)))


def test_the_flow_of_another_edition_is_found(parts: dict[str, bytes]) -> None:
    laxer = parts["edition.json"].replace(b'"10 %"', b'"90 %"')
    assert laxer != parts["edition.json"]
    changed = forged(with_key({**parts, "edition.json": laxer}))
    assert "not the one the job was opened with" in found(changed)


def test_a_flow_that_today_would_not_run_is_a_note(parts: dict[str, bytes]) -> None:
    content = parse(parts["edition.json"])
    del content["flow"]["steps"]["start"]["hazards"]
    text_ = canonical(content)
    changed = {**parts, "edition.json": text_}
    edition = hashlib.sha256(text_).hexdigest()
    changed = rechained(changed, at(1, lambda body: body.update(edition=edition)))
    result = audited(forged(with_key(changed), change=lambda m: m.update(edition=edition)))
    assert level(result, "edition") is Level.NOTE
    assert "today's prover would not let it run" in text(result, "edition")
    assert result.verdicts == {"same": 5}
    assert not result.findings


def test_another_ending_than_the_entries_lead_to_is_found(parts: dict[str, bytes]) -> None:
    other = forged(with_key(parts), change=lambda m: m.update(ending="proof-to-follow"))
    assert "Gone through again the job stands in hand-back" in found(other)


def test_members_beside_the_manifest_and_missing_ones_are_found(parts: dict[str, bytes]) -> None:
    def drop(m: dict[str, Any]) -> None:
        m["members"] = [r for r in m["members"] if r["name"] != "extra.txt"]

    extra = forged(with_key({**parts, "extra.txt": b"more"}), change=drop)
    assert "The member extra.txt is not in the manifest" in found(extra)
    gone = {n: t for n, t in parts.items() if n != "HOW-TO-CHECK.txt"}
    assert "HOW-TO-CHECK.txt is missing" in found(forged(with_key(gone)))
    row = parse(parts["manifest.json"])["members"][0]
    named = forged(with_key(gone), change=lambda m: m["members"].insert(0, row))
    assert "HOW-TO-CHECK.txt is missing" in found(named)


def test_what_the_store_says_is_withheld_must_be_named(parts: dict[str, bytes]) -> None:
    bare = {n: t for n, t in parts.items() if not n.startswith("evidence/")}
    assert "is missing, and not said to be withheld" in found(forged(with_key(bare)))


# Signatures


def test_a_manifest_signed_for_another_file_is_found(parts: dict[str, bytes]) -> None:
    target = io.BytesIO()
    writer = JobFileWriter(target)
    for name, content in parts.items():
        writer.add(name, content + (b" " if name == "HOW-TO-CHECK.txt" else b""))
    writer.finish(None)
    result = found(target.getvalue())
    assert "HOW-TO-CHECK.txt is not what the manifest says" in result
    assert "either the seal or the manifest is signed" in result


def test_the_seal_and_the_manifest_are_signed_by_one_key(parts: dict[str, bytes]) -> None:
    target = io.BytesIO()
    writer = JobFileWriter(target)
    honest = forged(with_key(parts), KEY)
    for name, content in members(honest).items():
        writer.add(name, content)
    writer.finish(OTHER_KEY)
    assert "another key than that of the seal" in found(target.getvalue())


def signed_entries(parts: dict[str, bytes]) -> list[Entry]:
    return list(read_entries(parts["journal.jsonl"]))


def test_an_old_signature_on_a_longer_chain_is_found(parts: dict[str, bytes]) -> None:
    """The signature over entry 14, taken behind entry 19 as if it had been over that one."""
    entries = signed_entries(parts)
    old, over = entries[14], entries[18]
    body = {**old.body, "seq": over.seq, "over": over.digest}
    digest = digest_of(old.job, 20, old.time, old.person, old.kind, old.version, body, over.digest)
    new = replace(old, seq=20, body=body, previous=over.digest, digest=digest)
    changed = {**parts, "journal.jsonl": journal_lines([*entries[:19], new])}
    changed["signatures/20.jws"] = f"{body['jws']}\n".encode()
    result = audited(forged(with_key(changed)))
    assert level(result, "signatures") is Level.FINDING
    assert "entry 20: the signature does not hold" in text(result, "signatures")
    assert result.entries[19].level is Level.FINDING


def test_a_signature_of_another_job_is_found(parts: dict[str, bytes], tmp_path: Path) -> None:
    theirs = signed_entries(members(file_of(whole_job(tmp_path, job="second"))))[14]
    entries = signed_entries(parts)[:14]
    over = entries[-1]
    body = {**theirs.body, "over": over.digest}
    digest = digest_of(over.job, 15, theirs.time, theirs.person, "signature", 1, body, over.digest)
    new = replace(theirs, job=over.job, body=body, previous=over.digest, digest=digest)
    changed = {**parts, "journal.jsonl": journal_lines([*entries, new])}
    changed["signatures/15.jws"] = f"{body['jws']}\n".encode()
    del changed["signatures/20.jws"]
    assert "A signature of the journal does not hold" in found(forged(with_key(changed)))


def test_another_signature_beside_the_journal_than_in_it_is_found(parts: dict[str, bytes]) -> None:
    changed = {**parts, "signatures/15.jws": parts["signatures/20.jws"]}
    assert "another signature beside the journal" in found(forged(with_key(changed)))


def test_a_key_under_another_name_is_found(parts: dict[str, bytes]) -> None:
    keys = parse(parts["keys.json"])
    keys["keys"][0]["kid"] = OTHER_KEY.kid
    changed = {**parts, "keys.json": canonical(keys)}
    assert "The public keys cannot be used" in found(forged(changed, None))


def test_what_a_retired_key_signed_before_holds_and_after_does_not(tmp_path: Path) -> None:
    desk = whole_job(tmp_path)
    (person,) = desk.journal.people()
    retired = replace(person.keys[0], retired="2031-03-05T00:00:00.000Z")
    new = Key(OTHER_KEY.public, "2031-03-05T00:00:00.000Z")
    desk.journal.put_person(replace(person, keys=(retired, new)), {})
    result = audited(file_of(desk, OTHER_KEY))
    assert not result.findings
    assert "a signature made after the key was retired" in found(file_of(desk, KEY))
    desk.clock.pass_time(3 * 86400)  # type: ignore[attr-defined]
    digest, kept = hide("later")
    apart = Secrets()
    apart.kept[digest] = kept
    desk.write("note", bodies.note_body(desk.live(), {"note": digest}), apart)
    sign_job(desk, KEY)
    assert stamp(desk.clock.now()) > retired.retired
    result = audited(file_of(desk, OTHER_KEY))
    assert "entry 22: the signature does not hold: found a signature made after the key" in text(
        result, "signatures"
    )
