"""Entries → a job as it stands: the fold, one method a kind of entry.

    fold(…, FlowMachine)     → Session           can go on
    fold(…, DraftMachine)    → DraftSession      can go on, in memory only: no journal, no sign-off
    fold(…, ReadOnlyMachine) → ReadOnlySession   can be read, noted on, and closed by hand

Pure: no clock, no disk, nothing random, and no verdict is computed; stored outcomes are read. The
same entries give the same session on any machine of the same edition (invariant 1). What may be
appended next is built in `bodies`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, TypeVar, overload

from verify.errors import Problem, UserError
from verify.flow.graph import Outcome
from verify.flow.machine import DraftMachine, FlowMachine, Machine, ReadOnlyMachine
from verify.job.after_end import AfterEnd
from verify.job.entry import KINDS, Entry
from verify.job.signature_shape import read_signature
from verify.job.visits import (
    WORK,
    Comeback,
    Correction,
    Decision,
    DraftSession,
    Erased,
    Misfit,
    Note,
    Pending,
    ReadOnlySession,
    Session,
    SetAside,
    Signature,
    SignOff,
    Stamp,
    StoredSpec,
    Visit,
    Wait,
)
from verify.job.walk import Walk
from verify.words import Audience

__all__ = [
    "Comeback",
    "Correction",
    "Decision",
    "DraftSession",
    "Erased",
    "Note",
    "Pending",
    "ReadOnlySession",
    "Session",
    "SetAside",
    "SignOff",
    "Signature",
    "StoredSpec",
    "Visit",
    "Wait",
    "fold",
    "fold_on",
]

S = TypeVar("S", bound=ReadOnlySession)


@overload
def fold(job: str, entries: tuple[Entry, ...], machine: FlowMachine) -> Session: ...
@overload
def fold(job: str, entries: tuple[Entry, ...], machine: DraftMachine) -> DraftSession: ...
@overload
def fold(job: str, entries: tuple[Entry, ...], machine: ReadOnlyMachine) -> ReadOnlySession: ...
@overload
def fold(job: str, entries: tuple[Entry, ...], machine: Machine) -> ReadOnlySession: ...


def fold(job: str, entries: tuple[Entry, ...], machine: Machine) -> ReadOnlySession:
    """Where `job` stands after `entries` on the machine of its edition.

    Raises UserError naming the first entry that does not fit what came before it. The chain of
    hashes is not looked at here; the journal does that.
    """
    kind: type[ReadOnlySession] = ReadOnlySession
    if isinstance(machine, FlowMachine):
        kind = Session
    elif isinstance(machine, DraftMachine):
        kind = DraftSession
    return _fold(job, entries, machine, kind)


def fold_on(session: S, entry: Entry) -> S:
    """The session with one more entry. Raises UserError where it does not fit."""
    return _fold(session.job, (*session.history, entry), session.machine, type(session))


def _fold(job: str, entries: tuple[Entry, ...], machine: Machine, kind: type[S]) -> S:
    if not entries:
        raise UserError(
            Problem(f"job {job} without any entry", "a job that was opened", "open it first")
        )
    folding = _Fold(job, machine)
    for entry in entries:
        try:
            folding.take(entry)
        except Misfit as misfit:
            raise UserError(
                Problem(
                    found=f"entry {entry.seq} of job {job} does not fit: {misfit.found}",
                    expected=misfit.expected,
                    next=misfit.next,
                )
            ) from None
    return folding.session(kind, entries)


class _Fold(AfterEnd):
    """The state while entries are read, one method a kind."""

    def __init__(self, job: str, machine: Machine) -> None:
        super().__init__(job, machine.graph, Walk(machine, machine.graph.audiences[0]))
        self.machine = machine
        self.count = 0
        self.mode, self.language, self.paused = "", "", False
        self.notes: list[Note] = []
        self.erasures: list[Erased] = []
        self.corrections: list[Correction] = []
        self.skipped: list[Wait] = []
        self.signatures: list[Signature] = []
        self.last: Entry | None = None

    def take(self, entry: Entry) -> None:
        self.count += 1
        if (entry.job, entry.seq) != (self.job, self.count):
            raise Misfit(
                f"entry {entry.seq} of job {entry.job}",
                f"entry {self.count} of job {self.job}",
                "restore the store from a backup",
            )
        if entry.kind not in KINDS or entry.version > KINDS[entry.kind][0]:
            raise Misfit(
                f"a kind of entry this version does not know ({entry.kind}, {entry.version})",
                ", ".join(KINDS),
                "install the version of keysback that wrote it, or a later one",
            )
        if (entry.kind == "opened") != (self.count == 1):
            raise Misfit(f"{entry.kind} as entry {self.count}", "opened first, once", "open a job")
        if entry.kind not in ("note", "signature", "erased"):
            self.paused = entry.kind == "paused"
        stamp = Stamp(entry.seq, entry.time, entry.person, self.mode)
        self.check_not_over(entry)
        _KINDS[entry.kind](self, entry.body, stamp)
        if entry.kind in WORK:
            self.worked[entry.person] = entry.seq
        self.last = entry

    def open(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        if body["flow"] != self.graph.flow_id or body["audience"] not in self.graph.audiences:
            raise Misfit(
                f"a job of the flow {body['flow']} for {body['audience']}",
                f"one of {self.graph.flow_id} for " + " or ".join(self.graph.audiences),
                "load the edition the job was opened with",
            )
        before = body.get("comeback_of", {})
        if before and set(before) != {"job", "head"}:
            raise Misfit(
                "a comeback that does not say of what",
                "the job before and the hash of its last entry",
                "restore the store from a backup",
            )
        self.opened = body
        self.sitting(body, stamp)
        self.walk.audience = Audience(body["audience"])
        self.walk.begin(replace(stamp, mode=self.mode))
        self.look_for_the_end()

    def sitting(self, body: Mapping[str, Any], _stamp: Stamp) -> None:
        self.walk.check_not_stopped("another sitting")
        if body["mode"] not in ("as-work", "afterwards"):
            raise Misfit(f'the mode "{body["mode"]}"', "as-work or afterwards", "write one of them")
        self.mode = body["mode"]
        language = body.get("language", "")
        if not isinstance(language, str) or len(language) > 8:
            raise Misfit(f"the language {language!r}", 'a word such as "de"', "write one")
        self.language = language
        self.scripted = self.scripted or bool(body.get("scripted", False))

    def spec(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        self.walk.check_not_stopped("a spec")
        if body["name"] not in self.graph.specs:
            raise Misfit(
                f'the spec "{body["name"]}"',
                "one of " + (", ".join(self.graph.specs) or "none"),
                "name a spec of this flow",
            )
        typed = body["name"], body["text"], body["unit"], body["source"], body.get("detail", "")
        self.specs[body["name"]] = StoredSpec(
            *typed,
            *(stamp.seq, stamp.time, stamp.person),
            body.get("reused", {}),
            bool(body.get("insisted", False)),
        )

    def outcome(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        if "from" in body:
            self.walk.take_ready(
                body["step"], body["attempt"], outcome_of(body["outcome"]), body["from"], stamp
            )
        else:
            self.walk.answer(
                _visit(body, stamp), stamp, settles="reason" in body.get("private", {})
            )
        self.look_for_the_end()

    def proof(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        self.walk.prove(_visit(body, stamp))
        self.look_for_the_end()

    def correction(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        old = self.walk.correct(body["of"], _visit(body, stamp), stamp)
        self.look_for_the_end()
        self.corrections.append(
            Correction(
                *(stamp.seq, stamp.time, stamp.person),
                *(body["of"], body["step"], body["attempt"]),
                old.outcome,
                outcome_of(body["outcome"]),
                body["reason"],
            )
        )

    def rejudged(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        self.walk.rejudge(body["of"], _visit(body, stamp), stamp)
        self.look_for_the_end()

    def wait_started(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        pending = self._waiting(body)
        wait = pending.wait
        if wait is not None and (wait.over or not body.get("restarted", False)):
            raise Misfit("a wait that is started twice", "its end", "wait for its end, or skip it")
        if body["seconds"] < (pending.wait_s or 0):
            raise Misfit(
                f"a wait of {body['seconds']} s at {pending.step}",
                f"{pending.wait_s} s",
                "wait as long as the flow says, or skip it with a reason",
            )
        self._set_wait(pending, "running", stamp, seconds=body["seconds"], started=stamp.time)

    def wait_ended(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        pending = self._waiting(body)
        wait = pending.wait
        if wait is None or wait.over:
            raise Misfit("the end of a wait that does not run", "its start", "start the wait first")
        self._set_wait(pending, "ended", stamp, seconds=wait.seconds, started=wait.started)

    def wait_skipped(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        pending = self._waiting(body)
        wait = pending.wait
        if wait is not None and wait.over:
            raise Misfit("a wait skipped that was over", "one that runs", "answer the step")
        self._set_wait(
            pending,
            "skipped",
            stamp,
            seconds=pending.wait_s or 0,
            started=wait.started if wait is not None else "",
            reason=body["reason"],
        )
        assert self.walk.wait is not None
        self.skipped.append(self.walk.wait)

    def note(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        self._named(body)
        self.notes.append(
            Note(stamp.seq, stamp.time, stamp.person, body.get("step", ""), body["private"])
        )

    def erased(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        texts, pictures, recordings = (body[n] for n in ("texts", "pictures", "recordings"))
        counts = [n for n in (texts, pictures) if type(n) is int and n >= 0]
        named = isinstance(recordings, list) and all(isinstance(r, str) for r in recordings)
        if len(counts) != 2 or not named:
            raise Misfit(
                "an erasure that does not say what was erased",
                "how many texts and pictures, and which recordings",
                "restore the store from a backup",
            )
        who = stamp.seq, stamp.time, stamp.person
        self.erasures.append(Erased(*who, texts, pictures, tuple(recordings)))

    def pause(self, body: Mapping[str, Any], _stamp: Stamp) -> None:
        self._named(body)
        self.walk.check_not_stopped("a pause")

    def sign(self, body: Mapping[str, Any], stamp: Stamp) -> None:
        assert self.last is not None  # an opening stands before it
        self.signatures.append(read_signature(body, stamp, self.last))

    def _named(self, body: Mapping[str, Any]) -> None:
        if body.get("step", "") not in ("", *self.graph.steps, *self.graph.endings):
            raise Misfit(f'the step "{body["step"]}"', "a step of this flow", "name one of those")

    def _waiting(self, body: Mapping[str, Any]) -> Pending:
        pending = self.walk.pending() or self.walk.asked_later(body["step"])
        if (
            pending is None
            or pending.wait_s is None
            or (body["step"], body["attempt"]) != (pending.step, pending.attempt)
        ):
            raise Misfit(
                f"a wait at {body['step']}, attempt {body['attempt']}",
                f"one at {pending.step}, attempt {pending.attempt}"
                if pending is not None and pending.wait_s is not None
                else "none, as nothing is waited for now",
                "show the question again and answer it as it stands",
            )
        return pending

    def _set_wait(
        self,
        pending: Pending,
        state: str,
        stamp: Stamp,
        *,
        seconds: float,
        started: str,
        reason: str = "",
    ) -> None:
        at = pending.step, pending.attempt
        self.walk.wait = Wait(*at, seconds, state, started, stamp.seq, stamp.person, reason)

    def session(self, kind: type[S], entries: tuple[Entry, ...]) -> S:
        body, walk, steps = self.opened, self.walk, self.graph.steps
        aside = [a for there in walk.aside.values() for a in there.values() if not a.visit.gate]
        seen = {*walk.last, *walk.aside, *(v.step for v in walk.proofs)}
        before = {
            name: walk.earlier_evidence(name)
            for name, step in steps.items()
            if step.kind == "record" and name in seen
        }
        return kind(
            job=self.job,
            flow=body["flow"],
            edition=body["edition"],
            graph=self.graph,
            audience=walk.audience,
            units=body["units"],
            mode=self.mode,
            language=self.language,
            scripted=self.scripted,
            demo=bool(body.get("demo", False)),
            car=body.get("car") or {},
            model=body.get("model", ""),
            at=walk.at,
            ending=self.ending,
            stopped=walk.ended == "stop",
            closed=walk.ended == "closed",
            paused=self.paused,
            walk=tuple(walk.visits),
            made=MappingProxyType(walk.made),
            pending=walk.pending(),
            specs=MappingProxyType(self.specs),
            notes=tuple(self.notes),
            decisions=tuple(self.decisions),
            erased=tuple(self.erasures),
            corrections=tuple(self.corrections),
            skipped_waits=tuple(self.skipped),
            signatures=tuple(self.signatures),
            sign_offs=tuple(self.sign_offs),
            proofs=tuple(walk.proofs),
            to_prove=MappingProxyType({} if self.comebacks else walk.to_prove()),
            proof_failed=walk.proof_failed(),
            comeback_of=body.get("comeback_of", {}),
            comebacks=tuple(self.comebacks),
            aside=tuple(sorted(aside, key=lambda a: a.visit.rank)),
            open_required=tuple(s.name for s in walk.open_steps()),
            evidence_before=MappingProxyType({n: v for n, v in before.items() if v}),
            opened=entries[0].time,
            updated=entries[-1].time,
            history=entries,
            machine=self.machine,
        )


_KINDS: Mapping[str, Callable[[_Fold, Mapping[str, Any], Stamp], None]] = {
    "opened": _Fold.open,
    "sitting": _Fold.sitting,
    "spec": _Fold.spec,
    "outcome": _Fold.outcome,
    "correction": _Fold.correction,
    "rejudged": _Fold.rejudged,
    "wait-started": _Fold.wait_started,
    "wait-ended": _Fold.wait_ended,
    "wait-skipped": _Fold.wait_skipped,
    "note": _Fold.note,
    "decision": _Fold.decide,
    "paused": _Fold.pause,
    "closed": _Fold.close,
    "signature": _Fold.sign,
    "erased": _Fold.erased,
    "sign-off": _Fold.sign_off,
    "proof": _Fold.proof,
    "comeback": _Fold.comeback,
}


def outcome_of(body: Mapping[str, Any]) -> Outcome:
    """A stored outcome. Raises Misfit where it is none."""
    try:
        return Outcome.from_json(body)
    except (KeyError, ValueError, TypeError, ZeroDivisionError) as error:
        raise Misfit(
            f"an outcome that cannot be read ({error})",
            "an outcome as it is stored",
            "restore the store from a backup",
        ) from None


def _visit(body: Mapping[str, Any], stamp: Stamp) -> Visit:
    return Visit(
        step=body["step"],
        attempt=body["attempt"],
        outcome=outcome_of(body["outcome"]),
        seq=stamp.seq,
        placed=stamp.seq,
        rank=stamp.seq,
        time=stamp.time,
        person=stamp.person,
        mode=stamp.mode,
        private=body.get("private", {}),
        values=body.get("values"),
        results=body.get("results"),
        evidence=body.get("evidence"),
    )
