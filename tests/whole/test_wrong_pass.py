"""A wrong pass can hurt someone: ways in which one was reached, each shut and kept shut."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest

from tests.terminal.walks import START, idle_csv, play, small_desk
from verify.errors import UserError
from verify.flow.graph import Step
from verify.flow.machine import compile_flow
from verify.flow.proof import ProvenFlow, prove
from verify.job.answers import CodesRead, Fastened, answer_from_tree, strict_codes
from verify.job.bodies import opened_body, ready_body, spec_body
from verify.job.catalogue import catalogue
from verify.job.judge import judge_answer
from verify.job.memory import MemoryJournal
from verify.quantity import SpecValue, parse
from verify.terminal.clock import PlayingClock
from verify.terminal.desk import Desk, Secrets, proven_or_error
from verify.terminal.library import load_flow
from verify.terminal.runner import Paused
from verify.words import Audience, EndingKind

HEAD = """keysback_flow: 1
id: tried
title: Tried
repair: A part was fitted.
audience: [technician]
start: first
on_stop: stopped
specs:
  torque: {title: Torque, unit: N·m}
  volts: {title: Volts, unit: V}
  idle_speed: {title: Warm idle speed, unit: rpm}
steps:
"""
ENDINGS = """
endings:
  gone: {kind: hand-back, title: Keys back, advice: Give them back.}
  back: {kind: back-to-diagnosis, title: Back, advice: Look again.}
  stopped: {kind: do-not-drive, title: Stopped, advice: Tow it.}
"""


def problems_of(tmp_path: Path, steps: str) -> list[str]:
    """What is found wrong when the flow is loaded."""
    path = tmp_path / "tried.yaml"
    path.write_text(HEAD + steps + ENDINGS)
    try:
        load_flow(str(path), catalogue())
    except UserError as error:
        return [p.found for p in error.problems]
    return []


def one_step(body: str, good: str, bad: str) -> str:
    return (
        f"  first: {{{body}, title: First, say: Do it., group: safe-to-drive, "
        f"branches: [{{when: [{good}], to: gone}}, {{when: [{bad}], to: back}}]}}\n"
    )


JUDGED = ("pass", "fail, undecided, cannot")
EMPTY_PASSES = {
    "a question that every answer passes": (
        "kind: ask, answers: {good: Fine, bad: The revs climb}, passes: [good, bad]",
        ("good, bad", "cannot"),
        "a required question that every answer passes",
    ),
    "free words, which nobody judges": (
        "kind: ask, text: true",
        ("answered", "cannot"),
        "a required question answered in free words",
    ),
    "any number, without limits": (
        'kind: reading, unit: V, accuracy: "0.1 V"',
        ("taken", "cannot"),
        "a required reading without limits",
    ),
    "codes of which a memory was not read": (
        "kind: codes, modules: [engine], passes: [none, partly-read]",
        ("none, partly-read", "learn, other, wiring, forbids, cannot"),
        '"partly-read" among what passes a required reading of codes',
    ),
    "a check that judges the drive and not the car": (
        "kind: record, checks: [road-coverage]",
        JUDGED,
        "nothing but road-coverage behind a step of safe-to-drive",
    ),
    "a required recording for which words will do, whatever the reason": (
        "kind: record, checks: [idle-speed], least: told, least_reason: owners have no recorder, "
        "told: {question: How is it?, passes: Even, fails: Uneven}",
        ("pass, told-pass", "fail, undecided, told-fail, told-undecided, cannot"),
        "a required recording that may pass on what is told",
    ),
    "a torque that may be ten times too much": (
        'kind: fasten, spec: torque, tolerance: "1000 %"',
        JUDGED,
        "a tolerance of 1000 %",
    ),
    "a torque without any band": (
        'kind: fasten, spec: torque, tolerance: "0 %"',
        JUDGED,
        "a tolerance of 0 %",
    ),
    "an instrument without any error": (
        'kind: reading, unit: V, accuracy: "0 V", limits: {lower: "12 V", source: law}',
        JUDGED,
        "an instrument that is exact (0 V)",
    ),
    "limits without any width": (
        'kind: reading, unit: V, accuracy: "0.1 V", '
        'limits: {spec: volts, minus: "0 V", plus: "0 V", source: law}',
        JUDGED,
        "limits without any width",
    ),
}


@pytest.mark.parametrize("name", EMPTY_PASSES)
def test_no_author_can_let_a_required_step_pass_on(tmp_path: Path, name: str) -> None:
    body, (good, bad), found = EMPTY_PASSES[name]
    assert problems_of(tmp_path, one_step(body, good, bad)) == [found]


def test_an_answer_is_no_remedy_after_which_a_failed_step_may_be_asked_again(
    tmp_path: Path,
) -> None:
    steps = """
  first:
    {kind: ask, title: First, say: Look., group: safe-to-drive, answers: {good: G, bad: B},
     passes: [good], branches: [{when: good, to: gone}, {when: cannot, to: back},
     {when: {outcome: [bad], attempts: {to: 3}}, to: mended},
     {when: {outcome: [bad], attempts: {from: 3}}, to: back}]}
  mended:
    {kind: ask, title: Mended, say: Was it mended?, does: [remedy], optional: a question,
     answers: {yes: It was, no: It was not}, passes: [yes, no],
     branches: [{when: [yes, no], to: first}, {when: cannot, to: back}]}
