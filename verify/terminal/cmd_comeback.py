"""`keysback comeback JOB`: the car is back; a job of its own, with the old one as its "before"."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    from verify.flow.load import Loaded
    from verify.job.journal import SqliteJournal
    from verify.job.session import ReadOnlySession
    from verify.terminal.desk import Desk

HELP = "the car came back: a linked job, the old one as its before"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option
    from verify.terminal.sitting import add_sitting_options

    p = argparse.ArgumentParser(
        description="Opens a job for a car that came back, linked with the job before, and walks "
        "through it. Shows how the old one ended, what stayed open, and the recordings that are "
        "its before. What was to follow there is not taken any more."
    )
    p.add_argument("job", help="the job before: its id, or its beginning")
    p.add_argument(
        "--flow", metavar="FLOW", help="another kind of repair than before: a flow or a flow file"
    )
    add_sitting_options(p)
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError where the job before has not ended, or its flow is not to be found."""
    from contextlib import ExitStack

    from verify.job.bodies import comeback_body, opened_body
    from verify.terminal import sitting
    from verify.terminal.answers_file import load_answers
    from verify.terminal.bench import at_bench
    from verify.terminal.clock import SystemClock
    from verify.terminal.desk import Desk, Secrets, desk_for, new_job_id, open_store
    from verify.terminal.tongue import language_wanted, speaking, tr
    from verify.terminal.ui import Wish
    from verify.terminal.ui_lines import LineUi
    from verify.terminal.ui_screen import pick

    with open_store(args.store) as journal, ExitStack() as stack:
        clock = SystemClock()
        old = desk_for(journal, args.job, clock, language=None)
        # As the job before was done, unless another language is asked for.
        language = old.session().language
        if args.language:
            language = language_wanted(args.language, {})
        stack.enter_context(speaking(language))
        worker = at_bench(journal, args.by, old.session().audience.value)
        old.person = worker.person
        _mend_link(old, journal)
        before = old.session()
        _check(before, scripted=bool(args.answers))
        loaded, machine = _flow(before, args.flow, language)
        audience = before.audience
        if audience not in loaded.graph.audiences:
            audience = loaded.graph.audiences[0]
        answers = load_answers(Path(args.answers), loaded.graph) if args.answers else None
        LineUi().tell(*before_lines(old, journal))
        ui = pick(args.lines)
        try:
            mode = args.mode or ("as-work" if answers is not None else sitting.ask_mode(ui))
        except Wish:
            say_plain(tr("Nothing was opened."))
            return 0
        journal.put_edition(loaded.edition, loaded.content)
        desk = Desk(journal, new_job_id(journal), machine, clock, worker.person)
        # The same car under new salts: from the entries alone nobody can tell that it is the same.
        secrets = Secrets(**_car(old, before))
        body = opened_body(
            machine,
            edition=loaded.edition,
            audience=audience,
            mode=mode,
            units=args.units or before.units,
            scripted=answers is not None,
            car=secrets.digests,
            model=before.model,
            comeback_of=(before.job, before.history[-1].digest),
            language=language,
        )
        session = desk.open(body, secrets)
        old.write_any("comeback", comeback_body(before, desk.job, session.history[0].digest))
        words = tr("Job {job} is open, a comeback of {before}.", job=desk.job, before=before.job)
        say_plain(f"\n{words}")
        say_plain(tr("If you break off: keysback resume {job}", job=desk.job))
        if words := worker.words():
            say_plain(words)
        return sitting.sit(desk, sitting.hands_for(args, ui, answers, clock), worker)


def _mend_link(old: Desk, journal: SqliteJournal) -> None:
    """Where a comeback broke off between its first entry and the link in the job before, the link
    is written now."""
    from verify.job.bodies import comeback_body

    known = {c.job for c in old.session().comebacks}
    for row in journal.jobs():
        if row.get("comeback_of") == old.job and row["job"] not in known:
            job = str(row["job"])
            head = journal.entries(job)[0].digest
            old.write_any("comeback", comeback_body(old.session(), job, head))


