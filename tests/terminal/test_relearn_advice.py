"""Who does the relearn and what it costs: what the job has shown, what is asked, advised, and
written down. The costs themselves are held in tests/car/test_relearn_cost.py."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import pytest

from tests.terminal.walks import SMALL, START, idle_csv, keysback, small_desk
from verify.car.relearn_cost import Way
from verify.errors import UserError
from verify.job.bodies import decision_body, opened_body, outcome_body
from verify.job.catalogue import catalogue
from verify.job.memory import MemoryJournal
from verify.terminal import relearn_advice
from verify.terminal.account import account_json, account_lines
from verify.terminal.clock import PlayingClock
from verify.terminal.desk import Desk, Secrets
from verify.terminal.hands import PersonHands
from verify.terminal.library import flow_names, load_flow
from verify.terminal.relearn_advice import (
    FACTS,
    QUESTIONS,
    Plan,
    advice_lines,
    read_amount,
    read_offer,
    ruled_out,
    situation,
)
from verify.terminal.runner import Paused, Runner
from verify.terminal.ui_lines import LineUi
from verify.words import Audience, EndingKind

# The small flow, in which a failed idle leads to a relearn, with the library's own step names.
RELEARN = (
    SMALL.read_text()
    .replace("title: Small flow", "title: Small flow with a relearn")
    .replace("[fail, told-fail], to: back", "[fail, told-fail], to: relearn")
    .replace(
        "  stopped: {kind",
        "  relearn: {kind: relearn, title: To the relearn, advice: Book it., owner: Ask for it., "
        "who: A workshop}\n  stopped: {kind",
    )
)
TO_IDLE = [
    *("It hunts", "none", "9 N·m", "", "1", "", "1", "9 N·m", "sheet 4", "12.6 V", "3"),
    *("!cannot", "no reader", "2", "hurry", "1", "1"),
]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    path = tmp_path / "relearn.yaml"
    path.write_text(RELEARN)
    return small_desk(Audience.OWNER, flow=path)


def typed(desk: Desk, *lines: str) -> str:
    shown = io.StringIO()
    source = io.StringIO("".join(line + "\n" for line in lines))
    Runner(desk, PersonHands(LineUi(source, shown))).run()
    return " ".join(shown.getvalue().split())


SAFE = ["1", "2", "2", "2", "2"]  # answers the pedal; no stall, brake warning, revs, limp-home


def test_it_is_offered_below_the_ending_and_skipped_with_one_key(desk: Desk) -> None:
    shown = typed(desk, *TO_IDLE, "2", "2", "1", "1")
    assert desk.session().ending.kind is EndingKind.RELEARN
    assert shown.index("RELEARN FIRST") < shown.index(
        "Who does the relearn, and what does it cost?"
    )
    assert desk.session().decisions == ()
    assert "decision" not in [e.kind for e in desk.session().history]


def test_the_end_of_the_input_leaves_it_and_loses_nothing(desk: Desk) -> None:
    typed(desk, *TO_IDLE, "2", "2", "1")
    assert desk.session().ending.kind is EndingKind.RELEARN
    assert desk.session().decisions == ()


def test_figures_advice_and_the_decision_upon_it(desk: Desk) -> None:
    figures = ["", "100 2 90", "180 0 90", "260 1 ?"]
    shown = typed(
        desk, *TO_IDLE, "2", "2", "1", "2", *SAFE, "2", *figures, "30", "150", "2", "Tuesday"
    )
    # E = 100 + 2·30 + 0.1·150 = 175, and 180 + 0.1·150 = 195: by hand, from the module's formula.
    assert "Drive to a shop: expected cost about 175." in shown
    assert "Mobile technician: expected cost about 195." in shown
    assert "Least expected cost: drive to a shop, about 175." in shown
    assert "It usually cannot command a throttle relearn" in shown
    assert "you decide" in shown
    (made,) = desk.session().decisions
    assert (made.about, made.choice, made.advised) == ("relearn", "shop", "shop")
    assert made.figures["offers"] == {"shop": "100 2 90", "mobile": "180 0 90", "tow": "260 1 ?"}
    assert "Tuesday" not in repr([e.body for e in desk.session().history])
    account = "\n".join(account_lines(desk, desk.session()))
    assert "Decided about the relearn: drive to a shop" in account
    assert "Tuesday" in account
    (in_json,) = account_json(desk, desk.session())["decisions"]
    assert (in_json["choice"], in_json["figures"]["hour"]) == ("shop", "30")


def test_the_flip_is_said_where_a_chance_is_unknown(desk: Desk) -> None:
    shown = typed(
        desk, *TO_IDLE, "2", "2", "1", "2", *SAFE, "2", "0 0 ?", "160 0 90", "", "", "", "150", "6"
    )
    # Driving on costs 0 + (1 - p)·175, the shop 160 + 0.1·150 = 175: it costs less above p = 0.
    assert "undecided: how likely it is to work is not known of: drive on" in shown.casefold()
    assert "drive on and let it learn costs less than drive to a shop" in shown.casefold()
    assert "Not entered, so counted as nothing: your time." in shown
    assert desk.session().decisions == (), "nothing yet: left open"


@pytest.mark.parametrize(
    ("answers", "why"),
    [
        (["2"], "the engine does not answer the pedal: do not drive"),
        (["3"], "nobody has looked whether the engine answers the pedal"),
        (["1", "1"], "it stalls: do not drive"),
        (["1", "2", "1"], "a red brake warning is on or the brake pedal is hard"),
        (["1", "2", "2", "1"], "the revs stay up by themselves: do not drive"),
        (["1", "2", "2", "2", "1", "1", "2"], "limp-home on a fast road"),
    ],
)
def test_what_safety_rules_out_is_neither_priced_nor_offered(
    desk: Desk, answers: list[str], why: str
) -> None:
    shown = typed(desk, *TO_IDLE, "2", "2", "1", "2", *answers, "", "", "2", "")
    assert why in shown
    assert ("nobody has looked" in shown) == why.startswith("nobody"), "only where nothing is known"
    assert "No prices were entered" in shown
    options = shown[shown.index("What do you decide?") :]
    assert "Drive to a shop" not in options
    assert "Drive on" not in options
    (made,) = desk.session().decisions
    assert made.choice == "tow"
    assert set(made.ruled_out) == {"drive-on", "shop"}


def test_a_car_that_was_not_shown_to_be_safe_is_not_driven_to_the_relearn(desk: Desk) -> None:
    # The start could not be done again after a correction: safe-to-drive stands open.
    with pytest.raises(Paused):
        typed(desk, *TO_IDLE, "!pause")
    session = desk.session()
    open_steps = (*session.open_required, "start")
    unsafe = replace(session, open_required=open_steps)
    out = ruled_out(unsafe, situation(unsafe))
    assert set(out) == {Way.DRIVE_ON, Way.SHOP}
    assert "has not shown that it is safe to drive: The start" in out[Way.SHOP][0]
    assert not any(r.startswith("nobody") for r in out[Way.SHOP])


def test_a_decision_fits_only_an_ending_in_a_relearn_and_a_way_that_is_left(desk: Desk) -> None:
    with pytest.raises(UserError, match="while the job goes on"):
        decision_body(desk.live(), choice="tow")
    typed(desk, *TO_IDLE, "2", "2", "1", "1")
    with pytest.raises(UserError, match="which safety rules out"):
        decision_body(desk.live(), choice="shop", ruled_out=["shop"])
    desk.write("decision", decision_body(desk.live(), choice="other"))
    assert relearn_advice.offer(desk, desk.live(), None) is desk.live(), "offered once"


def test_other_endings_are_offered_nothing(desk: Desk) -> None:
    shown = typed(desk, "It hunts", "1", "!cannot", "no tools", "1")
    assert desk.session().ending.kind is EndingKind.BACK_TO_DIAGNOSIS
    assert "Who does the relearn, and what" not in shown


@pytest.mark.parametrize(
    "text", ["", "free", "-3", "120 1 101", "1 2 3 4 5", "?", "nan 1", "1e400"]
)
def test_figures_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(UserError):
        read_offer(text)


def test_figures_as_people_type_them() -> None:
    assert read_offer("120; 1,5; 90 %") == read_offer("120 1.5 90")
    assert read_offer("120 ? ? 40").success is None
    assert read_offer("120").hours == 0
    assert read_amount("12,50") == 12.5
    with pytest.raises(UserError, match="thousands"):
        read_amount("1,500")


def test_no_way_left_without_prices_still_ends_with_the_word_that_you_decide(desk: Desk) -> None:
    lines, best = advice_lines(desk.session(), Plan(situation(desk.session())))
    assert best == ""
    assert "you decide" in lines[-1]


# ---- what the job has shown --------------------------------------------------------------------


def test_every_name_by_which_a_fact_is_known_stands_in_the_library() -> None:
    graphs = [load_flow(name, catalogue()).graph for name in flow_names()]
    steps: dict[str, list] = {}
    for graph in graphs:
        for name, step in graph.steps.items():
            steps.setdefault(name.rsplit("/", 1)[-1], []).append(step)
    for name, labels in FACTS.items():
        assert name in steps, name
        for label, facts in labels.items():
            assert set(facts) <= set(QUESTIONS)
            if label.startswith("!"):
                named = [label[1:] in step.detail["items"] for step in steps[name]]
            else:
                named = [label in step.labels for step in steps[name]]
            # An engine that is open inside is asked about its start in other words.
            assert any(named), (name, label)


def named(desk_path: Path, label: str) -> Desk:
    """The relearn flow with its start called as the library's pedal step, answered with `label`."""
    text = RELEARN.replace("  start:\n", "  pedal:\n").replace("to: start}", "to: pedal}")
    text = text.replace(
        "answers: {runs: It runs, climbs: The revs climb}\n    passes: [runs]",
        "answers: {follows: It follows, no-response: No response, climbs: The revs climb}\n"
        "    passes: [follows]",
    ).replace("{when: runs, to: idle}", "{when: [follows, no-response], to: idle}")
    desk_path.write_text(text)
    loaded = load_flow(str(desk_path), catalogue())
    from verify.flow.machine import draft_machine

    desk = Desk(MemoryJournal(), "tester", draft_machine(loaded.graph), PlayingClock(START), "p")
    desk.journal.put_edition(loaded.edition, loaded.content)
    body = opened_body(
        desk.machine, edition=loaded.edition, audience=Audience.OWNER, mode="as-work", units="us"
    )
    desk.open(body, Secrets())
    with pytest.raises(Paused):
        typed(desk, *TO_IDLE[:-1], "!pause")
    from verify.flow.graph import Outcome

    desk.write("outcome", outcome_body(desk.live(), Outcome(label)))
    return desk


