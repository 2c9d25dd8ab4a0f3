"""The audit of honest files: what holds, what is worth knowing, what is only said."""

from __future__ import annotations

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
    whole_job,
    with_key,
)
from verify.job import bodies
from verify.job.audit import Audit, Level
from verify.job.canonical import canonical, parse
from verify.job.entry import Entry, hide
from verify.terminal.desk import Desk, Secrets


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
    assert result.sentence.endswith("3 of 5 verdicts come out the same (2 bytes withheld).")
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
        result_of(body).update(version=0, value=700.0)

    result = audited(forged(with_key(rechained(parts, at(14, change)))))
    assert not result.findings
    said = text(result, "verdicts")
    assert "entry 14, idle, idle-speed: other version: version 0, now" in said
    assert "was pass (in-range, 700 rpm), now pass (in-range, 750 rpm)" in said
    assert result.sentence.endswith("4 of 5 verdicts come out the same (1 other version).")


@pytest.mark.parametrize("which", ["tables", "importer_version"])
def test_another_table_or_importer_is_a_note(parts: dict[str, bytes], which: str) -> None:
    def change(body: dict[str, Any]) -> None:
        item = body["evidence"][0]
        if which == "tables":
            item["tables"]["seeds/channels.csv"] = "0" * 64
        else:
            item["importer_version"] = 0

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
