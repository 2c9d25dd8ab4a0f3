"""The desk: the one place that writes a job down, with the clock, the person and the journal.

Every entry is folded before it is appended, so nothing that would not replay reaches the disk; and
it is on disk before `write` returns, so nothing a person has seen accepted can be lost.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from verify.errors import Problem, UserError
from verify.flow.graph import Graph
from verify.flow.load import edition_to_flow
from verify.flow.machine import Machine, compile_flow, replay_machine
from verify.flow.proof import ProvenFlow, prove
from verify.job.bodies import after, index_row
from verify.job.catalogue import catalogue
from verify.job.entry import GENESIS, Draft, Entry, hide, seal
from verify.job.journal import SqliteJournal, store_folder
from verify.job.memory import Journal
from verify.job.session import DraftSession, ReadOnlySession, Session, fold
from verify.terminal.clock import Clock, SystemClock, stamp

Live = Session | DraftSession

# No letters and digits that are taken for each other when read out across a workshop.
_JOB_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


def add_store_option(parser: Any) -> None:
    parser.add_argument(
        "--store",
        metavar="PATH",
        help="folder of the jobs (else KEYSBACK_STORE, else the platform's own place)",
    )


def open_store(option: str | None, *, readonly: bool = False) -> SqliteJournal:
    """readonly: for who only looks; makes no folder where there is none."""
    return SqliteJournal(Path(store_folder(option, os.environ)), readonly=readonly)


def new_job_id(journal: Journal) -> str:
    while True:
        name = "".join(secrets.choice(_JOB_LETTERS) for _ in range(6))
        if not journal.job_exists(name):
            return name


def person_id(journal: Any) -> str:
    """The opaque id of whoever works with this store; made once."""
    known = journal.setting("person")
    if known:
        return str(known)
    if getattr(journal, "readonly", False):
        return "p-unknown"  # whoever only looks writes nothing, so no id either
    made = new_person_id()
    journal.put_setting("person", made)
    return made


def new_person_id() -> str:
    return "p-" + "".join(secrets.choice(_JOB_LETTERS) for _ in range(10))


def proven_or_error(graph: Graph, source: str) -> ProvenFlow:
    """The proof, or a UserError with every finding."""
    result = prove(graph, catalogue())
    if isinstance(result, ProvenFlow):
        return result
    raise UserError(
        *(
            Problem(
                found=f.message + "".join(f"\n    {step}" for step in f.walk),
                next="a flow that does not prove cannot run; keysback flows try plays it in memory",
                file=source,
                line=f.line,
                field=f"steps.{f.step}" if f.step else "",
            )
            for f in result
        )
    )


@dataclass(slots=True)
class Desk:
    journal: Journal
    job: str
    machine: Machine
    clock: Clock = field(default_factory=SystemClock)
    person: str = "p-unknown"
    _session: ReadOnlySession | None = None

    def session(self) -> ReadOnlySession:
        """The job as the journal has it, folded once and then carried on entry by entry."""
        if self._session is None:
            self._session = fold(self.job, self.journal.entries(self.job), self.machine)
        return self._session

    def live(self) -> Live:
        """The session, for going on. Raises UserError where the job can only be read."""
        session = self.session()
        if isinstance(session, Session | DraftSession):
            return session
        raise UserError(
            Problem(
                found=f"job {self.job}, whose flow today's prover refuses",
                expected="a proven flow",
                next=f"read it with: keysback show {self.job}; end it with: "
                f"keysback resume {self.job} --close back-to-diagnosis",
            )
        )

    def open(self, body: Mapping[str, Any], apart: Secrets) -> Live:
        """The first entry of the job."""
        draft = self._draft("opened", body, apart.kept)
        first = fold(self.job, (seal(self.job, 1, draft, GENESIS),), self.machine)
        self.journal.append(self.job, draft, expected_head=GENESIS, index=index_row(first))
        self._session = first
        return self.live()

    def write(self, kind: str, body: Mapping[str, Any], apart: Secrets | None = None) -> Live:
        """Appends one entry to a job that can go on. Raises UserError, and then wrote nothing."""
        self.live()
        self.write_any(kind, body, apart)
        return self.live()

    def preview(self, kind: str, body: Mapping[str, Any]) -> ReadOnlySession:
        """The job as it would stand with this entry; nothing is written. Raises UserError."""
        return after(self.session(), self._draft(kind, body, {}))

    def write_any(
        self,
        kind: str,
        body: Mapping[str, Any],
        apart: Secrets | None = None,
        *,
        time: str = "",
    ) -> ReadOnlySession:
        """As `write`, and for a job that can only be read: notes, its closing, signatures.

        time: as in entries, where the body holds it too; else the clock's.
        """
        session = self.session()
        draft = self._draft(kind, body, apart.kept if apart else {}, time)
        new = after(session, draft)
        head = session.history[-1].digest
        self.journal.append(self.job, draft, expected_head=head, index=index_row(new))
        self._session = new
        return new

    def _draft(
        self,
        kind: str,
        body: Mapping[str, Any],
        private: Mapping[str, tuple[bytes, str]],
        time: str = "",
    ) -> Draft:
        time = time or stamp(self.clock.now())
        return Draft(kind, body, time, self.person, secrets.token_hex(16), private)

    def secret(self, digest: str) -> str:
        """A personal value by its digest, or words saying that it was erased."""
        found = self.journal.private(digest)
        return found if found is not None else "(erased on request)"

    def name(self, person: str) -> str:
        """A person's name with their id; the id alone where the store knows no name."""
        known = next((p for p in self.journal.people() if p.id == person), None)
        return f"{self.secret(known.name)} ({person})" if known is not None else person

    def shown(self, text: str) -> str:
        """Words that are not personal by their kind but may hold a VIN; a masking desk hides it."""
        return text


class Secrets:
    """Personal values on their way into an entry: field → digest for the body, the rest apart."""

    def __init__(self, **values: str) -> None:
        self.digests: dict[str, str] = {}
        self.kept: dict[str, tuple[bytes, str]] = {}
        for name, value in values.items():
            self.add(name, value)

    def add(self, name: str, value: str) -> str:
        digest, kept = hide(value)
        self.digests[name] = digest
        self.kept[digest] = kept
        return digest


def machine_of(journal: Any, entries: tuple[Entry, ...], language: str = "") -> Machine:
    """The machine of a job's pinned edition; one that only reads where the prover refuses it.

    language: of its texts, "" for English. Raises UserError where the edition does not speak it."""
    edition = str(entries[0].body["edition"])
    graph = edition_to_flow(journal.edition(edition), catalogue(), language=language).graph
    result = prove(graph, catalogue())
    return compile_flow(result) if isinstance(result, ProvenFlow) else replay_machine(graph)


def desk_for(
    journal: Any, text: str, clock: Clock | None = None, *, language: str | None = ""
) -> Desk:
    """The desk of a job that exists, named by its id or the beginning of it. Raises UserError.

    language: what its flow speaks, "" for English, None for what it spoke in the last sitting."""
    job = journal.find_job(text)
    entries = journal.entries(job)
    if language is None:
        sittings = [e for e in entries if e.kind in ("opened", "sitting")]
        language = str(sittings[-1].body.get("language", ""))
    desk = Desk(journal, job, machine_of(journal, entries, language), clock or SystemClock())
    desk.person = person_id(journal)
    return desk
