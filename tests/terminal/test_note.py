"""The note to paste: never over 1,000 characters, and never without what was not tested."""

from __future__ import annotations

import json
import os
import re
import sys
from contextlib import suppress
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import pexpect
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import ROOT
from tests.terminal.walks import SMALL, START, idle_csv, keysback, play, small_desk
from verify.flow.load import text_to_flow
from verify.flow.machine import compile_flow, draft_machine
from verify.job.bodies import opened_body
from verify.job.catalogue import catalogue
from verify.job.memory import MemoryJournal
from verify.report.parts import _words
from verify.terminal.clock import PlayingClock
from verify.terminal.desk import Desk, Secrets, proven_or_error
from verify.terminal.library import load_flow
from verify.terminal.note_text import LONGEST, MORE, cut, note_text
from verify.terminal.runner import Paused, Runner, close_by_hand
from verify.terminal.script import ScriptHands
from verify.words import Audience

# Up to the idle of the small flow: story, card, torque, voltage, codes, wait skipped, start.
TO_IDLE = [
    "none",
    *("9 N·m", "", "1", "", "1", "9 N·m", "sheet 4"),
    *("12.6 V", "3"),
    *("P0507", "none", "?", "1"),
    *("2", "hurry", "1", "1"),
]
ALWAYS = ("COMPLAINT", "CAUSE", "CORRECTION", "CODES", "NOT TESTED", "RESULT")


def note(desk: Desk) -> dict[str, str]:
    """The lines of a note by their labels; the head under ""."""
    text = note_text(desk, desk.session())
    assert len(text) <= LONGEST
    head, *lines = text.splitlines()
    parts = dict(line.split(": ", 1) for line in lines)
    assert MORE not in parts.values(), "a line that says nothing"
    assert set(ALWAYS) <= set(parts), text
    return {"": head} | parts


def told(desk: Desk, complaint: str, *more: str) -> None:
    """Types a complaint that the line mode takes as it stands, and what follows."""
    with suppress(Paused):
        play(desk, complaint, *more)


def test_a_whole_job_in_one_note(tmp_path: Path) -> None:
    desk = small_desk()
    idle = idle_csv(tmp_path / "idle.csv")
    told(desk, "It hunts when warm", *TO_IDLE, "1", str(idle), "1", "750 rpm", "", "1")
    lines = note(desk)
    assert lines[""] == "Job tester, 2031-03-04"
    assert lines["COMPLAINT"] == "It hunts when warm"
    assert lines["CAUSE"] == "not asked"
    assert lines["CORRECTION"].startswith("Small flow. Fastened to 9 N·m.")
    assert lines["CODES"] == (
        "before: stored P0507, pending none, permanent not read; not read again"
    )
    assert re.search(r"idle-speed (749|750)[.0-9]* ± [.0-9]+ rpm pass", lines["MEASURED"])
    assert "(wait skipped)" in lines["NOT TESTED"]


def test_a_story_left_out_at_a_key_is_nobodys_words_and_no_line_is_only_a_mark() -> None:
    desk = small_desk()
    told(desk, "!leave-out", "none")
    assert note(desk)["COMPLAINT"] == "nothing was written down"
    assert _words(desk.session().last("story"), SimpleNamespace(secret=desk.secret)) == ""
    other = small_desk()
    told(other, "!cannot", "nobody could say", "none")
    assert note(other)["COMPLAINT"] == "not said: nobody could say"


def test_a_job_that_goes_on_says_what_comes_next() -> None:
    desk = small_desk()
    told(desk, "It hunts", "none")
    lines = note(desk)
    assert lines["RESULT"].startswith("not finished; next: The bolt")
    assert "not reached: " in lines["NOT TESTED"]


def test_stopped_and_closed_by_hand_are_said() -> None:
    stopped = small_desk()
    told(stopped, "x", "!stop")
    assert note(stopped)["RESULT"].startswith("DO NOT DRIVE")
    closed = small_desk()
    close_by_hand(closed, "back", "parts missing")
    assert "closed by hand" in note(closed)["RESULT"]
    assert "the keys stay" in note(closed)["RESULT"]