"""
    assert problems_of(tmp_path, steps) == ["a remedy in a step of kind ask"]


def said_of(tmp_path: Path, steps: str, endings: str) -> list[tuple[str, str]]:
    """The rules that a flow is refused for, each with the ending or step."""
    path = tmp_path / "tried.yaml"
    path.write_text(HEAD + steps + endings)
    found = prove(load_flow(str(path), catalogue()).graph, catalogue())
    return [] if isinstance(found, ProvenFlow) else [(f.rule, f.step) for f in found]


def lets(kind: str) -> str:
    return ENDINGS.replace("kind: hand-back", f"kind: {kind}").replace(
        "  back: {kind: back-to-diagnosis, title: Back, advice: Look again.}\n", ""
    )


LEARNING = """
  first: {kind: ask, title: First, say: Look., group: still-learning, answers: {a: A, b: B},
    passes: [a], unsure: [b], later: {settle: x, by: y},
    branches: [{when: [a, b, cannot], to: gone}]}
"""
OPTIONAL = """
  first: {kind: do, title: First, say: Do it., optional: so,
    branches: [{when: [done, cannot], to: gone}]}
"""


@pytest.mark.parametrize(
    ("steps", "kind", "rules"),
    [
        (OPTIONAL, "hand-back", ["safe-unasked", "gone-unasked"]),
        (OPTIONAL, "proof-to-follow", ["safe-unasked"]),
        (LEARNING, "proof-to-follow", ["safe-unasked"]),
    ],
)
def test_where_nothing_is_asked_of_the_car_it_is_not_let_go(
    tmp_path: Path, steps: str, kind: str, rules: list[str]
) -> None:
    assert said_of(tmp_path, steps, lets(kind)) == [(rule, "gone") for rule in rules]


@pytest.mark.parametrize(
    "step",
    [
        "kind: do, branches: [{when: done, to: gone}, {when: cannot, to: back}]",
        "kind: photo, branches: [{when: taken, to: gone}, {when: cannot, to: back}]",
    ],
)
def test_something_done_or_a_picture_alone_does_not_show_that_a_car_is_safe(
    tmp_path: Path, step: str
) -> None:
    steps = f"  first: {{title: First, say: Do it., group: safe-to-drive, {step}}}\n"
    assert said_of(tmp_path, steps, ENDINGS) == [
        ("safe-unasked", "gone"),
        ("gone-unasked", "gone"),
    ]


def test_a_car_is_handed_back_only_where_somebody_asks_whether_the_complaint_is_gone(
    tmp_path: Path,
) -> None:
    steps = one_step("kind: ask, answers: {good: G, bad: B}, passes: [good]", "good", "bad, cannot")
    assert said_of(tmp_path, steps, ENDINGS) == [("gone-unasked", "gone")]
    asked = """
  last: {kind: ask, title: Last, say: Look., group: complaint-gone, answers: {a: A, b: B},
    passes: [a], later: {settle: x, by: y},
    branches: [{when: a, to: gone}, {when: [b, cannot], to: back}]}
