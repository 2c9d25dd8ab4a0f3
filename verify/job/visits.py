"""A session and what it is made of: visits, the open question, waits, notes. Frozen data.

Between the entries (as stored) and everything that shows or judges a job. The rules are in `walk`
(moving over the flow) and `folding` (one entry after the other).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from verify.flow.graph import Ending, Graph, Outcome, Step
from verify.flow.machine import Machine
from verify.job.entry import Entry
from verify.words import Audience, EndingKind, Grade


@dataclass(frozen=True, slots=True)
class Stamp:
    """Which entry, when, by whom (an opaque id), and whether as work went on or afterwards."""

    seq: int
    time: str
    person: str
    mode: str


@dataclass(frozen=True, slots=True)
class Visit:
    """One answer to one step, or what a gate found.

    seq: the entry the answer was given in. It names the answer in corrections, in re-judgements
        and when it is taken up again; `time` and `person` are those of that entry.
    placed: the entry that put it on the live walk; another than `seq` where an answer that had
        been set aside was taken up again.
    rank: the entry of the first answer, before any correction of it: where in the course of the
        work it belongs. A remedy done before a fail stays before it, whatever is corrected.
    mode: "as-work" or "afterwards".
    private: field → salted digest. values, results, evidence: as stored; None where there is none.
    waited: the countdown of this step had ended, or its skipping had a reason.
    corrected: the answer this one replaced; rejudged: the entry that judged it anew; 0 for none.
    """

    step: str
    attempt: int
    outcome: Outcome
    seq: int
    placed: int
    rank: int
    time: str
    person: str
    mode: str
    gate: bool = False
    private: Mapping[str, str] = field(default_factory=dict)
    values: Any = None
    results: Any = None
    evidence: Any = None
    waited: bool = False
    corrected: int = 0
    rejudged: int = 0


@dataclass(frozen=True, slots=True)
class SetAside:
    """An answer on a stretch that a correction cut off.

    discarded: another answer was given where it was offered; it is offered no more.
    settled: a fail that was answered differently, with a reason, where it was offered.
    """

    visit: Visit
    discarded: bool = False
    settled: bool = False


@dataclass(frozen=True, slots=True)
class Wait:
    """The countdown of a step. state: "running", "ended" or "skipped"; reason: salted digest."""

    step: str
    attempt: int
    seconds: float
    state: str
    started: str
    seq: int
    person: str
    reason: str = ""

    @property
    def over(self) -> bool:
        return self.state != "running"


@dataclass(frozen=True, slots=True)
class Pending:
    """The question that is open.

    attempt: the number a new answer gets.
    ready: the answer given before a correction cut this stretch off; with it nothing is asked anew.
        None where the car became another one since (a remedy, codes cleared): such an answer is
        neither offered nor taken, unless it is the fail that locks the step.
    locked: this step failed there and nothing was done to the car since, so the ready answer is
        the only one, but for `stop`; where no computation stands behind it, another may be given
        with a reason (`reason` among its private fields).
    wait_s: seconds to wait before it can be `done`, None where there is nothing to wait for.
    wait: the countdown for this attempt, None while it was not started.
    """

    step: str
    attempt: int
    ready: Visit | None
    locked: bool
    wait_s: float | None
    wait: Wait | None


@dataclass(frozen=True, slots=True)
class StoredSpec:
    """A spec as typed; the last one of a name counts. reused: where it was taken over from;
    insisted: it is not usual, and was entered twice."""

    name: str
    text: str
    unit: str
    source: str
    detail: str
    seq: int
    time: str
    person: str
    reused: Mapping[str, str] = field(default_factory=dict)
    insisted: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """private: field → salted digest; step: where it was written, "" if nowhere in particular."""

    seq: int
    time: str
    person: str
    step: str
    private: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Erased:
    """What was erased on request: how many personal texts and pictures, which recordings."""

    seq: int
    time: str
    person: str
    texts: int
    pictures: int
    recordings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Decision:
    """What a person decided after the ending. choice, advised, ruled_out: names of ways; figures:
    as typed; private: field → salted digest."""

    seq: int
    time: str
    person: str
    about: str
    choice: str
    advised: str
    ruled_out: tuple[str, ...]
    figures: Mapping[str, Any]
    private: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Correction:
    """of: the answer that was replaced; reason: salted digest."""

    seq: int
    time: str
    person: str
    of: int
    step: str
    attempt: int
    was: Outcome
    now: Outcome
    reason: str


@dataclass(frozen=True, slots=True)
class SignOff:
    """A second person's decision; reason: salted digest, "" where it was accepted.

    of, step: the answer that was sent back. looked: None where the flow asks for no look of the
    signer's own, else whether they took one; wrong: what they found wrong. shown: names of the
    points they were shown first, each with its entries. answers: of those that are grave, each
    with its entries and the reason (salted digest) for accepting it; () before they were asked for.
    """

    seq: int
    time: str
    person: str
    accepted: bool
    of: int = 0
    step: str = ""
    reason: str = ""
    looked: bool | None = None
    wrong: tuple[str, ...] = ()
    shown: tuple[tuple[str, tuple[int, ...]], ...] = ()
    answers: tuple[tuple[str, tuple[int, ...], str], ...] = ()


@dataclass(frozen=True, slots=True)
class Comeback:
    """The car came back: job is the one opened for it, head the hash of that job's first entry."""

    seq: int
    time: str
    person: str
    job: str
    head: str


