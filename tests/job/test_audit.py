"""The audit of honest files: what holds, what is worth knowing, what is only said."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.job.jobfiles import (
    ANSWERS,
    KEY,
    OTHER_KEY,
    audited,
    file_of,
    forged,
    found,
    members,
    rechained,
    whole_job,
    with_key,
)
from tests.terminal.walks import idle_csv, play, small_desk
from verify.job import bodies
from verify.job.audit import Audit, Level
from verify.job.canonical import canonical, parse
from verify.job.entry import Entry, hide
from verify.job.judge import judge_recordings
from verify.job.numbers import spec_values
from verify.job.people import Key, Person, Purpose, Role
from verify.terminal.clock import stamp
from verify.terminal.desk import Desk, Secrets
from verify.terminal.recordings import import_kept, provenance


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


# What holds


def test_a_file_signed_by_a_trusted_key_holds(data: bytes) -> None:
    result = audited(data, trust=[KEY.kid])
    assert result.sentence == (
        "HOLDS: unchanged since the trusted key signed it; all 5 verdicts come out the same."
    )
    assert [p.name for p in result.parts] == [
        *("seal", "manifest", "chain", "signatures", "sign-off", "edition", "replay"),
        *("evidence", "verdicts", "times"),
    ]
    notes = [p.text for p in result.parts if p.level is not Level.HOLDS]
    assert notes == ["No second person signed this job off."]
    assert result.verdicts == {"same": 5}
    assert "nothing here proves them" in text(result, "times")


def test_without_trust_the_signer_is_unknown_and_that_is_said_first(data: bytes) -> None:
    result = audited(data)
    assert result.sentence.startswith(
        "HOLDS TOGETHER: unchanged since it was signed, by a key you did not name as trusted;"
    )
    assert "signer unknown" in text(result, "signatures")
    assert "trusted" not in text(result, "signatures")
    assert not result.findings


def test_an_unsigned_file_says_so_first(desk: Desk) -> None:
    result = audited(file_of(desk, None))
    assert result.sentence.startswith(
        "HOLDS TOGETHER, BUT NOBODY SIGNED IT: anybody can have made it."
    )
    assert level(result, "manifest") is Level.NOTE
    assert not result.findings


def test_a_file_that_nobody_trusted_signed_is_a_finding(data: bytes) -> None:
    assert found(data, trust=[OTHER_KEY.kid]) == (
        "trust: Nothing in this file is signed by a key you trust."
    )


def test_what_holds_is_said_of_every_entry(data: bytes) -> None:
    entries = audited(data, trust=[KEY.kid]).entries
    assert [e.seq for e in entries] == list(range(1, 21))
    assert {e.level for e in entries} == {Level.HOLDS}
    assert entries[13].step == "idle"
    assert entries[13].texts == ("signed in entry 15", "idle-speed: same")
    assert entries[16].kind == "rejudged"
    assert entries[16].texts == ("signed in entry 20", "idle-speed: same")
    assert entries[19].texts[0].startswith("its signature holds, p-test as technician")


def test_the_json_says_the_same(data: bytes) -> None:
    value = audited(data).to_json()
    assert value["holds"] is True
    assert canonical(value)
    assert len(value["entries"]) == 20


def test_entries_behind_the_last_signature_are_named(tmp_path: Path) -> None:
    desk = whole_job(tmp_path)
    reason, kept = hide("late words")
    apart = Secrets()
    apart.kept[reason] = kept
    desk.write("note", bodies.note_body(desk.live(), {"note": reason}), apart)
    result = audited(file_of(desk))
    assert "entries 21 to 21: no signature stands behind them" in text(result, "signatures")
    assert level(result, "signatures") is Level.NOTE


def test_personal_values_are_held_against_their_salted_hashes(desk: Desk) -> None:
    story = desk.session().history[1].body["private"]["answer"]
    salts = {story: (bytes(32), "It hunts when warm")}
    right_digest, kept = hide("somebody else's words")
    # The store keeps the salts; here one made on the spot must be refused, as no entry holds it.
    result = found(file_of(desk, personal={**salts, right_digest: kept}))
    assert "is not what" in result
    assert f"{story[:12]}…" in result


def test_personal_values_that_fit_hold(tmp_path: Path) -> None:
    desk = whole_job(tmp_path)
    digest, kept = hide("the van of the bakery")
    apart = Secrets()
    apart.kept[digest] = kept
    desk.write("note", bodies.note_body(desk.live(), {"note": digest}), apart)
    data = file_of(desk, personal={digest: kept})
    result = audited(data)
    assert not result.findings
    assert "1 personal values are in the file, as salted" in text(result, "evidence")
    rows = parse(members(data)["personal.json"])
    rows[0]["value"] = "the van of the baker"
    other = forged(with_key({**members(data), "personal.json": canonical(rows)}))
    assert "a personal value that is not what" in found(other)


# Withheld, other versions


def test_an_erased_recording_is_no_failure(tmp_path: Path) -> None:
    desk = whole_job(tmp_path)
    desk.journal.erase_evidence(list(desk.journal._evidence))  # type: ignore[attr-defined]
    result = audited(file_of(desk), trust=[KEY.kid])
    assert not result.findings
    assert result.sentence.endswith(
        "3 of 5 verdicts come out the same (2 with their bytes withheld)."
    )
    assert "entry 14, idle, idle-speed: not recomputable, hash kept" in text(result, "verdicts")
    assert "withheld (erased), its hash is kept" in text(result, "evidence")
    assert result.entries[13].level is Level.NOTE


def result_of(body: dict[str, Any]) -> dict[str, Any]:
    return body["results"][0]  # type: ignore[no-any-return]


def at(seq: int, change: Any) -> Any:
    """A change of the body of one entry, numbered as in the honest file."""

    def apply(entry: Entry, body: dict[str, Any]) -> None:
        if entry.seq == seq:
            change(body)

    return apply


def test_rechaining_alone_gives_a_file_that_holds_together(parts: dict[str, bytes]) -> None:
    """So that what the next tests find is their own change."""
    result = audited(forged(with_key(rechained(parts, lambda e, b: None))))
    assert not result.findings
    assert result.verdicts == {"same": 5}


def test_a_verdict_of_another_version_is_a_note_with_was_and_now(parts: dict[str, bytes]) -> None:
    def change(body: dict[str, Any]) -> None:
        result_of(body).update(version=1, value=700.0)

    result = audited(forged(with_key(rechained(parts, at(14, change)))))
    assert not result.findings
    said = text(result, "verdicts")
    assert "entry 14, idle, idle-speed: other version: version 1, now" in said
    assert "was pass (in-range, 700 rpm), now pass (in-range, 750 rpm)" in said
    assert result.sentence.endswith(
        "4 of 5 verdicts come out the same (1 with the same verdict by another version)."
    )


def test_another_verdict_by_another_version_is_said_in_the_first_line(
    parts: dict[str, bytes],
) -> None:
    def change(entry: Entry, body: dict[str, Any]) -> None:
        if body.get("step") == "idle" and "outcome" in body:
            body["outcome"]["checks"]["idle-speed"] = {"verdict": "pass", "finding": "wide"}
        if body.get("step") == "idle" and "results" in body:
            result_of(body).update(version=1, finding="wide")
        if body.get("name") == "idle_speed":
            body["text"] = "1200"

    result = audited(forged(with_key(rechained(parts, change))))
    assert not result.findings
    assert result.sentence.endswith(
        "3 of 5 verdicts come out the same (2 with another verdict by another version)."
    )
    assert "was pass (wide, 750 rpm), now fail" in text(result, "verdicts")


@pytest.mark.parametrize("which", ["tables", "importer_version"])
def test_another_table_or_importer_is_a_note(parts: dict[str, bytes], which: str) -> None:
    def change(body: dict[str, Any]) -> None:
        item = body["evidence"][0]
        if which == "tables":
            item["tables"]["seeds/channels.csv"] = "0" * 64
        else:
            item["importer_version"] = 99

    result = audited(forged(with_key(rechained(parts, at(14, change)))))
    assert not result.findings
    words = {"tables": "another table seeds/channels.csv", "importer_version": "importer csv"}
    assert words[which] in text(result, "verdicts")


def test_a_number_within_a_billionth_is_the_same(parts: dict[str, bytes]) -> None:
    def scaled(factor: float) -> Any:
        def change(body: dict[str, Any]) -> None:
            result_of(body)["value"] *= factor

        return change

    near = forged(with_key(rechained(parts, at(14, scaled(1 + 3e-10)))))
    assert audited(near).verdicts == {"same": 5}
    far = forged(with_key(rechained(parts, at(14, scaled(1 + 3e-9)))))
    assert "differs" in found(far)


def test_other_words_for_the_same_numbers_are_said_and_no_finding(parts: dict[str, bytes]) -> None:
    def change(body: dict[str, Any]) -> None:
        result_of(body)["why"] = "Splendid."

    result = audited(forged(with_key(rechained(parts, at(14, change)))))
    assert result.verdicts == {"same": 4, "same, in other words": 1}
    assert "idle-speed: same, in other words" in text(result, "verdicts")


# A second person, and proof that follows


def accepted(folder: Path) -> Desk:
    """The whole job, accepted by a second person who has not signed yet."""
    desk = whole_job(folder)
    digest, kept = hide("Robin")
    key = Key(OTHER_KEY.public, "2031-03-01T00:00:00.000Z")
    desk.journal.put_person(
        Person("p-second", digest, (Role.SIGNER,), "2031-03-01T00:00:00.000Z", "", (key,)),
        {digest: kept},
    )
    desk.person = "p-second"
    desk.write("sign-off", bodies.sign_off_body(desk.live(), person="p-second"))
    return desk


def test_a_second_person_s_acceptance_needs_their_signature(tmp_path: Path) -> None:
    desk = accepted(tmp_path)
    bare = audited(file_of(desk))
    assert level(bare, "sign-off") is Level.NOTE
    assert text(bare, "sign-off") == (
        "Accepted in entry 21 by p-second, whose signature is not there."
    )
    how = {"person": "p-second", "role": Role.SIGNER, "purpose": Purpose.SIGN_OFF}
    time = stamp(desk.clock.now())
    desk.write("signature", bodies.signature_body(desk.live(), OTHER_KEY, time=time, **how))
    signed = audited(file_of(desk), trust=[OTHER_KEY.kid])
    assert not signed.findings
    assert level(signed, "sign-off") is Level.HOLDS
    assert text(signed, "sign-off").startswith("Accepted in entry 21 by p-second, the trusted key")


def test_a_job_that_was_sent_back_says_so(tmp_path: Path) -> None:
    desk = whole_job(tmp_path)
    reason, kept = hide("the clamp sits askew")
    apart = Secrets()
    apart.kept[reason] = kept
    back = next(v for v in desk.live().walk if v.step == "bolt")
    desk.person = "p-second"
    body = bodies.sign_off_body(desk.live(), person="p-second", back_to=back, reason=reason)
    desk.write("sign-off", body, apart)
    result = audited(file_of(desk))
    assert not result.findings
    assert "stands before its end, at bolt" in text(result, "replay")
    assert result.ending == ""


def test_proof_that_came_in_later_is_computed_again_too(tmp_path: Path) -> None:
    desk = small_desk()
    play(desk, *ANSWERS, "2", "1", "1")
    session = desk.live()
    assert session.ending is not None
    assert session.ending.kind.value == "proof-to-follow"
    number = {"name": "idle_speed", "text": "750", "unit": "rpm", "source": "common practice"}
    if "idle_speed" not in session.specs:
        session = desk.write("spec", bodies.spec_body(session, **number))
    with idle_csv(tmp_path / "later.csv").open("rb") as stream:
        sha256 = desk.journal.put_evidence(stream)
    made = import_kept(desk.journal, sha256, "later.csv", None)
    judged = judge_recordings(session.graph.steps["idle"], [made], spec_values(session))
    how = {"evidence": [provenance(made)], "results": [r.to_json() for r in judged.results]}
    desk.write("proof", bodies.proof_body(session, "idle", judged.outcome, **how))
    data = file_of(desk, None)
    result = audited(data)
    assert not result.findings
    assert result.entries[-1].kind == "proof"
    assert result.entries[-1].texts == ("idle-speed: same",)

    def change(body: dict[str, Any]) -> None:
        result_of(body)["value"] = 751.5

    last = len(result.entries)
    other = forged(with_key(rechained(members(data), at(last, change))))
    assert f"entry {last}, idle, idle-speed: differs" in found(other)
