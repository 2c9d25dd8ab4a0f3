"""`keysback flows new`: a few questions, then a flow that already proves, to go on from.

Every question has an option, so that it can be scripted; what is given is not asked. The questions
are asked in plain lines where there is no terminal that can draw.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    from verify.flow.skeleton import Plan
    from verify.terminal.ui import Ui

FOR = {
    "technician": "Technicians, with equipment and the service information",
    "owner": "Owners, at home",
    "both": "Both",
}


def add(words: Any) -> None:
    p = words.add_parser(
        "new",
        help="answer a few questions and get a flow that already proves, to go on from",
        description="Asks what is not given by an option, and writes a flow with comments that "
        "already proves. Lines with EDIT say what to change first.",
    )
    p.add_argument("name", nargs="?", help="its name (small letters, digits, -); else from --title")
    p.add_argument("-o", "--output", metavar="FILE", help="else NAME.yaml; - prints it")
    p.add_argument("--title", help="what was repaired, in a few words")
    p.add_argument("--for", dest="audience", choices=list(FOR), help="who works through it")
    p.add_argument(
        "--danger",
        action="append",
        metavar="WORD",
        help="what could be wrong with the car if the repair went wrong: dies, revs, brakes, "
        "leaks, or none; may be given again",
    )
    p.add_argument("--complaint", metavar="TEXT", help='what the car came with; "" for nothing')
    p.add_argument("--relearn", choices=["yes", "no"], help="whether there is a relearn to do")
    p.add_argument(
        "--recording",
        action="append",
        metavar="WORD",
        help="which recordings could show it: pedal, idle, mixture, charge, or none (the drive is "
        "always asked for); may be given again",
    )
    p.add_argument("--force", action="store_true", help="replace a file that is there")
    p.add_argument("--lines", action="store_true", help="plain lines instead of a drawn screen")


def run(args: argparse.Namespace) -> int:
    from verify.flow.skeleton import checked
    from verify.terminal.ui import PlainWishes, Wish
    from verify.terminal.ui_lines import LineUi
    from verify.terminal.ui_screen import pick

    # Questions must not stand in what is printed.
    ui: Ui = LineUi(target=sys.stderr) if args.output == "-" else pick(args.lines)
    ui.wishes = PlainWishes(())
    asked: list[str] = []
    try:
        plan = checked(_plan(args, ui, asked))
        text, size = _proven(plan)
        if args.output == "-":
            sys.stdout.write(text)
            return 0
        path = Path(args.output or f"{plan.flow_id}.yaml")
        if path.exists() and not _may_replace(path, args.force, ui, bool(asked)):
            say_plain("Nothing was written.")
            return 0
    except Wish:
        say_plain("\nThe answers ended too soon. Nothing was written.", target=sys.stderr)
        return 2
    _write(path, text)
    say_plain(f"Wrote {path}: {size}. Look for EDIT in it, then:")
    say_plain(f"  keysback flows prove --watch {path}")
    say_plain(f"  keysback flows try {path}")
    return 0


def _plan(args: argparse.Namespace, ui: Ui, asked: list[str]) -> Plan:
    """The plan, by the options and by asking for the rest; notes in `asked` what was asked."""
    from verify.flow.skeleton import DANGERS, LONGEST_COMPLAINT, LONGEST_TITLE, RECORDINGS, Plan
    from verify.terminal.ui import Option
    from verify.words import Audience

    def line(field: str, given: str | None, prompt: str, hint: str, most: int) -> str:
        if given is not None:
            return given
        asked.append(field)
        return _typed(ui, prompt, hint, most, empty=field != "title")

    def one(field: str, given: str | None, prompt: str, options: Mapping[str, str]) -> str:
        if given is not None:
            return given
        asked.append(field)
        return ui.choose(prompt, [Option(key, label) for key, label in options.items()])

    def many(
        field: str, given: list[str] | None, hint: str, prompt: str, options: Mapping[str, str]
    ) -> frozenset[str]:
        if given is not None:
            words = {word for text in given for word in text.replace(",", " ").split()}
            return frozenset(words - {"none"})
        asked.append(field)
        rows = [Option(key, label) for key, label in options.items()]
        # The prompt is short: a drawn one stays on its row together with what was marked.
        ui.tell(hint)
        return ui.choose_many(prompt, rows, none="none of these", marked="those that apply")

    title = line("title", args.title, "What was repaired?",
                 'In a few words, such as "Boot hinge replaced". It is the title of the flow.',
                 LONGEST_TITLE)  # fmt: skip
    audience = one("audience", args.audience, "For whom is it?", FOR)
    dangers = many(
        "dangers",
        args.danger,
        "If this repair went wrong, what could be wrong with the car?",
        "What could go wrong?",
        DANGERS,
    )
    complaint = line("complaint", args.complaint, "What does the car come with?",
                     "The complaint, in a sentence (may stay empty).",
                     LONGEST_COMPLAINT)  # fmt: skip
    relearn = one("relearn", args.relearn, "Does the car have to relearn something after it?",
                  {"no": "No", "yes": "Yes, with equipment or by key and pedal"})  # fmt: skip
    recordings = many(
        "recordings",
        args.recording,
        "Which recordings could show that all is well? The drive is always asked for.",
        "Which recordings?",
        RECORDINGS,
    )
    return Plan(
        title=title,
        audiences=tuple(Audience) if audience == "both" else (Audience(audience),),
        dangers=dangers,
        complaint=complaint,
        relearn=relearn == "yes",
        recordings=recordings,
        flow_id=args.name or "",
    )


def _typed(ui: Ui, prompt: str, hint: str, most: int, *, empty: bool) -> str:
    """A line, asked again while it is too long or nothing of it can be seen."""
    from verify.errors import UserError
    from verify.flow.skeleton import one_line

    while True:
        text = ui.ask(prompt, hint=hint, empty=empty)
        try:
            line = one_line(text, most, "")
        except UserError as error:
            ui.tell(str(error))
            continue
        if line or empty:
            return line
        ui.tell("Please type something that can be seen.")


def _proven(plan: Plan) -> tuple[str, str]:
    """(its text, how large it is in words), proven here and now, with the library of today."""
    from verify.errors import Problem, UserError
    from verify.flow.load import text_to_flow
    from verify.flow.proof import ProvenFlow, prove
    from verify.flow.skeleton import skeleton
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    if plan.flow_id in library.flow_names():
        raise UserError(
            Problem(
                f'the name "{plan.flow_id}", which a flow of the library has',
                "a name of its own",
                f'choose another, such as "our-{plan.flow_id}"',
                field="name",
            )
        )
    text = skeleton(plan)
    graph = text_to_flow(
        text, "the new flow", library.Parts(), catalogue(), known_parts=library.part_names()
    ).graph
    proof = prove(graph, catalogue())
    if not isinstance(proof, ProvenFlow):
        raise UserError(*(Problem(f.message, field=f.step) for f in proof))
    steps = sum(1 for step in graph.steps.values() if step.kind != "gate")
    return text, f"a flow of {steps} steps that proves"


def _may_replace(path: Path, force: bool, ui: Ui, asking: bool) -> bool:
    """Whether the file that is there may go; where nobody is being asked, that is an error."""
    from verify.errors import Problem, UserError
    from verify.terminal.ui import Option

    if force and path.is_file():
        return True
    if not path.is_file():
        raise UserError(
            Problem(f"{path}, which is no file", "a file to write", "name a file with -o")
        )
    if not asking:
        raise UserError(
            Problem(
                f"{path}, which is there already",
                "a new file",
                "choose another with -o, or say --force to replace it",
            )
        )
    options = [Option("keep", "Keep it"), Option("replace", "Replace it")]
    return ui.choose(f"{path} is there already.", options) == "replace"


def _write(path: Path, text: str) -> None:
    """Whole or not at all. Raises UserError where the place cannot be written."""
    from verify.errors import Problem, UserError

    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        beside.write_text(text, encoding="utf-8")
        os.replace(beside, path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise UserError(
            Problem(
                f"a file that cannot be written ({error.strerror})",
                "a folder that is there and may be written to",
                "name another with -o",
                file=str(path),
            )
        ) from None