def test_what_is_erased_is_said_to_be() -> None:
    desk = small_desk()
    told(desk, "Mrs. Example, blue house", "none")
    visit = desk.session().last("story")
    assert visit is not None
    desk.journal.erase_private([visit.private["answer"]])
    lines = note(desk)
    assert lines["COMPLAINT"] == "(erased on request)"
    assert "Example" not in repr(lines)


def test_could_not_and_open_steps_stand_in_what_was_not_tested() -> None:
    desk = small_desk()
    told(
        desk, "x", "none", "!cannot", "no wrench", "!cannot", "no meter", "!cannot", "no reader",
        "2", "hurry", "1", "1", "!cannot", "no adapter", "1",
    )  # fmt: skip
    lines = note(desk)
    for part in (
        "The bolt (could not be done)",
        "Rest voltage (could not be done)",
        "Codes (could",
    ):
        assert part in lines["NOT TESTED"]
    assert lines["CODES"] == "not read"
    assert "proof to follow" in lines["RESULT"]


def test_numbers_without_a_document_are_marked_and_documented_ones_are_not(tmp_path: Path) -> None:
    desk = small_desk()
    told(desk, "x", *TO_IDLE)
    assert note(desk)["WITHOUT A DOCUMENT"] == "Rest voltage 12.2 V (common practice)"
    typed_only = small_desk()
    told(typed_only, "x", "none", "9 N·m", "", "1", "", "1", "9 N·m", "")
    assert note(typed_only)["WITHOUT A DOCUMENT"] == "Bolt torque 9 N·m (no document named)"
    unknown = small_desk()
    told(unknown, "x", "none", "9 N·m", "", "1", "", "4")
    assert set(unknown.session().specs) == {"bolt_torque"}
    assert note(unknown)["WITHOUT A DOCUMENT"] == "Bolt torque (not found)"
    documented = small_desk()
    told(documented, "x", "none", "9 N·m", "", "1", "", "1", "9 N·m", "sheet 4")
    assert set(documented.session().specs) == {"bolt_torque"}
    assert "WITHOUT A DOCUMENT" not in note(documented)


@settings(max_examples=60, deadline=None)
@given(st.text(min_size=1, max_size=3000))
def test_whatever_was_said_the_note_fits_and_loses_neither_end(complaint: str) -> None:
    """The complaint alone grows: what was not tested and the ending stay word for word."""
    short = _said_only("It hunts")
    long = _said_only(complaint)
    assert long["NOT TESTED"] == short["NOT TESTED"]
    assert long["RESULT"] == short["RESULT"]
    said = long["COMPLAINT"]
    assert said == " ".join(said.split())
    assert said.isprintable()


def test_a_long_complaint_is_cut_at_a_word_and_marked() -> None:
    said = _said_only("red light " * 400)["COMPLAINT"]
    assert said.endswith(("light" + MORE, "red" + MORE))


@given(st.text(max_size=200), st.integers(min_value=1, max_value=220))
def test_cut_keeps_to_its_room(text: str, room: int) -> None:
    found = cut(text, room)
    assert len(found) <= max(room, len(MORE))
    assert found == text or found.endswith(MORE)
    assert text.startswith(found.removesuffix(MORE))


@given(st.lists(st.text("abcdefgh", min_size=1, max_size=40), min_size=2, max_size=12), st.data())
def test_no_word_is_broken(words: list[str], data: st.DataObject) -> None:
    text = " ".join(words)
    room = data.draw(st.integers(len(words[0]) + 1, len(text) + 3))
    kept = cut(text, room).removesuffix(MORE).split()
    assert kept == words[: len(kept)]
    assert kept, "what fits is kept"


