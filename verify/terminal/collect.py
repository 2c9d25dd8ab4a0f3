"""One answer taken and judged: from the hands that give it to the outcome that is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError, unknown
from verify.evidence.recording import Recording
from verify.flow.graph import Outcome, Step, recorded_checks, recorded_label
from verify.job.answers import (
    Answer,
    CodesRead,
    Fastened,
    Number,
    PhotoFile,
    RecordingFile,
    Rehearsed,
)
from verify.job.bodies import spec_body
from verify.job.catalogue import catalogue
from verify.job.judge import Judged, judge_answer, judge_recordings
from verify.job.numbers import spec_values
from verify.job.session import DraftSession, ReadOnlySession
from verify.quantity import Quantity, parse, unit, with_unit
from verify.terminal import recordings
from verify.terminal.code_words import recorded_drive, recording_of_drive, told_clear
from verify.terminal.sane import check_reading
from verify.terminal.since import check_kind, check_not_from_before, sounds_from_before
from verify.terminal.spec_memory import remember, remembered
from verify.words import Grade

if TYPE_CHECKING:
    from verify.terminal.desk import Desk, Live
    from verify.terminal.hands import Hands

NEVER_ZERO = ("torque", "rotational speed", "voltage", "pressure")


@dataclass(frozen=True, slots=True)
class Taken:
    """evidence: what the entry says of the files; recording: the newest one, for showing."""

    judged: Judged
    evidence: tuple[Mapping[str, Any], ...] = ()
    recording: Recording | None = field(default=None, compare=False)

    def with_private(self, **values: str) -> Taken:
        private = {**self.judged.private, **values}
        return replace(self, judged=replace(self.judged, private=private))


def ask_spec(desk: Desk, session: ReadOnlySession, name: str, hands: Hands) -> Live:
    """Asks for one number of the car and writes it down.

    What was entered for another car of the model is offered first, unless it is to be changed. A
    change is shown with the verdicts that turn, and has a reason.
    """
    from verify.terminal.desk import Secrets
    from verify.terminal.spec_change import reason_of_change, usual_or_insisted

    spec = session.graph.specs[name]
    known = remembered(desk.journal, session, name) if name not in session.specs else None
    if known is not None and known.usual(name) and hands.offer_spec(session, spec, known):
        return desk.write(
            "spec",
            spec_body(
                desk.live(),
                name=name,
                text=known.text,
                unit=known.unit,
                source=known.source,
                detail=known.detail,
                reused=known.origin,
            ),
        )
    given = hands.spec(session, spec)
    if given["text"]:
        _check_above_zero(parse(with_unit(given["text"], given["unit"])), spec.title)
    live = desk.live()
    given, insisted = usual_or_insisted(live, spec, given, hands, _check_above_zero)
    secrets = Secrets()
    if name in live.specs:
        reason = reason_of_change(desk, live, given, hands)
        if not reason:
            return live
        secrets.add("reason", reason)
    body = spec_body(
        live,
        name=given["name"],
        text=given["text"],
        unit=given["unit"],
        source=given["source"],
        detail=given.get("detail", ""),
        reason=secrets.digests.get("reason", ""),
        insisted=insisted,
    )
    live = desk.write("spec", body, secrets)
    if not insisted:
        remember(desk.journal, live, name)
    return live


def _check_above_zero(quantity: Quantity, title: str) -> None:
    """A limit at or below zero would let every reading pass. Raises UserError."""
    if unit(quantity.unit).dimension in NEVER_ZERO and not quantity.value > 0:
        raise UserError(
            Problem(
                found=f"{quantity} for {title}",
                expected="a number above zero",
                next="look it up again and enter it, or say that it was not found",
            )
        )


def ask_missing_specs(
    desk: Desk, session: ReadOnlySession, step: Step, hands: Hands
) -> ReadOnlySession:
    """The numbers this step holds its evidence against, each asked once in a job, and only when
    there is evidence to hold against them."""
    for name in step.detail.get("specs", ()):
        if name not in session.specs:
            session = ask_spec(desk, session, name, hands)
    return session


def take_answer(desk: Desk, session: ReadOnlySession, step: Step, hands: Hands) -> Taken:
    """Asks until an answer can be judged. Raises Wish; from an answers file also UserError."""
    while True:
        try:
            return judge_taken(desk, session, step, hands.answer(session, step), hands)
        except UserError as error:
            hands.trouble(error)


def judge_taken(
    desk: Desk, session: ReadOnlySession, step: Step, answer: Answer, hands: Hands
) -> Taken:
    if isinstance(answer, Number):
        check_reading(session, step, answer.text)
    if isinstance(answer, Number | Fastened):
        session = ask_missing_specs(desk, session, step, hands)
    if isinstance(answer, RecordingFile) and step.kind == "record":
        return _recording(desk, session, step, answer, hands)
    if isinstance(answer, Rehearsed):
        return Taken(Judged(rehearsed_outcome(session, step, answer)))
    if isinstance(answer, CodesRead) and step.detail.get("since_clear"):
        # The recording of the drive knows better than a memory of it.
        recorded = recorded_drive(session, _drive_read_again(desk, session))
        if recorded is not None:
            answer = replace(answer, drive=recorded, from_recording=True)
        answer = replace(answer, clear=told_clear(session, desk.clock.now()))
    judged = judge_answer(step, answer, spec_values(session))
    if isinstance(answer, Fastened) and any(r.finding == "unit-slip" for r in judged.results):
        wanted = spec_values(session)[step.detail["spec"]].quantity
        torque = hands.unit_slip(answer.torque, str(wanted))
        if torque:
            return judge_taken(desk, session, step, replace(answer, torque=torque), hands)
    if isinstance(answer, PhotoFile):
        sha256 = recordings.keep_picture(desk.journal, answer.path)
        # A photo can show a face or a plate: its hash stands apart with the personal data.
        return Taken(judged).with_private(photo=sha256, file=Path(answer.path).name)
    return Taken(judged)


def rehearsed_outcome(session: ReadOnlySession, step: Step, answer: Rehearsed) -> Outcome:
    """What findings come to that stand in the place of a recording.

    Raises UserError for anything but a draft played in memory: a job rests on evidence.
    """
    if not isinstance(session, DraftSession):
        raise UserError(
            Problem(
                found="findings without a recording",
                expected="the recording itself: a job rests on evidence",
                next="give its file, or play these answers with: keysback flows try",
                field=step.name,
            )
        )
    wanted, known = recorded_checks(step), catalogue().checks
    checks = []
    for check in wanted:
        finding = answer.findings.get(check, "")
        if finding not in known[check]:
            raise UserError(unknown(finding, known[check], f"finding of {check}"))
        checks.append((check, known[check][finding], finding))
    for check in answer.findings:
        if check not in wanted:
            raise UserError(unknown(check, wanted, "check of this step"))
    label = recorded_label(step, ((check, verdict) for check, verdict, _ in checks))
    return Outcome(label, Grade.RECORDED, checks=tuple(sorted(checks)))


def _drive_read_again(desk: Desk, session: ReadOnlySession) -> Recording | None:
    """The kept recording of the last road test; None where none was made or it is not at hand."""
    made = recording_of_drive(session)
    try:
        return recordings.reimport(desk.journal, [made])[0] if made is not None else None
    except UserError:
        return None


def _recording(
    desk: Desk, session: ReadOnlySession, step: Step, answer: RecordingFile, hands: Hands
) -> Taken:
    from verify.terminal.same_again import check_not_the_same_again

    name = Path(answer.path).name
    sha256 = recordings.keep(desk.journal, answer.path)
    check_not_from_before(session, step, sha256)
    layout = recordings.layout_of(desk.journal, sha256, name)
    check_kind(step, layout, name)
    if layout.sound:
        mapping = hands.told_of_sound(
            step, answer, lambda: recordings.key_on_proposals(desk.journal, sha256, name)
        )
    else:
        mapping = hands.mapping(desk, layout, answer)
    interval = answer.interval
    if not layout.has_time and not interval:
        interval = hands.interval(layout)
    new = recordings.import_kept(desk.journal, sha256, name, mapping, interval)
    if mapping and not layout.sound:
        # What was told of one sound is not so of the next.
        desk.journal.put_mapping(layout.key, mapping)
    session = ask_missing_specs(desk, session, step, hands)
    check_not_the_same_again(
        session, step, new, lambda item: recordings.reimport(desk.journal, [item])[0]
    )
    # After `undecided`, new evidence is judged together with the earlier; the entry names all of
    # it, so that the verdict can be computed again from the entry alone.
    kept = {
        item["sha256"]: item
        for visit in session.earlier_evidence(step.name)
        for item in visit.evidence or ()
        if item["sha256"] != sha256
    }
    items = [*kept.values(), *sounds_from_before(session, step, new, kept)]
    earlier = recordings.reimport(desk.journal, items)
    judged = judge_recordings(step, (*earlier, new), spec_values(session))
    judged = replace(judged, private={**judged.private, "file": name})
    return Taken(judged, (*items, recordings.provenance(new, interval)), new)
