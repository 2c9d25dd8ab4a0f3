"""`keysback listen FILE`: puts the checks by ear to one sound and shows what they say.

As `judge`, for what a telephone heard: nothing is stored, and the exit code says only whether it
could be judged at all.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from verify.terminal.recording_options import (
    add_spec_options,
    chosen_checks,
    read_file,
    recording_json,
    vehicle_specs,
)
from verify.terminal.sound_options import (
    add_told_option,
    named_option,
    said_of_sound,
    with_cylinders,
)
from verify.terminal.tongue import add_language_option

if TYPE_CHECKING:
    from verify.evidence.recording import Recording
    from verify.evidence.verdict import CheckResult
    from verify.quantity import SpecValue

HELP = "put the checks by ear to a sound: idle and key-on"


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Puts the checks by ear to a sound of the car, as a telephone records it: the "
        "idle by its firing, and ticking after key-on. What a sound cannot show is told with "
        "--told. Exit code 0 for any verdict, 2 for input that cannot be judged. Nothing is "
        "stored.",
    )
    p.add_argument("sound", metavar="FILE", help="the sound")
    add_told_option(p)
    p.add_argument(
        "--key-on",
        metavar="TIMES",
        help="when in the file the key was turned on: 3.2s,21.5s",
    )
    p.add_argument(
        "--before", metavar="FILE", help="the sound from before the repair, with its ticking"
    )
    p.add_argument("--before-key-on", metavar="TIMES", help="when the key was turned on in that")
    add_spec_options(p)
    add_language_option(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError for whatever cannot be judged; the door prints it and exits with 2."""
    import os

    from verify.evidence.checks.catalogue import judge
    from verify.terminal.tongue import language_wanted, speaking

    language = language_wanted(args.language, os.environ)
    specs, unused = vehicle_specs(with_cylinders(args.spec, args.cylinders), args.specs)
    recording = read_sound(args.sound, told=args.told, key_on=args.key_on)
    recordings = [recording]
    if args.before is not None:
        recordings.append(read_sound(args.before, told="before", key_on=args.before_key_on))
    elif args.before_key_on is not None:
        raise _without_before()
    names = chosen_checks(args.check)
    of_engine = bool(args.told) or bool({"cylinders", "idle_speed"} & set(specs))
    results = judge(recordings, specs, names or asked(recording, of_engine=of_engine))
    if args.json:
        _print_json(recordings, results)
    else:
        full = args.all or names is not None
        with speaking(language):
            _print_words(recording, results, specs, unused, args.units, full, args.sound)
    return 0


def asked(recording: Recording, *, of_engine: bool = False) -> list[str]:
    """What a sound is asked without being told: the engine where a note is heard, the key where
    its times are told or where something clicks out of quiet; both where neither is heard.
    of_engine: something was told of an engine, so it is asked anyway."""
    from verify.evidence.checks.ear import ENGINE_CHECKS, KEY_CHECK
    from verify.evidence.checks.key_sounds import proposed_marks

    note = recording.channels.get("note")
    running = note is not None and len(note.values) * 0.1 > 0.3 * recording.seconds
    keyed = "key_on" in recording.channels or (not running and bool(proposed_marks(recording)))
    return [*(ENGINE_CHECKS if running or of_engine or not keyed else ()),
            *((KEY_CHECK,) if keyed or not running else ())]  # fmt: skip


def options_for(results: Sequence[CheckResult], recording: Recording) -> str:
    """What may be said on this command line of what a result lacks; "" where nothing is."""
    from verify.evidence.checks.key_sounds import proposed_marks

    marks = proposed_marks(recording)[:2] or [3.2, 21.5]
    said = {
        "no-cylinders": "--cylinders 4",
        "not-told": "--told warm,standing,released",
        "no-spec": '--spec idle_speed="700 rpm"',
        "no-key-on": "--key-on " + ",".join(f"{at:g}s" for at in marks),
    }
    lacking = {r.finding for r in results}
    return " ".join(option for finding, option in said.items() if finding in lacking)


def _without_before() -> Exception:
    from verify.errors import Problem, UserError

    return UserError(
        Problem(
            found="times of a sound from before, and no such sound",
            expected="both or neither",
            next="name the file with --before",
            field="--before-key-on",
        )
    )


def read_sound(path: str, *, told: str | None, key_on: str | None) -> Recording:
    """A sound with what is said of it. Raises UserError, for a recording that is none too."""
    from verify.errors import Problem, UserError
    from verify.evidence.sound.stream import container_of
    from verify.terminal.recordings import open_file

    said = said_of_sound(told, key_on)
    with open_file(path, "sound") as stream:
        # What is told of a sound says nothing of another file: that is refused for what it is.
        is_sound = bool(container_of(stream.read(64)))
    try:
        recording = read_file(path, (said or None) if is_sound else None, None)
    except UserError as error:
        raise UserError(*(named_option(p) for p in error.problems)) from None
    if recording.importer != "sound":
        from verify.evidence.sound.stream import EXPECTED

        raise UserError(
            Problem(
                found="a recording that is no sound",
                expected=EXPECTED,
                next="put it to the checks with: keysback judge",
                file=path,
            )
        )
    return recording


def _print_json(recordings: Sequence[Recording], results: Sequence[CheckResult]) -> None:
    import json

    value = {
        "recording": recording_json(recordings[0]),
        **({"before": recording_json(recordings[1])} if len(recordings) > 1 else {}),
        "checks": [r.to_json() for r in results],
    }
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def _print_words(
    recording: Recording,
    results: Sequence[CheckResult],
    specs: Mapping[str, SpecValue],
    unused: Sequence[str],
    system: str,
    full: bool,
    path: str,
) -> None:
    from rich.text import Text

    from verify.terminal.recordings import open_file
    from verify.terminal.screen import Printer
    from verify.terminal.show_sound import heard_lines, sound_plot, with_speed
    from verify.terminal.show_verdict import summary_line, trace_plot, verdict_block
    from verify.terminal.tongue import tr
    from verify.terminal.verdict_list import arranged, tally
    from verify.words import Verdict

    show = Printer()
    show(*heard_lines(recording, results))
    if unused:
        names = ", ".join(unused)
        show(Text("  " + tr("No check uses these specs: {names}.", names=names), style="dim"))
    # A single question is never folded away.
    needed = [r.check for r in results] if len(results) == 1 else ()
    for block in (
        [verdict_block(r, system=system) for r in results]
        if full
        else arranged(results, system, needed=needed)
    ):
        show("", block)
    plot = trace_plot(with_speed(recording, specs), results, width=show.width - 2)
    if plot is not None:
        show("", plot)
    with open_file(path, "sound") as stream:
        show("", sound_plot(stream, recording, specs, width=show.width - 2))
    short = summary_line(results) if full else tally(results, needed)
    if short is not None:
        show("", short)
    options = options_for(results, recording)
    if options:
        show(Text(tr("If it was so, say it here, for example: {options}", options=options)))
    last = tr(
        "This judges the sound, and lets no car go. It was tried on made-up sounds only: look at "
        "the rev counter as well."
    )
    if not full and any(r.verdict is Verdict.PASS and r.uncertainty is not None for r in results):
        last = tr("± is twice the standard uncertainty.") + f" {last}"
    show(Text(last, style="dim"))