@pytest.mark.parametrize("columns", [40, 80, 132])
def test_on_a_terminal_its_lines_are_broken_between_words(tmp_path: Path, columns: int) -> None:
    """The real command at a terminal of that width, and at none."""
    shop, words = tmp_path / "store", "The engine races when the clutch is let in after a red light"
    walk = "\n".join([words + " " + words, "!pause", ""])
    keysback("open", str(SMALL), "--as", "technician", "--mode", "as-work", "--units", "metric",
             "--lines", "--car", "x", "--model", "y", "--store", str(shop), stdin=walk)  # fmt: skip
    job = json.loads(keysback("jobs", "--json", "--store", str(shop)).stdout)[0]["job"]
    plain = keysback("note", job, "--store", str(shop)).stdout
    assert any(len(line) > 80 for line in plain.splitlines())
    # The width is the terminal's own, not that of the one the tests run in.
    env = {k: v for k, v in os.environ.items() if k != "COLUMNS"}
    shown = pexpect.run(
        f"{sys.executable} -m verify note {job} --store {shop}", env=env,
        dimensions=(24, columns), cwd=str(ROOT), encoding="utf-8",
    )  # fmt: skip
    rows = shown.splitlines()
    assert max(map(len, rows)) < columns
    assert " ".join(shown.split()) == " ".join(plain.split())


def _said_only(complaint: str) -> dict[str, str]:
    from verify.flow.graph import Outcome
    from verify.job.bodies import outcome_body

    desk = small_desk()
    secrets = Secrets(answer=complaint)
    body = outcome_body(desk.live(), Outcome("answered"), private=secrets.digests)
    desk.write("outcome", body, secrets)
    return note(desk)


# ---- the longest a flow may make it ------------------------------------------------------------


FIGURES = 5


def _longest_flow(steps: int) -> str:
    """Titles, terms and repair as long as the form allows; free text, codes and many open steps."""
    title = ("Very long title of a step " * 9)[:116]
    later = f"{{settle: do it, by: {('within many weeks ' * 7)[:119].strip()}}}"
    lines = [
        "keysback_flow: 1",
        "id: longest",
        f"title: {title}",
        f"repair: {('A part was fitted ' * 100).strip()}",
        "audience: [technician]",
        "start: complaint",
        "on_stop: stopped",
        "specs:",
        *[f"  figure_{n}: {{title: {title[:112]} {n}, unit: N·m}}" for n in range(FIGURES)],
        "steps:",
    ]
    kinds = [("complaint", "ask"), ("cause", "ask"), ("before", "codes"), ("after", "codes")]
    kinds += [(f"fasten-{n}", "fasten") for n in range(FIGURES)]
    kinds += [(f"ask-{n}", "question") for n in range(steps)]
    for place, (name, kind) in enumerate(kinds):
        to = kinds[place + 1][0] if place + 1 < len(kinds) else "decide"
        lines += [f"  {name}:", f"    kind: {kind if kind in ('codes', 'fasten') else 'ask'}"]
        lines += [f"    title: {title} {place:02d}", "    say: Say it."]
        if kind == "ask":
            lines += ["    text: true", "    optional: for the record"]
            lines += [f"    branches: [{{when: [answered, cannot], to: {to}}}]"]
        elif kind == "fasten":
            lines += [f"    spec: {name.replace('fasten-', 'figure_')}", '    tolerance: "10 %"']
            lines += ["    order_spec: As drawn.", "    optional: for the record"]
            lines += [f"    branches: [{{when: [pass, fail, undecided, cannot], to: {to}}}]"]
        elif kind == "codes":
            lines += ["    modules: [engine]", "    optional: for the record"]
            lines += ["    passes: [none, learn, other, wiring, forbids]"]
            labels = "none, partly-read, learn, other, wiring, forbids, cannot"
            lines += [f"    branches: [{{when: [{labels}], to: {to}}}]"]
        else:
            lines += ["    group: complaint-gone", f"    later: {later}"]
            lines += ["    answers: {good: Good, open: Not known}", "    passes: [good]"]
            lines += ["    unsure: [open]"]
            lines += [f"    branches: [{{when: [good, open, cannot], to: {to}}}]"]
    lines += [
        "  decide:",
        "    kind: gate",
        "    title: What was shown",
        "    branches:",
        "      - {when: hand-back, to: hand-back}",
        "      - {when: proof-to-follow, to: later}",
        "      - {when: neither, to: stopped}",
        "endings:",
        f"  hand-back: {{kind: hand-back, title: {title}, advice: Go.}}",
        f"  later: {{kind: proof-to-follow, title: {title}, advice: Go.}}",
        f"  stopped: {{kind: do-not-drive, title: {title}, advice: Stay.}}",
    ]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("end", ["open", "stop"])
