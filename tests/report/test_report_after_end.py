"""What came after the ending: a second person's decision, proof that followed, a comeback."""

from __future__ import annotations

import pytest

from tests.report import jobs
from tests.report.test_report_build import report, section, texts, words
from verify.evidence.checks.catalogue import CATALOGUE
from verify.flow.graph import Outcome
from verify.job import bodies
from verify.job.jws import SigningKey
from verify.job.people import Purpose, Role
from verify.report.document import Mark, Sign
from verify.report.words import NOBODY
from verify.terminal.clock import stamp
from verify.terminal.desk import Desk, Secrets
from verify.words import Grade, Verdict

KEY = SigningKey(bytes(range(32)))
READERS = ("customer", "signer", "workshop")


def by(desk: Desk, person: str, kind: str, body: dict[str, object], apart: Secrets | None) -> None:
    worker, desk.person = desk.person, person
    desk.write_any(kind, body, apart)
    desk.person = worker


def signed_off(desk: Desk) -> Desk:
    by(desk, "p-second", "sign-off", bodies.sign_off_body(desk.live(), person="p-second"), None)
    time = stamp(desk.clock.now())
    body = bodies.signature_body(
        desk.session(),
        KEY,
        person="p-second",
        role=Role.SIGNER,
        purpose=Purpose.SIGN_OFF,
        time=time,
    )
    by(desk, "p-second", "signature", body, None)
    return desk


def sign_of(desk: Desk, reader: str) -> Sign:
    made = report(desk, reader)
    return next(b for s in made.sections for b in s.blocks if isinstance(b, Sign))


@pytest.mark.parametrize("reader", READERS)
def test_nobody_signed_and_somebody_did(reader: str) -> None:
    desk = jobs.recorded()
    assert sign_of(desk, reader) == Sign(False, NOBODY, sign_of(desk, reader).lines)
    sign = sign_of(signed_off(desk), reader)
    assert sign.present
    said = " ".join(sign.lines)
    assert "p-second" in said
    assert "Signed with a key, but made by somebody this store does not know." in said
    assert NOBODY not in words(report(desk, reader))


def test_a_signature_stands_with_what_it_covers() -> None:
    desk = signed_off(jobs.recorded())
    over = desk.session().signatures[0].over
    said = "\n".join(texts(section(report(desk), "People")))
    assert f"1 to {over}" in said
    assert KEY.kid[:12] in said
    assert "signer" in said


def test_a_job_that_was_sent_back_says_to_where_and_why() -> None:
    desk = jobs.recorded()
    back = desk.session().last("start")
    assert back is not None
    apart = Secrets(reason="no lamp test was seen")
    body = bodies.sign_off_body(
        desk.live(), person="p-second", back_to=back, reason=apart.digests["reason"]
    )
    by(desk, "p-second", "sign-off", body, apart)
    made = report(desk)
    assert "sent it back" in made.head.more
    assert made.head.mark is Mark.OPEN
    assert "Sent back: The start" in words(made)
    assert "No lamp test was seen." in words(made)
    assert NOBODY in words(made)
    assert "Sent back: The start" in "\n".join(texts(report(desk, "signer").sections[0]))


def idle(verdict: Verdict) -> Outcome:
    finding = next(f for f, v in CATALOGUE["idle-speed"].findings.items() if v is verdict)
    return Outcome(verdict.value, Grade.RECORDED, checks=(("idle-speed", verdict, finding),))


def proven(outcomes: dict[str, Outcome]) -> Desk:
    """An owner's job of words; then proof comes in."""
    desk = jobs.told_only()
    for step, outcome in outcomes.items():
        desk.write("proof", bodies.proof_body(desk.live(), step, outcome))
    return desk


def test_proof_that_follows_has_its_own_place_and_is_no_longer_asked_for() -> None:
    desk = proven({"codes": Outcome("none", Grade.READ)})
    made = report(desk)
    said = "\n".join(texts(section(made, "Proof that came in later")))
    assert "Codes" in said
    asked = "\n".join(texts(section(report(desk, "customer"), "Proof that follows, and by when")))
    assert "Codes" not in asked
    assert "By 2031-03-11, within a week." in asked, "a week after 2031-03-04"


def test_when_all_proof_is_in_the_customer_is_told() -> None:
    passed = Outcome("pass", Grade.READ)
    made = {"bolt": passed, "codes": Outcome("none", Grade.READ)}
    desk = proven(made | {"idle": idle(Verdict.PASS)})
    assert desk.session().proven_later
    head = report(desk, "customer").head
    assert head.mark is Mark.GO
    assert "the proof has come in" in head.words


@pytest.mark.parametrize("reader", READERS)
def test_proof_that_failed_calls_the_car_back_before_anything_else(reader: str) -> None:
    desk = proven({"idle": idle(Verdict.FAIL)})
    assert desk.session().proof_failed
    head = report(desk, reader).head
    assert head.mark is Mark.STOP
    assert head.words == "The car must come back"
    assert "The idle" in head.more


def test_a_comeback_is_said_on_both_jobs() -> None:
    desk = jobs.recorded()
    body = bodies.comeback_body(desk.session(), "again1", "0a" * 32)
    desk.write_any("comeback", body)
    assert any("job again1" in w for w in report(desk).warnings)


def test_what_was_erased_is_said_with_its_day() -> None:
    desk = jobs.recorded()
    sha256 = desk.session().last("idle").evidence[0]["sha256"]  # type: ignore[union-attr]
    body = {"texts": 2, "pictures": 0, "recordings": [sha256]}
    desk.write_any("erased", body)
    assert "Erased on request 2031-03-04 08:00 UTC: 2 texts, 1 recording." in words(report(desk))
