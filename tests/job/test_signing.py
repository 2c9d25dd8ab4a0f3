"""Signatures in a journal: where one may stand, and what of a changed one is found."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.terminal.walks import small_desk
from verify.errors import UserError
from verify.flow.graph import STOP, Outcome
from verify.job.bodies import (
    closed_body,
    index_row,
    note_body,
    outcome_body,
    paused_body,
    signature_body,
)
from verify.job.entry import Draft, Entry, seal, verify_chain
from verify.job.jws import BadSignature, SigningKey, jwk, sign_value
from verify.job.people import Purpose, Role
from verify.job.session import DraftSession, ReadOnlySession, fold, fold_on
from verify.job.signing import check_signature, signature_content, statement
from verify.terminal.bench import sign_head
from verify.terminal.desk import Desk, Secrets

KEY, OTHER = SigningKey(bytes(range(32))), SigningKey(bytes(range(1, 33)))
TIME = "2031-03-04T09:00:00.000Z"


def sealed(session: ReadOnlySession, body: dict[str, Any], person: str, time: str = TIME) -> Entry:
    last = session.history[-1]
    return seal(
        session.job, last.seq + 1, Draft("signature", body, time, person, "", {}), last.digest
    )


def content(session: ReadOnlySession, **changes: Any) -> dict[str, Any]:
    last = session.history[-1]
    given = {"person": "p-test", "role": Role.TECHNICIAN, "purpose": Purpose.SITTING, "time": TIME}
    return signature_content(last, KEY, **(given | changes))


@pytest.fixture
def desk() -> Desk:
    return small_desk()


def test_a_signature_stands_behind_what_it_signs_and_replays(desk: Desk) -> None:
    before = desk.session()
    assert before.signatures == ()
    assert before.unsigned() == before.history
    session = sign_head(desk, KEY, role=Role.TECHNICIAN)
    entry, over = session.history[-1], session.history[-2]
    assert check_signature(entry, over) == KEY.public
    (found,) = session.signatures
    assert (found.seq, found.over, found.head) == (2, 1, over.digest)
    assert (found.person, found.role, found.purpose) == ("p-test", "technician", "sitting")
    assert found.kid == KEY.kid
    assert session.unsigned() == ()
    verify_chain(session.history)
    again = fold(desk.job, desk.journal.entries(desk.job), desk.machine)
    assert again.signatures == session.signatures
    assert (again.at, again.pending) == (before.at, before.pending)


def test_what_comes_after_is_unsigned_again(desk: Desk) -> None:
    sign_head(desk, KEY, role=Role.TECHNICIAN)
    apart = Secrets(text="Ada rang")
    session = desk.write("note", note_body(desk.session(), apart.digests), apart)
    assert [e.seq for e in session.unsigned()] == [3]


def test_a_paused_job_stays_paused_once_it_is_signed(desk: Desk) -> None:
    desk.write("paused", paused_body(desk.live()))
    session = sign_head(desk, KEY, role=Role.OWNER)
    assert session.paused
    assert str(index_row(session)["state"]).startswith("paused at")


def test_a_stop_can_be_signed(desk: Desk) -> None:
    desk.write("outcome", outcome_body(desk.live(), Outcome(STOP)))
    session = sign_head(desk, KEY, role=Role.TECHNICIAN)
    assert session.stopped
    assert session.unsigned() == ()


def test_a_job_closed_by_hand_can_be_signed(desk: Desk) -> None:
    desk.write_any("closed", closed_body(desk.session(), "back", "a" * 64))
    assert sign_head(desk, KEY, role=Role.TECHNICIAN).closed


def test_a_draft_is_not_signed(desk: Desk) -> None:
    session = desk.session()
    values = {name: getattr(session, name) for name in session.__dataclass_fields__}
    with pytest.raises(TypeError, match="played, not signed"):
        signature_body(
            DraftSession(**values),
            KEY,
            person="p-test",
            role=Role.TECHNICIAN,
            purpose=Purpose.SITTING,
            time=TIME,
        )


@pytest.mark.parametrize(
    ("changes", "person", "words"),
    [
        ({"seq": 2}, "p-test", "a signature over entry 2"),
        ({"seq": True}, "p-test", "a signature over entry True"),
        ({"over": "0" * 64}, "p-test", "one over the entry before it"),
        ({}, "p-eve", "what somebody else wrote"),
        ({"purpose": "gossip"}, "p-test", "a signature for gossip"),
        ({"role": "wizard"}, "p-test", "as wizard"),
        ({"role": "signer"}, "p-test", "a sitting signed as signer"),
        ({"purpose": "sign-off"}, "p-test", "a sign-off signed as technician"),
        ({"purpose": "sign-off", "role": "signer"}, "p-test", "sign-off over an entry opened"),
        ({"purpose": []}, "p-test", "a signature for"),
        ({"jwk": {}}, "p-test", "cannot be read"),
        ({"jwk": jwk(OTHER.public)}, "p-test", "under another name"),
        ({"kid": OTHER.kid}, "p-test", "under another name"),
        ({"jws": "a.b"}, "p-test", "no compact JWS"),
        ({"jws": None}, "p-test", "no compact JWS"),
        ({"jws": "a.b.c="}, "p-test", "no compact JWS"),
    ],
)
def test_a_signature_that_cannot_stand_there_is_refused(
    desk: Desk, changes: dict[str, Any], person: str, words: str
) -> None:
    session = desk.session()
    entry = sealed(session, content(session) | changes, person)
    with pytest.raises(UserError, match=words):
        fold_on(session, entry)


def test_nobody_signs_a_signature(desk: Desk) -> None:
    session = sign_head(desk, KEY, role=Role.TECHNICIAN)
    with pytest.raises(UserError, match="a signature over a signature"):
        fold_on(session, sealed(session, content(session), "p-test"))


# What only cryptography finds: each of these has the right shape

TRICKS: dict[str, Any] = {
    "the key of another person": lambda b: b | {"jwk": jwk(OTHER.public), "kid": OTHER.kid},
    "another role": lambda b: b | {"role": "owner"},
    "another's signature": lambda b: b | {"jws": sign_value({"head": b["over"]}, OTHER)},
    "a signature of something else": lambda b: b | {"jws": sign_value({"head": b["over"]}, KEY)},
    "a turned letter": lambda b: b | {"jws": b["jws"][:-5] + "AAAAA"},
}


@pytest.mark.parametrize("trick", TRICKS)
def test_the_fold_takes_the_shape_and_the_audit_finds_the_trick(desk: Desk, trick: str) -> None:
    session = desk.session()
    body = content(session)
    good = sealed(session, body, "p-test")
    assert check_signature(good, session.history[-1]) == KEY.public
    entry = sealed(session, TRICKS[trick](body), "p-test")
    fold_on(session, entry)
    with pytest.raises(BadSignature):
        check_signature(entry, session.history[-1])


@pytest.mark.parametrize("name", ["time", "person", "job"])
def test_what_the_entry_says_beside_its_body_is_signed_too(desk: Desk, name: str) -> None:
    session = desk.session()
    over, entry = session.history[-1], sealed(session, content(session), "p-test")
    changed = over
    if name == "job":
        changed = replace(over, job="other")
    else:
        entry = replace(entry, **{name: "2031-03-04T09:00:00.001Z" if name == "time" else "p-eve"})
    with pytest.raises(BadSignature, match="something else than the entry says"):
        check_signature(entry, changed)


def test_an_old_signature_does_not_fit_a_later_place(desk: Desk) -> None:
    early = content(desk.session())
    desk.write("paused", paused_body(desk.live()))
    session = desk.session()
    last = session.history[-1]
    entry = sealed(session, early | {"seq": last.seq, "over": last.digest}, "p-test")
    fold_on(session, entry)
    with pytest.raises(BadSignature, match="something else"):
        check_signature(entry, last)


@pytest.mark.parametrize("field", ["purpose", "role", "seq", "over", "jwk", "kid", "jws"])
@pytest.mark.parametrize("value", [None, True, 7, "x", [], {}])
def test_whatever_stands_in_an_entry_a_check_says_no_and_nothing_worse(
    desk: Desk, field: str, value: Any
) -> None:
    session = desk.session()
    entry = sealed(session, content(session) | {field: value}, "p-test")
    with pytest.raises(BadSignature):
        check_signature(entry, session.history[-1])
    with pytest.raises(BadSignature):
        check_signature(replace(entry, body={}), session.history[-1])


def test_what_is_signed_is_all_that_it_speaks_of(desk: Desk) -> None:
    over = desk.session().history[-1]
    said = statement(over, person="p-test", role="owner", purpose="sitting", time=TIME)
    assert said == {
        "head": over.digest,
        "job": "tester",
        "person": "p-test",
        "purpose": "sitting",
        "role": "owner",
        "seq": 1,
        "time": TIME,
    }