def test_the_longest_texts_a_flow_may_have_still_fit(end: str) -> None:
    loaded = text_to_flow(_longest_flow(40), "longest.yaml", lambda _: None, catalogue())
    graph = loaded.graph
    desk = Desk(MemoryJournal(), "tester", draft_machine(graph), PlayingClock(START), "p-test")
    body = opened_body(
        desk.machine,  # type: ignore[arg-type]
        edition=loaded.edition,
        audience=Audience.TECHNICIAN,
        mode="as-work",
        units="metric",
        scripted=True,
    )
    desk.open(body, Secrets())
    codes = " ".join(f"P{n:04d}" for n in range(1, 60))
    answers = [
        "word " * 500, "x" * 3000, codes, codes, codes, "1", "", codes, codes, codes, "1", "",
        *(["9 N·m", "", "1", "", "1", "9 N·m", ""] * FIGURES),
        *(["2"] * 40 + ["1"] if end == "open" else ["2", "!stop"]),
    ]  # fmt: skip
    told(desk, answers[0], *answers[1:])
    assert desk.session().ending is not None
    lines = note(desk)
    assert "REHEARSAL" in lines["RESULT"]
    assert " more" in lines["NOT TESTED"]
    figure = "Very long title of a… 9 N·m (no document named)"
    assert lines["WITHOUT A DOCUMENT"] == f"{figure}; {figure}; and 3 more"
    assert lines["CODES"].count("P0001 P0002 +57") == 6
    assert len(lines["COMPLAINT"]) >= 20
    assert MORE in lines["COMPLAINT"]
    assert MORE in lines["CAUSE"]


# ---- scripted, demo, and the command -----------------------------------------------------------


@cache
def _van() -> tuple[object, ...]:
    from verify import tables
    from verify.terminal.answers_file import load_answers

    loaded = load_flow("throttle-body-replaced", catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, "van"))
    return loaded, machine, load_answers, tables.data_root() / "demo_data" / "van.yaml"


@pytest.mark.parametrize("demo", [True, False])
def test_the_van_of_the_demo_with_all_its_numbers(demo: bool) -> None:
    loaded, machine, load_answers, path = _van()
    clock = PlayingClock(START)
    desk = Desk(MemoryJournal(), "tester", machine, clock, "p-test")  # type: ignore[arg-type]
    body = opened_body(
        machine,  # type: ignore[arg-type]
        edition=loaded.edition,  # type: ignore[attr-defined]
        audience=Audience.TECHNICIAN,
        mode="as-work",
        units="metric",
        scripted=True,
        demo=demo,
    )
    desk.open(body, Secrets())
    Runner(desk, ScriptHands(load_answers(path, machine.graph), clock)).run()  # type: ignore
    lines = note(desk)
    assert lines[""] == "Job tester, 2031-03-04, 84212 km"
    assert "Then: Do the relearn." in lines["CORRECTION"]
    assert "before: stored P2119" in lines["CODES"]
    assert "after: stored none, pending P0128, permanent not read" in lines["CODES"]
    assert lines["CODES CHANGED"].startswith("returned after clearing, pending only: P0128")
    assert "rpm fail (hunting) → 1" in lines["MEASURED"]
    # What a customer said and what was found stand before numbers that passed all along.
    assert lines["COMPLAINT"].endswith("It died twice at junctions.")
    assert len(lines["CAUSE"]) >= 40
    assert "Codes after the drive (open)" in lines["NOT TESTED"]
    assert "Is the complaint gone? (open)" in lines["NOT TESTED"]
    figure = "Least battery voltage… 12.2 V (common practice)"
    assert lines["WITHOUT A DOCUMENT"] == figure
    assert "proof to follow (within two weeks; within four weeks)" in lines["RESULT"]
    assert ("DEMO" in lines["RESULT"]) is demo
    assert ("REHEARSAL" in lines["RESULT"]) is not demo


def test_the_command_refuses_an_unknown_job_with_one_message(tmp_path: Path) -> None:
    store = tmp_path / "store"
    for command in ("note", "show"):
        done = keysback(command, "nothing", "--store", str(store))
        assert done.returncode == 2
        assert 'found "nothing"; expected a job of this store' in done.stderr
        assert done.stdout == ""
    assert not store.exists(), "who only looks makes no store"
