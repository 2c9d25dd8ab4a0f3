"""`keysback flows upgrade JOB`: what today's edition of its flow would ask in addition."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from verify.terminal.flows_explain import wrapped

if TYPE_CHECKING:
    from verify.flow.editions import Upgrade
    from verify.flow.load import Loaded
    from verify.job.session import ReadOnlySession


def add(words: Any) -> None:
    from verify.terminal.desk import add_store_option

    p = words.add_parser("upgrade", help="what today's edition of a job's flow would ask as well")
    p.add_argument("job", help="the job's id, or its beginning")
    p.add_argument("--flow", metavar="FILE", help="compare with this flow (else the library's)")
    add_store_option(p)


def run(args: argparse.Namespace) -> int:
    from verify.errors import Problem, UserError
    from verify.flow.editions import upgrade
    from verify.job.catalogue import catalogue
    from verify.terminal import library
    from verify.terminal.desk import desk_for, open_store
    from verify.terminal.flows_prove import prove_one

    with open_store(args.store, readonly=True) as journal:
        desk = desk_for(journal, args.job)
        session = desk.session()
        own = session.graph
        name = args.flow or own.flow_id
        if args.flow is None and name not in library.flow_names():
            raise UserError(
                Problem(
                    found=f"“{own.title}” ({name}), which the library does not have",
                    expected="a flow to compare the job's own edition with",
                    next="name its file: --flow FILE",
                    field="--flow",
                )
            )
        newer = library.load_flow(name, catalogue())
        print(f"Job {desk.job}  {own.title}")
        if newer.edition == session.edition:
            print(f"It was opened with today's edition, {_short(newer.edition)}. Nothing to add.")
            return 0
        proof = prove_one(name)
        if not proof.proven:
            print(proof.line, proof.blocks, sep="\n", file=sys.stderr)
            return 2
        last = {visit.step: visit.outcome for visit in session.walk}
        print("\n".join(upgrade_lines(session, newer, upgrade(own, newer.graph, last))))
    return 0


def _short(edition: str) -> str:
    return f"{edition[:16]}…"


def upgrade_lines(session: ReadOnlySession, newer: Loaded, found: Upgrade) -> Iterator[str]:
    from verify.terminal.flows_diff import points_lines

    yield from wrapped(
        f"It keeps the edition it was opened with, {_short(session.edition)}; nothing here changes "
        f"that. Today's edition is {_short(newer.edition)}.",
        0,
    )
    if not (found.in_addition or found.changed or found.gone):
        yield from ("", "Today's edition asks the same at the car.")
    if found.in_addition:
        yield from ("", f"Today's edition would ask in addition ({len(found.in_addition)})")
        for change in found.in_addition:
            yield from wrapped(f"“{change.title}”", 4, "  ")
            yield from points_lines(change.points, 6)
    if found.changed:
        yield from ("", f"It would ask in another way ({len(found.changed)})")
        for change in found.changed:
            yield from wrapped(f"“{change.title}”", 4, "  ")
            yield from points_lines(change.points, 6)
    if found.gone:
        yield from ("", f"It would no longer ask ({len(found.gone)})")
        for change in found.gone:
            yield from wrapped(f"“{change.title}”", 4, "  ")
    yield ""
    if found.would_stand_open:
        count = len(found.would_stand_open)
        yield from wrapped(
            f"By what this job has shown, {count} of the {len(newer.graph.required())} steps that "
            "must pass would stand open under it",
            0,
        )
        for step in found.would_stand_open:
            group = f" ({step.group.value})" if step.group is not None else ""
            yield from wrapped(f"? “{step.title}”{group}", 4, "  ")
    else:
        yield "By what this job has shown, nothing would stand open under it."