def test_what_the_job_has_shown_is_taken_from_it_and_not_asked(tmp_path: Path) -> None:
    good = situation(named(tmp_path / "a.yaml", "follows").session())
    assert (good.pedal_answers, good.revs_stay_up, good.stalls) == (True, False, None)
    bad = named(tmp_path / "b.yaml", "no-response").session()
    assert situation(bad).pedal_answers is False
    out = ruled_out(bad, situation(bad))
    assert "the engine does not answer the pedal: do not drive" in out[Way.SHOP]


# ---- scripted ----------------------------------------------------------------------------------

SCRIPT = """\
specs:
  bolt_torque: {value: "9 N·m", detail: sheet 4}
  rest_voltage: "12.2 V"
  idle_speed: "950 rpm"
story: ["It hunts"]
list: [ok]
bolt: [{torque: "9 N·m", order: yes}]
volts: ["12.6 V"]
codes: [{stored: [], pending: [], permanent: not read, modules: [engine]}]
rest: [done]
start: [runs]
idle: [{file: idle.csv}]
"""
ADVICE = """\
relearn-advice:
  situation: {pedal_answers: yes, stalls: no, red_brake_warning: yes}
  offers: {tow: "200 1 90", mobile: "180 0 90"}
  hour: "30"
  diagnosis: "150"
  decide: mobile
"""