@dataclass(frozen=True, slots=True)
class Signature:
    """A signature as it stands in its entry `seq`; whether it holds is not known here (`signing`).

    over: number of the entry whose hash was signed, always the one before; through the chain that
        is everything up to it. kid: fingerprint of the key. purpose, role: see `people`.
    """

    seq: int
    time: str
    person: str
    purpose: str
    role: str
    over: int
    head: str
    kid: str
    jwk: Mapping[str, str]
    jws: str


class Misfit(Exception):
    """What a session cannot take in its present state; turned into a UserError further up."""

    def __init__(self, found: str, expected: str, next: str) -> None:
        super().__init__(f"found {found}; expected {expected}; {next}")
        self.found, self.expected, self.next = found, expected, next


def computed(step: Step, outcome: Outcome) -> bool:
    """Whether a recording was judged, rather than something told in its place."""
    return step.kind == "record" and outcome.grade is Grade.RECORDED


# Entries by which somebody works at a job. A signer who sends it back has not: another does it.
WORK = (
    "outcome",
    "correction",
    "rejudged",
    "spec",
    "proof",
    "wait-started",
    "wait-ended",
    "wait-skipped",
    "closed",
)

# How a job may end by hand: without the keys, whatever the flow says.
BY_HAND = (EndingKind.BACK_TO_DIAGNOSIS, EndingKind.DO_NOT_DRIVE)


