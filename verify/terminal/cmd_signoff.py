"""`keysback signoff JOB --by SIGNER`: a second person's decision about a job that has ended."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verify.job.people import Person
    from verify.job.session import ReadOnlySession, Visit
    from verify.job.signoff import Point
    from verify.terminal.desk import Desk
    from verify.terminal.signoff_screen import Decision

HELP = "a second person signs a job off, or sends it back"


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(
        description="Shows a second person what matters about a job that has ended, takes their "
        "decision and signs it with their key. Nobody signs off their own work. Sent back, a job "
        "goes on at the step that is named, with one more attempt, and is signed off anew."
    )
    p.add_argument("job", help="the job's id, or its beginning")
    p.add_argument(
        "--by", metavar="SIGNER", help="who decides: a name or id from keysback people list"
    )
    p.add_argument("--points", action="store_true", help="only show what a signer should see")
    p.add_argument("--accept", action="store_true", help="accept, without being asked")
    p.add_argument(
        "--send-back", metavar="STEP", help="send back to this step, without being asked"
    )
    p.add_argument("--reason", metavar="WORDS", help="why it is sent back")
    p.add_argument(
        "--answer",
        nargs=2,
        action="append",
        default=[],
        metavar=("N", "WORDS"),
        help="with --accept: why you accept the grave point of that number; once for each",
    )
    p.add_argument(
        "--look",
        metavar="WHAT",
        help="of your own look at the car, where the flow asks for it: fine, desk (not looked), or "
        "the names of the lines that are not so",
    )
    p.add_argument("--lines", action="store_true", help="plain lines instead of a drawn screen")
    add_store_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError for whoever may not sign, and for a job that cannot be signed off."""
    from verify.job.signoff import points
    from verify.terminal.desk import desk_for, open_store
    from verify.terminal.elsewhere import elsewhere

    _check_options(args)
    with open_store(args.store, readonly=args.points) as journal:
        desk = desk_for(journal, args.job)
        if args.points:
            return _show(desk, points(desk.session(), elsewhere(desk)))
        signer = _signer(journal, args.by)
        desk.person = signer.id
        if _left_unsigned(desk):
            _sign(desk, signer)
            say_plain("The decision was written down already; now it is signed.")
            return 0
        _check_may(desk.session(), signer)
        found = points(desk.session(), elsewhere(desk))
        decision = _decided(args, desk, found)
        if decision is None:
            say_plain("Nothing was decided.")
            return 0
        return _write(desk, signer, decision, found)


def _check_options(args: argparse.Namespace) -> None:
    from verify.errors import Problem, UserError

    if args.accept and args.send_back:
        raise UserError(Problem("--accept and --send-back", "one of them", "decide for one"))
    if bool(args.reason) != bool(args.send_back):
        raise UserError(
            Problem(
                found="--send-back without --reason" if args.send_back else "--reason alone",
                expected="--send-back STEP --reason WORDS",
                next="say why, as whoever goes on reads it",
            )
        )
    if args.look and not (args.accept or args.send_back):
        raise UserError(Problem("--look alone", "--accept or --send-back", "say what you decide"))
    if args.answer and not args.accept:
        raise UserError(
            Problem(
                "--answer without --accept",
                "--accept with an answer to each grave point",
                "accept it, or send it back with --reason",
            )
        )
    if not args.points and not args.by:
        raise UserError(
            Problem("nobody named", "--by SIGNER", "keysback people list shows who there is")
        )


def _signer(journal: Any, by: str) -> Person:
    """Whoever `--by` names, if they may sign off. Raises UserError."""
    import os

    from verify.errors import Problem, UserError
    from verify.job.people import Purpose
    from verify.terminal.bench import find_person, names_of
    from verify.terminal.keyfile import check_key_file, key_path, keys_folder

    person = find_person(journal, by)
    name = names_of(journal)[person.id]
    wrong = ""
    if person.retired:
        wrong = f"{name}, who retired on {person.retired[:10]}"
    elif person.role_for(Purpose.SIGN_OFF) is None:
        wrong = f"{name}, who is {' and '.join(person.roles)}"
    elif person.key is None:
        wrong = f"{name}, who has no key"
    if wrong or person.key is None:
        raise UserError(
            Problem(
                found=wrong,
                expected="a signer with a key",
                next='add one: keysback people add "NAME" --role signer',
                field="--by",
            )
        )
    check_key_file(key_path(keys_folder(os.environ), person.id, person.key.public), person.key)
    return person


def _check_may(session: ReadOnlySession, signer: Person) -> None:
    """All that the fold would refuse, before anything is asked. Raises UserError."""
    from verify.errors import Problem, UserError
    from verify.job.bodies import sign_off_body

    look = {"looked": False, "wrong": []} if session.graph.look else None
    try:
        sign_off_body(session, person=signer.id, look=look)
    except UserError as error:
        # Which entry it would have been is of no use to whoever asked.
        raise UserError(
            *(
                Problem(p.found.split("does not fit: ")[-1], p.expected, p.next)
                for p in error.problems
            )
        ) from None


def _left_unsigned(desk: Desk) -> bool:
    """Whether this signer decided and could not sign (a passphrase was not at hand)."""
    last = desk.session().history[-1]
    return last.kind == "sign-off" and last.person == desk.person


def _sign(desk: Desk, signer: Person) -> None:
    from verify.job.people import Purpose, Role
    from verify.terminal.bench import open_key, sign_head

    assert signer.key is not None
    key = open_key(signer.id, signer.key)
    sign_head(desk, key, role=Role.SIGNER, purpose=Purpose.SIGN_OFF)