def scripted(tmp_path: Path, answers: str):
    (tmp_path / "flow.yaml").write_text(RELEARN)
    (tmp_path / "answers.yaml").write_text(answers)
    idle_csv(tmp_path / "idle.csv")
    return keysback(
        "open", str(tmp_path / "flow.yaml"), "--answers", str(tmp_path / "answers.yaml"),
        "--store", str(tmp_path / "store"),
    )  # fmt: skip


def decisions(tmp_path: Path) -> list:
    store = str(tmp_path / "store")
    job = json.loads(keysback("jobs", "--json", "--store", store).stdout)[0]["job"]
    return json.loads(keysback("show", job, "--json", "--store", store).stdout)["decisions"]


def test_a_script_decides_only_where_its_file_says_so(tmp_path: Path) -> None:
    run = scripted(tmp_path, SCRIPT)
    assert run.returncode == 0, run.stderr
    assert decisions(tmp_path) == []
    run = scripted(tmp_path, SCRIPT + ADVICE)
    assert run.returncode == 0, run.stderr
    found = decisions(tmp_path)
    assert [(d["choice"], d["advised"]) for d in found] == [("mobile", "mobile")]
    assert found[0]["ruled_out"] == ["drive-on", "shop"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("decide: mobile", "decide: shop", "which safety rules out here"),
        ("decide: mobile", "decide: walk", "way"),
        ("tow:", "towe:", 'write "tow"'),
        ("stalls: no", "stall: no", 'write "stalls"'),
        ('"180 0 90"', '"cheap"', "a number that is not negative"),
        ("  decide: mobile\n", "", "a block with decide:"),
    ],
)
def test_a_wrong_block_is_one_clear_message(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in ADVICE
    run = scripted(tmp_path, SCRIPT + ADVICE.replace(old, new))
    assert run.returncode == 2
    assert said in " ".join(run.stderr.split())
    assert "Traceback" not in run.stderr


def test_a_block_that_nothing_asked_for_is_an_unused_answer(tmp_path: Path) -> None:
    run = scripted(tmp_path, SCRIPT.replace("950 rpm", "750 rpm") + ADVICE)
    assert run.returncode == 2
    assert '"relearn-advice" not asked' in run.stderr