@dataclass(frozen=True, slots=True)
class ReadOnlySession:
    """Where a job stands, and everything that led there.

    mode: "as-work" or "afterwards", of the present sitting. language: in which the flow was shown
        in it, "" for English. model: as the shop writes it, or "".
    at: name of a step or an ending.
    ending: None while the job goes on; stopped: it ended with `stop`; closed: by hand.
    walk: the live visits, gates among them. made: step → attempts ever made, never less.
    aside: answers on stretches that corrections cut off, in the order the work was done.
    sign_offs: all decisions of signers (see `signed_off`).
    proofs: what came in after the keys went back, in order; not on the walk. to_prove: the open
        steps for which proof may still come in, and what is asked; proof_failed: names of those
        whose proof failed.
    comeback_of: {job, head} of the job this car comes back from; comebacks: those opened since.
    open_required: names of the required steps that have not passed (see `open_steps`).
    opened, updated: times of the first and the last entry. history: all entries.
    """

    job: str
    flow: str
    edition: str
    graph: Graph
    audience: Audience
    units: str
    mode: str
    language: str
    scripted: bool
    demo: bool
    car: Mapping[str, Any]
    model: str
    at: str
    ending: Ending | None
    stopped: bool
    closed: bool
    paused: bool
    walk: tuple[Visit, ...]
    made: Mapping[str, int]
    pending: Pending | None
    specs: Mapping[str, StoredSpec]
    notes: tuple[Note, ...]
    decisions: tuple[Decision, ...]
    erased: tuple[Erased, ...]
    corrections: tuple[Correction, ...]
    skipped_waits: tuple[Wait, ...]
    signatures: tuple[Signature, ...]
    sign_offs: tuple[SignOff, ...]
    proofs: tuple[Visit, ...]
    to_prove: Mapping[str, Pending]
    proof_failed: tuple[str, ...]
    comeback_of: Mapping[str, str]
    comebacks: tuple[Comeback, ...]
    aside: tuple[SetAside, ...]
    open_required: tuple[str, ...]
    evidence_before: Mapping[str, tuple[Visit, ...]]
    opened: str
    updated: str
    history: tuple[Entry, ...] = field(repr=False)
    machine: Machine = field(repr=False, compare=False)

    def step(self) -> Step:
        """The step that is asked now. Raises ValueError at the end."""
        if self.pending is None:
            raise ValueError("the job has ended; nothing is asked")
        return self.graph.steps[self.pending.step]

    def open_steps(self) -> tuple[Step, ...]:
        """The required steps that have not passed on the live walk, in the order of the flow.

        A fail on a stretch set aside counts until it is answered for, wherever the walk went.
        """
        return tuple(self.graph.steps[name] for name in self.open_required)

    def earlier_evidence(self, step: str) -> tuple[Visit, ...]:
        """The visits of a step whose evidence is to be judged together with new one, oldest first:
        those since its last fail and since the last remedy. () if there is none."""
        return self.evidence_before.get(step, ())

    def last(self, step: str) -> Visit | None:
        """The last live visit of a step; what was proven later counts as one."""
        live = (*self.walk, *self.proofs)
        return next((v for v in reversed(live) if v.step == step), None)

    def correctable(self) -> tuple[Visit, ...]:
        """The live answers that a correction may replace, in the order of the walk."""
        if self.stopped or self.closed or self.comebacks:
            return ()
        steps, signed = self.graph.steps, self.signed_off.seq if self.signed_off else 0
        return tuple(
            v
            for v in (*self.walk, *self.proofs)
            if not v.gate and v.seq > signed and not computed(steps[v.step], v.outcome)
        )

    @property
    def signed_off(self) -> SignOff | None:
        """The acceptance that stands, by somebody who did not work on the car; None without."""
        return self.sign_offs[-1] if self.sign_offs and self.sign_offs[-1].accepted else None

    @property
    def proven_later(self) -> bool:
        """Whether the keys went back with proof to follow, and all of it has come in."""
        kind = self.ending.kind if self.ending is not None else None
        done = kind is EndingKind.PROOF_TO_FOLLOW and not self.open_required
        return done and bool(self.proofs) and not self.proof_failed

    def workers(self) -> frozenset[str]:
        """Ids of whoever worked at this job: none of them may sign it off."""
        return frozenset(e.person for e in self.history if e.kind in WORK)

    def unsigned(self) -> tuple[Entry, ...]:
        """The entries that no signature stands behind: those after the last one."""
        return self.history[self.signatures[-1].seq if self.signatures else 0 :]

    def closings(self) -> tuple[Ending, ...]:
        """The endings in which the job can be closed by hand: () once it is over.

        Handed back with proof to follow, a job is still open and can be closed.
        """
        if self.closed or self.stopped or self.comebacks or self.proven_later:
            return ()
        if self.ending is not None and self.ending.kind is not EndingKind.PROOF_TO_FOLLOW:
            return ()
        return by_hand(self.graph)


@dataclass(frozen=True, slots=True)
class Session(ReadOnlySession):
    """A job that runs on a proven flow."""


@dataclass(frozen=True, slots=True)
class DraftSession(ReadOnlySession):
    """A draft that is played in memory. No journal on disk and no sign-off may take it."""


def by_hand(graph: Graph) -> tuple[Ending, ...]:
    """The endings a job of this flow can be closed in by hand.

    Where the flow has none of a kind, a plain one under the kind's own name.
    """
    found = [e for e in graph.endings.values() if e.kind in BY_HAND]
    for kind in BY_HAND:
        if all(e.kind is not kind for e in found) and kind.value not in graph.endings:
            title = kind.value.replace("-", " ").capitalize()
            found.append(Ending(kind.value, kind, title, ""))
    return tuple(found)