def _show(desk: Desk, found: Sequence[Point]) -> int:
    from verify.terminal.signoff_words import counted, numbered, point_lines

    say_plain(f"Job {desk.job}: {counted(found)}.\n")
    for point, number in numbered(found):
        say_plain("\n".join(point_lines(desk, point, number=number)))
    return 0


def _decided(args: argparse.Namespace, desk: Desk, found: Sequence[Point]) -> Decision | None:
    from verify.terminal.signoff_screen import Decision, ask
    from verify.terminal.ui_screen import pick

    session = desk.session()
    if not (args.accept or args.send_back):
        return ask(desk, found, pick(args.lines))
    _show(desk, found)
    back = _answer_of(session, args.send_back) if args.send_back else None
    answers = _answers_given(args.answer, found) if back is None else ()
    return Decision(back, args.reason or "", _look(session, args.look), answers)


def _answers_given(given: Sequence[Sequence[str]], found: Sequence[Point]) -> tuple[str, ...]:
    """The reason for each grave point, in their order. Raises UserError where one has none."""
    from verify.errors import Problem, UserError
    from verify.job.signoff_point import Weight, what_is_missing

    many = sum(p.weight is Weight.GRAVE for p in found)
    numbers = [str(n) for n in range(1, many + 1)]
    named = [number for number, _ in given]
    strange = [n for n in named if n not in numbers or named.count(n) > 1]
    if strange:
        raise UserError(
            Problem(
                found=f'--answer "{strange[0]}"' + (" twice" if strange[0] in numbers else ""),
                expected=f"each of {', '.join(numbers)} once" if numbers else "no --answer",
                next="the grave points are numbered as --points shows them"
                if numbers
                else "this job has no grave point: leave it out",
            )
        )
    words = {pair[0]: pair[1] for pair in given}
    answers: list[str] = []
    for number in numbers:
        wrong = what_is_missing(words[number], answers) if number in words else "not answered"
        if wrong:
            raise UserError(
                Problem(
                    found=f"grave point {number} of {many}: {wrong}",
                    expected="a reason of your own for each grave point that you accept",
                    next=f'add --answer {number} "WORDS", or send the job back',
                )
            )
        answers.append(words[number])
    return tuple(answers)


def _answer_of(session: ReadOnlySession, step: str) -> Visit:
    """The last live answer of a step, named as the flow names it. Raises UserError."""
    from verify.errors import UserError, unknown

    answers = {v.step: v for v in session.walk if not v.gate}
    if step not in answers:
        problem = unknown(step, answers, "step of this job that was answered")
        raise UserError(problem.within(field="--send-back"))
    return answers[step]


def _look(session: ReadOnlySession, given: str | None) -> dict[str, Any] | None:
    from verify.errors import Problem, UserError, unknown

    known = session.graph.look
    if not known:
        if given:
            raise UserError(
                Problem("--look", "a flow that asks for a look of the signer's", "leave it out")
            )
        return None
    if not given:
        raise UserError(
            Problem(
                found="no word about your own look at the car",
                expected="--look fine, --look desk, or the names of what is not so: "
                + ", ".join(known),
                next="look at these for two minutes; a signature at a desk is no inspection",
            )
        )
    if given in ("fine", "desk"):
        return {"looked": given == "fine", "wrong": []}
    wrong = [w for w in given.replace(",", " ").split() if w]
    for name in wrong:
        if name not in known:
            problem = unknown(name, known, "line of the signer's look")
            raise UserError(problem.within(field="--look"))
    return {"looked": True, "wrong": wrong}


def _write(desk: Desk, signer: Person, decision: Decision, found: Sequence[Point]) -> int:
    """The decision is written, then signed. The key is opened first: what cannot be signed is not
    written."""
    from verify.job.bodies import sign_off_body
    from verify.job.people import Purpose, Role
    from verify.job.signoff_point import Weight
    from verify.terminal.bench import open_key, sign_head
    from verify.terminal.desk import Secrets
    from verify.terminal.endings import DEMO
    from verify.terminal.signoff_words import look_words
    from verify.terminal.ui_lines import LineUi

    secrets = Secrets(**({"reason": decision.reason} if decision.reason else {}))
    left = list(decision.answers)
    shown = []
    for number, point in enumerate(found):
        grave = left and point.weight is Weight.GRAVE
        shown.append((point, secrets.add(f"answer {number}", left.pop(0)) if grave else ""))
    body = sign_off_body(
        desk.session(),
        person=signer.id,
        back_to=decision.back_to,
        reason=secrets.digests.get("reason", ""),
        look=decision.look,
        shown=shown,
    )
    assert signer.key is not None
    key = open_key(signer.id, signer.key)
    session = desk.write_any("sign-off", body, secrets)
    sign_head(desk, key, role=Role.SIGNER, purpose=Purpose.SIGN_OFF)
    made = session.sign_offs[-1]
    if decision.back_to is None:
        words = f"Accepted and signed by {desk.name(signer.id)}, key {signer.key.short}."
        lines = [words, look_words(session, made)]
    else:
        title = session.graph.steps[made.step].title
        lines = [
            f"Sent back to “{title}”, signed by {desk.name(signer.id)}, key {signer.key.short}.",
            look_words(session, made),
            f"It goes on with: keysback resume {desk.job}",
        ]
    if session.demo:
        lines.append(DEMO)
    LineUi().tell(*(line for line in lines if line))
    return 0