def _check(before: ReadOnlySession, *, scripted: bool) -> None:
    from verify.errors import Problem, UserError

    if before.ending is None:
        raise UserError(
            Problem(
                found=f"job {before.job}, which has not ended",
                expected="a job whose car had left",
                next=f"go on with it: keysback resume {before.job}",
            )
        )
    if before.comebacks:
        last = before.comebacks[-1].job
        raise UserError(
            Problem(
                found=f"job {before.job}, whose car came back already as job {last}",
                expected="the last job of this car",
                next=f"go on with that one, or open its comeback: keysback comeback {last}",
            )
        )
    if scripted and not before.scripted:
        raise UserError(
            Problem(
                found=f"an answers file for job {before.job}, which was no rehearsal",
                expected="answers given at the car",
                next="leave --answers out",
            )
        )


def _flow(before: ReadOnlySession, wanted: str | None, language: str) -> tuple[Loaded, Any]:
    """The flow as it is today, and its machine. Raises UserError."""
    from verify.errors import Problem, UserError
    from verify.flow.machine import compile_flow
    from verify.job.catalogue import catalogue
    from verify.terminal import library
    from verify.terminal.desk import proven_or_error

    name = wanted or before.flow
    if wanted is None and name not in library.flow_names():
        raise UserError(
            Problem(
                found=f"the flow {name} of job {before.job}, which is not among the packaged ones",
                expected="--flow FILE",
                next="name the flow file, or another flow: keysback flows lists them",
                field="--flow",
            )
        )
    loaded = library.load_flow(name, catalogue(), language)
    return loaded, compile_flow(proven_or_error(loaded.graph, name))


def _car(old: Desk, before: ReadOnlySession) -> dict[str, str]:
    """The car's personal words; those that were erased stay so."""
    found = {name: old.journal.private(digest) for name, digest in before.car.items()}
    return {name: text for name, text in found.items() if text is not None}


def before_lines(old: Desk, journal: SqliteJournal) -> list[str]:
    """How the job before ended, what stayed open, and the recordings that are the "before"."""
    from verify.terminal.clock import local
    from verify.terminal.endings import failed_steps, head
    from verify.terminal.tongue import tr

    session = old.session()
    day = local(session.updated)
    lines = [tr("Job {job}, {day}: {head}", job=session.job, day=day, head=head(session))]
    if open_now := session.open_steps():
        lines += ["", tr("Open when the car left:"), *(f"  - {s.title}" for s in open_now)]
    if failed := failed_steps(session):
        lines += ["", tr("Failed:"), *(f"  - {line}" for line in failed)]
    if files := evidence_lines(old, session, journal):
        lines += ["", tr("Its recordings are the before:"), *files]
        lines.append(tr("Hold a new one against them: keysback compare BEFORE AFTER"))
    return lines


def evidence_lines(old: Desk, session: ReadOnlySession, journal: SqliteJournal) -> list[str]:
    """Each recording once: step, name as handed in, and where its bytes lie."""
    from verify.terminal.clock import local
    from verify.terminal.tongue import tr

    lines, seen = [], set()
    for visit in (*session.walk, *session.proofs):
        for item in visit.evidence or ():
            sha256 = item.get("sha256", "")
            if item.get("kind") != "recording" or sha256 in seen:
                continue
            seen.add(sha256)
            name = old.secret(visit.private["file"]) if "file" in visit.private else sha256[:12]
            title = session.graph.steps[visit.step].title
            if not journal.has_evidence(sha256):
                name += tr(" (its bytes are gone, the hash is kept)")
            else:
                place = f"evidence/{sha256[:2]}/{sha256}"
                name += tr(", in the store as {place}", place=place)
            lines.append(f"  - {title}, {local(visit.time)}: {name}")
    return lines