"""
    assert said_of(tmp_path, steps.replace("to: gone", "to: last") + asked, ENDINGS) == []


# Codes


@pytest.mark.parametrize("text", ["", " ", "-", "–", ".", "...", "''", "/ | ()", "codes", "dtc"])
def test_what_names_neither_a_code_nor_none_is_not_taken_for_no_codes(text: str) -> None:
    with pytest.raises(UserError):
        strict_codes(text)


@pytest.mark.parametrize("text", ["lP0507", "P05O7x", "P05070", "none, P05"])
def test_what_may_be_a_code_is_refused_and_never_read_as_none(text: str) -> None:
    with pytest.raises(UserError):
        strict_codes(text)


@pytest.mark.parametrize(
    ("text", "code"),
    [("P 0507", "P0507"), ("P0l07", "P0107"), ("\u04200507", "P0507"), ("P-0507", "P0507")],
)
def test_a_code_spelt_with_lookalikes_is_read_as_a_code_and_never_as_none(
    text: str, code: str
) -> None:
    assert strict_codes(text).codes == (code,)


def codes_step(*passes: str) -> Step:
    labels = ("none", "partly-read", "learn", "other", "wiring", "forbids")
    return Step(
        *("codes", "codes", "Codes", "Read them.", (), labels, frozenset(passes)),
        unsure=frozenset({"partly-read"}),
        detail={"modules": ("engine", "brakes")},
    )


@pytest.mark.parametrize("memory", [None, "", [""], "-"])
def test_an_empty_line_of_an_answers_file_is_not_taken_for_no_codes(memory: object) -> None:
    with pytest.raises(UserError):
        answer_from_tree(codes_step("none"), {"stored": memory, "pending": []})


@pytest.mark.parametrize("modules", [{}, {"modules": []}, {"modules": ["engine"]}])
def test_modules_that_nobody_says_were_read_leave_the_codes_open(modules: dict) -> None:
    step = codes_step("none")
    answer = answer_from_tree(step, {"stored": [], "pending": [], **modules})
    assert judge_answer(step, answer, {}).outcome.label == "partly-read"


@pytest.mark.parametrize("modules", [None, "engine", ["engine", 1]])
def test_modules_are_a_list_or_refused(modules: object) -> None:
    with pytest.raises(UserError):
        answer_from_tree(codes_step("none"), {"stored": [], "pending": [], "modules": modules})


@pytest.mark.parametrize(
    ("read", "label"),
    [
        ({"pending": [], "modules": ["engine", "brakes"]}, "other"),
        ({"pending": "not read", "modules": ["engine", "brakes"]}, "partly-read"),
        ({"pending": [], "modules": ["engine"]}, "partly-read"),
    ],
)
def test_a_code_the_step_puts_up_with_does_not_hide_what_was_not_read(
    read: dict, label: str
) -> None:
    step = codes_step("none", "other")
    answer = answer_from_tree(step, {"stored": ["P0300"], **read})
    assert isinstance(answer, CodesRead)
    assert judge_answer(step, answer, {}).outcome.label == label


# Numbers


@pytest.mark.parametrize("figure", ["0 N·m", "-9 N·m"])
@pytest.mark.parametrize("applied", ["0 N·m", "-9 N·m", "9 N·m"])
def test_a_torque_of_nothing_or_less_is_no_figure_to_hold_a_torque_against(
    figure: str, applied: str
) -> None:
    step = Step(
        *("bolt", "fasten", "Bolt", "Tighten.", ()),
        *(("pass", "fail", "undecided"), frozenset({"pass"})),
        detail={"spec": "torque", "tolerance": parse("10 %").value},
    )
    spec = SpecValue(parse(figure, expect="N·m"), "service information")
    judged = judge_answer(step, Fastened(applied, True), {"torque": spec})
    assert judged.outcome.label == "undecided"


def test_a_number_of_the_car_at_or_below_zero_is_asked_again() -> None:
    desk = small_desk()
    with suppress(Paused):
        play(desk, "It hunts", "none", "9 N·m", "", "1", "", "1", "-9 N·m", "sheet 4", "!pause")
    assert "bolt_torque" not in desk.session().specs
    assert "expected a number above zero" in " ".join(play.shown.getvalue().split())
    assert desk.session().pending.step == "bolt"


# Evidence from before

TWICE = """
  first:
    kind: record
    title: First idle
    say: Record it.
    checks: [idle-speed]
    optional: a first look
    branches: [{when: [pass, fail, undecided, cannot], to: look}]
  look:
    kind: ask
    title: The look
    say: Look at it.
    group: safe-to-drive
    answers: {good: Good, bad: Bad}
    passes: [good]
    branches:
      - {when: good, to: idle}
      - {when: {outcome: [bad], attempts: {to: 4}}, to: mend}
      - {when: {outcome: [bad], attempts: {from: 4}}, to: back}
      - {when: cannot, to: back}
  mend:
    kind: do
    title: Mend it
    say: Put it right.
    does: [remedy]
    optional: only when it was bad
    branches: [{when: done, to: look}, {when: cannot, to: back}]
  idle:
    kind: record
    title: The idle
    say: Record it.
    group: safe-to-drive
    checks: [idle-speed]
    branches:
      - {when: {outcome: [undecided], attempts: {to: 3}}, to: idle}
      - {when: {outcome: [undecided], attempts: {from: 3}}, to: back}
      - {when: pass, to: last}
      - {when: [fail, cannot], to: back}
  last:
    kind: ask
    title: The last look
    say: Look once more.
    group: complaint-gone
    later: {settle: Look again., by: within a week}
    answers: {good: Good, bad: Bad}
    passes: [good]
    branches: [{when: good, to: gone}, {when: [bad, cannot], to: back}]
"""
SPEC = ("1", "750 rpm", "")


def twice_desk(tmp_path: Path) -> Desk:
    path = tmp_path / "twice.yaml"
    path.write_text(HEAD + TWICE + ENDINGS)
    loaded = load_flow(str(path), catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, "twice"))
    journal = MemoryJournal()
    journal.put_edition(loaded.edition, loaded.content)
    desk = Desk(journal, "tester", machine, PlayingClock(START), "p-test")
    body = opened_body(
        machine, edition=loaded.edition, audience=Audience.TECHNICIAN, mode="as-work",
        units="metric",
    )  # fmt: skip
    desk.open(body, Secrets())
    return desk


def test_a_recording_from_before_the_remedy_is_not_taken_for_one_after_it(tmp_path: Path) -> None:
    desk = twice_desk(tmp_path)
    old = str(idle_csv(tmp_path / "old.csv"))
    with suppress(Paused):
        # Recorded, found bad, mended; then the same file once more, and only then a new one.
        play(desk, "1", old, *SPEC, "1", "2", "1", "1", "1", old, "!pause")
    assert desk.session().pending.step == "idle"
    shown = " ".join(play.shown.getvalue().split())
    assert (
        "the recording that was given at “First idle”; expected one made after “Mend it”" in shown
    )
    new = str(idle_csv(tmp_path / "new.csv", rpm=751))
    play(desk, "1", new, "1", "1", "1")
    assert desk.session().ending.kind is EndingKind.HAND_BACK


def test_the_same_recording_may_serve_two_steps_with_nothing_done_between(tmp_path: Path) -> None:
    desk = twice_desk(tmp_path)
    old = str(idle_csv(tmp_path / "old.csv"))
    play(desk, "1", old, *SPEC, "1", "1", "1", old, "1", "1", "1")
    assert desk.session().ending.kind is EndingKind.HAND_BACK


def test_an_answer_from_before_the_remedy_is_not_offered_again_after_it(tmp_path: Path) -> None:
    """The idle passed; then it turns out that the look was bad, and the car is mended."""
    desk = twice_desk(tmp_path)
    old = str(idle_csv(tmp_path / "old.csv"))
    with suppress(Paused):
        play(desk, "!cannot", "no adapter", "1", "1", old, *SPEC, "1", "!correct", "1", "2",
             "looked wrong", "1", "1", "!pause")  # fmt: skip
    session = desk.session()
    assert [v.step for v in session.walk] == ["first", "look", "mend", "look"]
    assert session.pending.step == "idle"
    with suppress(Paused):
        play(desk, "!pause")
    assert "It still holds" not in play.shown.getvalue()
    with pytest.raises(UserError, match="no ready answer here"):
        ready_body(session)  # nor by any other front end
    with suppress(Paused):
        play(desk, "1", old, "!pause")
    assert "expected one made after “Mend it”" in " ".join(play.shown.getvalue().split())


# Verdicts that rest on a number which changed


def at_the_last_question(tmp_path: Path) -> Desk:
    desk = twice_desk(tmp_path)
    with suppress(Paused):
        play(desk, "!cannot", "no adapter", "1", "1", str(idle_csv(tmp_path / "a.csv")), *SPEC,
             "1", "!pause")  # fmt: skip
    assert desk.session().pending.step == "last"
    return desk


def test_a_sitting_that_broke_off_after_a_number_changed_judges_anew_when_resumed(
    tmp_path: Path,
) -> None:
    desk = at_the_last_question(tmp_path)
    body = spec_body(
        desk.session(), name="idle_speed", text="950", unit="rpm", source="service information"
    )
    desk.write("spec", body)  # and here the battery of the tablet was empty
    play(desk, "1")
    session = desk.session()
    assert session.last("idle").outcome.label == "fail"
    assert session.ending.kind is EndingKind.BACK_TO_DIAGNOSIS


def test_a_pass_does_not_outlive_the_number_it_rested_on_when_its_recording_is_gone(
    tmp_path: Path,
) -> None:
    desk = at_the_last_question(tmp_path)
    (used,) = desk.session().last("idle").evidence
    assert desk.journal.erase_evidence([used["sha256"]]) == 1
    with suppress(Paused):
        play(desk, "!spec", "1", "1", "950 rpm", "", "misread it", "!pause")
    assert desk.session().last("idle").outcome.label == "undecided"
    assert desk.session().pending.step == "idle"
