"""Every flow of the library: it loads, it proves, and people get through it as they should.

The walks are played by `rehearse_walks`, which knows conditions and gates but not the prover.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest

from tests.whole.rehearse_walks import Here, Rehearsal, as_outcome_lists
from verify import tables
from verify.flow.graph import (
    CANNOT,
    NATURAL_GRADE,
    Graph,
    Look,
    Outcome,
    Step,
    gate_outcome,
    recorded_checks,
    recorded_label,
    still_open,
)
from verify.flow.load import text_to_flow, text_to_part
from verify.flow.proof import Finding, ProvenFlow, prove
from verify.flow.text import Tree, text_to_tree
from verify.job.answers import Number
from verify.job.catalogue import catalogue
from verify.job.judge import judge_answer
from verify.quantity import SpecValue, parse
from verify.terminal.library import flow_names, part_names
from verify.words import Audience, EndingKind, Grade, Group, Verdict

FLOWS = tuple(f"{name}.yaml" for name in flow_names())
PARTS = tuple(f"{name}.yaml" for name in part_names())
THROTTLE = "throttle-body-replaced.yaml"


def text_of(file: str) -> str:
    return tables.read_bytes(file).decode("utf-8")


def part(name: str) -> tuple[str, str] | None:
    file = f"flows/parts/{name}.yaml"
    return (text_of(file), file) if f"{name}.yaml" in PARTS else None


@cache
def graph_of(name: str) -> Graph:
    return text_to_flow(text_of(f"flows/{name}"), name, part, catalogue()).graph


def spoilt(old: str, new: str) -> Graph:
    """The throttle flow with one piece of its text replaced."""
    text = text_of(f"flows/{THROTTLE}")
    assert text.count(old) == 1
    return text_to_flow(text.replace(old, new), THROTTLE, part, catalogue()).graph


def told(findings: object) -> str:
    assert isinstance(findings, tuple)
    lines = []
    for finding in findings:
        assert isinstance(finding, Finding)
        lines.append(f"{finding.step}: {finding.message}\n    " + "\n    ".join(finding.walk))
    return "\n".join(lines)


# --- loading and proving ---


def test_there_is_a_library() -> None:
    assert THROTTLE in FLOWS
    assert len(PARTS) >= 4


@pytest.mark.parametrize("name", FLOWS)
def test_every_flow_loads_and_proves(name: str) -> None:
    proven = prove(graph_of(name), catalogue())
    assert isinstance(proven, ProvenFlow), told(proven)


@pytest.mark.parametrize("name", FLOWS)
def test_the_file_of_a_flow_is_called_as_the_flow(name: str) -> None:
    assert f"{graph_of(name).flow_id}.yaml" == name


@pytest.mark.parametrize("name", PARTS)
def test_every_part_proves_alone_and_reaches_each_result(name: str) -> None:
    file = f"flows/parts/{name}"
    graph = text_to_part(text_of(file), file, part, catalogue())
    proven = prove(graph, catalogue())
    assert isinstance(proven, ProvenFlow), told(proven)
    reached = {here.node for here in Rehearsal(graph, catalogue()).explore()}
    assert set(graph.endings) - {graph.on_stop} <= reached


@pytest.mark.parametrize("name", PARTS)
def test_every_part_is_used(name: str) -> None:
    line = f"part: {name.removesuffix('.yaml')}"
    texts = [text_of(f"flows/{f}") for f in FLOWS] + [text_of(f"flows/parts/{p}") for p in PARTS]
    assert any(re.search(rf"^\s*{line}$", text, re.MULTILINE) for text in texts)


# --- rehearsal: every branch, every ending ---


@cache
def walks_of(name: str) -> tuple[list[Here], set[tuple[str, int]]]:
    return Rehearsal(graph_of(name), catalogue()).covering()


@pytest.mark.parametrize("name", FLOWS)
def test_the_rehearsal_takes_every_branch_and_ends(name: str) -> None:
    graph = graph_of(name)
    walks, missing = walks_of(name)
    assert not missing
    assert {walk.node for walk in walks} <= set(graph.endings)
    # `stop` leads to on_stop from everywhere and is no branch.
    assert {walk.node for walk in walks} >= set(graph.endings) - {graph.on_stop}
    assert len(walks) <= len(Rehearsal(graph, catalogue()).branches())


@pytest.mark.parametrize("name", FLOWS)
def test_the_rehearsed_walks_can_be_played_again_from_their_outcomes_alone(name: str) -> None:
    graph = graph_of(name)
    rehearsal = Rehearsal(graph, catalogue())
    taken = set()
    for walk in walks_of(name)[0]:
        lists = as_outcome_lists(walk)
        here = rehearsal.start(walk.audience)
        while here.node in graph.steps:
            if graph.steps[here.node].kind == "gate":
                found = gate_outcome(graph, here.last)
                assert lists[here.node].pop(0) == found
            else:
                found = lists[here.node].pop(0)
            here = rehearsal.step_on(here, found)
        assert here.node == walk.node
        assert not any(lists.values())
        taken |= {(t.step, t.branch) for t in here.walk()}
    assert taken == rehearsal.branches()


# --- how people get through the throttle flow ---


def best(step: Step) -> Outcome:
    """The outcome of somebody for whom all goes well, with every instrument at hand."""
    grade = NATURAL_GRADE[step.kind]
    if step.kind == "record":
        checks = catalogue().checks
        good = []
        for check in sorted(recorded_checks(step)):
            finding = next(f for f, v in checks[check].items() if v is Verdict.PASS)
            good.append((check, Verdict.PASS, finding))
        return Outcome("pass", grade, checks=tuple(good))
    label = next((one for one in step.labels if one in step.passes), step.labels[0])
    return Outcome(label, grade)


def bare_hands(step: Step) -> Outcome:
    """The same for an owner without recorder, code reader, voltmeter or torque wrench."""
    if step.kind == "record":
        return Outcome("told-pass" if "told-pass" in step.labels else CANNOT)
    if step.kind in ("codes", "fasten") or step.name == "supply":
        return Outcome(CANNOT)
    return best(step)


def play(graph: Graph, audience: Audience, person: Any, **said: str) -> tuple[Here, list[str]]:
    """Walks as `person` answers, but for what is `said`: always, or ("once: …") the first time.

    Returns the end and the screens.
    """
    rehearsal = Rehearsal(graph, catalogue())
    here = rehearsal.start(audience)
    screens: list[str] = []
    while here.node in graph.steps:
        assert len(screens) < 100
        step = graph.steps[here.node]
        if step.kind == "gate":
            outcome = gate_outcome(graph, here.last)
        else:
            screens.append(step.name)
            outcome = person(step)
            label = said.get(step.name.replace("-", "_").replace("/", "__"))
            once = label is not None and label.startswith("once: ")
            if label is not None and not (once and step.name in screens[:-1]):
                outcome = Outcome(label.removeprefix("once: "), NATURAL_GRADE[step.kind])
        here = rehearsal.step_on(here, outcome)
    return here, screens


def test_the_technicians_good_path_hands_back_within_25_screens() -> None:
    for answer in ("by-itself", "on-symptoms"):
        graph = graph_of(THROTTLE)
        end, screens = play(graph, Audience.TECHNICIAN, best, service_info=answer)
        assert end.node == "hand-back"
        assert len(screens) <= 25, screens
        assert len(set(screens)) == len(screens)


def test_the_good_path_keeps_the_order_of_the_trade() -> None:
    _, screens = play(graph_of(THROTTLE), Audience.TECHNICIAN, best, service_info="by-itself")
    order = (
        "odometer complaint cause before codes-saved service-info reassembly/walk-round "
        "reassembly/fasten supply key-on codes-key-on clear first-start idle pedal pedal-recorded "
        "road/brake-pedal road/walking-pace road/drive road/recorded soak hot-restart hot-idle "
        "codes-after complaint-gone"
    )
    assert screens == order.split()


def test_a_required_relearn_is_made_on_the_good_path_and_proven_by_the_car() -> None:
    end, screens = play(graph_of(THROTTLE), Audience.TECHNICIAN, best, service_info="required")
    assert end.node == "hand-back"
    assert screens.index("relearn/run") < screens.index("relearn/sleep")
    assert screens.index("relearn/sleep") < screens.index("relearn/verify")
    assert screens.index("relearn/verify") < screens.index("pedal")
    assert screens.count("first-start") == 2


def test_an_owner_with_bare_hands_reaches_proof_to_follow() -> None:
    graph = graph_of(THROTTLE)
    end, _ = play(graph, Audience.OWNER, bare_hands, service_info="by-itself")
    assert end.node == "proof-to-follow"
    open_steps = still_open(graph, end.last)
    names = {step.name for step in open_steps}
    assert names == {
        *("reassembly/fasten", "pedal-recorded", "road/recorded", "hot-idle", "codes-after")
    }
    assert all(s.group is not Group.SAFE and s.later is not None for s in open_steps)


def test_an_owner_with_everything_can_be_done() -> None:
    end, _ = play(graph_of(THROTTLE), Audience.OWNER, best, service_info="by-itself")
    assert end.node == "hand-back"


@pytest.mark.parametrize(
    ("step", "label", "ending"),
    [
        ("service_info", "not-found", "proof-to-follow"),
        ("service_info", "done", "too-early"),
        ("complaint_gone", "too-short", "proof-to-follow"),
        ("complaint_gone", "came-back", "still-wrong"),
        ("codes_after", "forbids", "tow"),
        ("codes_after", "other", "proof-to-follow"),
        ("codes_after", "wiring", "wiring-fault"),
        ("codes_after", "partly-read", "proof-to-follow"),
        ("codes_after", "not-ready", "proof-to-follow"),
        ("codes_after", "cleared", "cleared-after-drive"),
        ("first_start", "climbs", "stop-now"),
        ("hot_restart", "lamp", "not-shown"),
        ("soak", "cannot", "proof-to-follow"),
        ("road__brake_pedal", "cannot", "not-shown"),
        ("pedal", "no-response", "tow"),
        ("pedal", "dies", "still-wrong"),
        ("pedal_recorded", "told-fail", "tow"),
        ("pedal_recorded", "told-undecided", "proof-to-follow"),
        ("pedal_recorded", "undecided", "proof-to-follow"),
        ("pedal_recorded", "cannot", "proof-to-follow"),
        ("hot_idle", "told-fail", "still-wrong"),
        ("hot_idle", "undecided", "proof-to-follow"),
        ("road__recorded", "told-fail", "still-wrong"),
        ("reassembly__walk_round", "cannot", "not-finished"),
    ],
)
def test_one_thing_that_stays_wrong_leads_where_it_should(
    step: str, label: str, ending: str
) -> None:
    graph = graph_of(THROTTLE)
    said = {"service_info": "by-itself", "leaks__look": "ok", "wiring": "ok", step: label}
    end, _ = play(graph, Audience.TECHNICIAN, best, **said)
    assert end.node == ending


def test_undecided_pedal_steps_are_recorded_once_more_and_no_oftener() -> None:
    said = {"service_info": "by-itself", "pedal_recorded": "undecided"}
    _, screens = play(graph_of(THROTTLE), Audience.TECHNICIAN, best, **said)
    assert screens.count("pedal-recorded") == 2


# Where a fail of each check leads that is put to a recording, all others being good. A fail of the
# drive itself (too cold outside, too high up) says nothing of the car.
FAILS = {
    "pedal-recorded": {
        **dict.fromkeys(("pedal-response", "no-response", "throttle-follow"), "tow"),
        **dict.fromkeys(("throttle-return", "pedal-pair", "throttle-pair", "key-on-rest"), "tow"),
    },
    "road/recorded": {
        **dict.fromkeys(("no-stall", "surge", "hesitation"), "still-wrong"),
        "warm-up": "stays-cold",
    },
    "hot-idle": {
        **dict.fromkeys(("idle-speed", "idle-steady", "no-stall", "idle-settling"), "still-wrong"),
        "charging": "wiring-fault",
    },
    # A first look: a leak is looked for, the relearn is tried, and the car must show itself again.
    "idle": dict.fromkeys(("idle-speed", "idle-steady", "no-stall", "fuel-trim"), "still-wrong"),
}


def judged(step: Step, check: str, finding: str) -> Outcome:
    """A recording in which all is well but for one check."""
    verdict = catalogue().checks[check][finding]
    good = best(step).checks
    checks = tuple((c, v, f) if c != check else (c, verdict, finding) for c, v, f in good)
    label = recorded_label(step, ((c, v) for c, v, _ in checks))
    return Outcome(label, NATURAL_GRADE[step.kind], checks=checks)


@pytest.mark.parametrize("name", FAILS)
def test_whatever_fails_in_a_recording_never_leads_to_the_keys(name: str) -> None:
    graph = graph_of(THROTTLE)
    step = graph.steps[name]
    tried = {}
    for check in recorded_checks(step):
        for finding, verdict in catalogue().checks[check].items():
            if verdict is not Verdict.FAIL:
                continue
            outcome = judged(step, check, finding)
            assert outcome.label == "fail"
            end, _ = play(
                graph,
                Audience.TECHNICIAN,
                lambda s, o=outcome: o if s.name == name else best(s),
                service_info="on-symptoms",
                leaks__look="ok",
                wiring="ok",
                relearn__who="no-routine",
            )
            wanted = "too-hot" if finding == "overheats" else FAILS[name][check]
            assert end.node == wanted, (check, finding)
            tried[check] = True
    assert set(tried) == set(FAILS[name])


@pytest.mark.parametrize(
    ("name", "check", "finding"),
    [
        ("pedal-recorded", "throttle-return", "too-slow-to-tell"),
        ("pedal-recorded", "throttle-pair", "channel-missing"),
        ("road/recorded", "same-conditions", "not-met"),
        ("road/recorded", "hesitation", "too-few-tip-ins"),
        ("hot-idle", "idle-settling", "too-few-idles"),
    ],
)
def test_what_is_judged_beside_holds_no_keys_back_while_it_is_undecided(
    name: str, check: str, finding: str
) -> None:
    graph = graph_of(THROTTLE)
    outcome = judged(graph.steps[name], check, finding)
    assert outcome.label == "pass"
    end, screens = play(
        graph, Audience.TECHNICIAN, lambda s: outcome if s.name == name else best(s),
        service_info="by-itself",
    )  # fmt: skip
    assert end.node == "hand-back"
    assert screens.count(name) == 1


def test_no_car_that_ran_too_hot_may_move() -> None:
    assert graph_of(THROTTLE).endings["too-hot"].kind is EndingKind.DO_NOT_DRIVE


@pytest.mark.parametrize(
    ("who", "ending"),
    [("mobile", "relearn-mobile"), ("shop", "relearn-tow"), ("no-routine", "still-wrong")],
)
def test_a_required_relearn_that_cannot_be_made_here_does_not_let_the_car_go(
    who: str, ending: str
) -> None:
    said = {"service_info": "required", "relearn__who": who}
    end, _ = play(graph_of(THROTTLE), Audience.TECHNICIAN, best, **said)
    assert end.node == ending


def test_a_car_that_drives_well_may_be_driven_to_the_relearn() -> None:
    said = {"service_info": "by-itself", "codes_after": "learn", "leaks__look": "ok"}
    said["relearn__who"] = "shop"
    end, screens = play(graph_of(THROTTLE), Audience.TECHNICIAN, best, **said)
    assert end.node == "relearn-drive"
    assert screens[-1] == "before-the-way"


def test_two_tries_of_a_relearn_are_enough() -> None:
    said = {"service_info": "required", "relearn__verify": "not-settled"}
    end, screens = play(graph_of(THROTTLE), Audience.TECHNICIAN, best, **said)
    assert end.node == "relearn-failed"
    assert screens.count("relearn/run") == 2


def everywhere(graph: Graph, **watch: str) -> Iterator[Here]:
    """All walks, and more: a gate may find anything. `watch` step → outcome is never forgotten."""
    looks = {
        name.replace("__", "/").replace("_", "-"): [Look(outcome=frozenset({label}))]
        for name, label in watch.items()
    }
    yield from Rehearsal(graph, catalogue(), watch=looks, any_gate=True).explore()


def let_go_without_relearn(graph: Graph) -> tuple[int, int, int]:
    """Cars let go over all walks, a relearn being required: (with one that was proven, with one
    proven after the wiring was put right, without one or with one from before that)."""
    watch = {"service_info": "required", "wiring_cure": "done"}
    watch |= {"relearn__verify": "settled", "relearn_again__verify": "settled"}
    plain = again = without = 0
    for here in everywhere(graph, **watch):
        ending = graph.endings.get(here.node)
        if ending is None or not ending.kind.lets_go:
            continue
        if here.last["service-info"].label != "required":
            continue
        verified, cured = _places(here)
        if verified <= cured:
            without += 1
        elif cured >= 0:
            again += 1
        else:
            plain += 1
    return plain, again, without


def _places(here: Here) -> tuple[int, int]:
    """Where on a walk a relearn proved itself last, and where the wiring was put right last."""
    verified = cured = -1
    for place, taken in enumerate(here.walk()):
        if taken.step.startswith("relearn") and taken.step.endswith("/verify"):
            verified = place if taken.outcome.label == "settled" else -1
        if (taken.step, taken.outcome.label) == ("wiring-cure", "done"):
            cured = place
    return verified, cured


def test_a_required_relearn_is_proven_on_every_walk_that_lets_the_car_go() -> None:
    plain, again, without = let_go_without_relearn(graph_of(THROTTLE))
    assert plain > 0
    assert again > 0
    assert without == 0


@pytest.mark.parametrize("part", ["relearn", "relearn-again"])
def test_the_search_for_a_missing_relearn_finds_one(part: str) -> None:
    old = (
        f"{{step: {part}/verify, outcome: [not-visited, not-settled, cannot]}}\n        to: {part}"
    )
    graph = spoilt(old, old.replace(f"to: {part}", "to: pedal"))
    assert let_go_without_relearn(graph)[2] > 0


def test_after_the_wiring_was_put_right_a_required_relearn_is_made_again() -> None:
    said = {"service_info": "required", "pedal": "once: no-response", "wiring": "exceptions"}
    end, screens = play(graph_of(THROTTLE), Audience.TECHNICIAN, best, **said)
    assert end.node == "hand-back"
    told = {"key-on", "first-start", "idle", "relearn/verify", "relearn-again/verify", "pedal"}
    assert [s for s in screens if s in {*told, "wiring-cure"}] == [
        "key-on", "first-start", "idle", "relearn/verify", "key-on", "first-start", "idle",
        "pedal", "wiring-cure", "key-on", "first-start", "idle", "relearn-again/verify", "key-on",
        "first-start", "idle", "pedal",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("volts", "label"),
    [
        ("126 V", "fail"),
        ("24 V", "fail"),
        ("16.5 V", "fail"),
        ("12.6 V", "pass"),
        ("11.5 V", "fail"),
    ],
)
def test_a_supply_that_no_healthy_car_has_does_not_pass(volts: str, label: str) -> None:
    graph = graph_of(THROTTLE)
    specs = {"rest_voltage": SpecValue(parse("12.2 V"), "service information")}
    judged = judge_answer(graph.steps["supply"], Number(volts), specs)
    assert judged.outcome.label == label


def test_no_walk_runs_the_relearn_more_than_twice_or_goes_round_for_ever() -> None:
    longest = runs = again = 0
    for here in everywhere(graph_of(THROTTLE)):
        runs = max(runs, here.attempts.get("relearn/run", 0))
        again = max(again, here.attempts.get("relearn-again/run", 0))
        longest = max(longest, sum(here.attempts.values()))
    assert (runs, again) == (2, 2)
    assert longest < 150


def test_no_owner_is_sent_into_the_wiring() -> None:
    walks = everywhere(graph_of(THROTTLE))
    asked = {(w.node, w.audience) for w in walks if w.node in ("wiring", "wiring-cure")}
    assert asked == {(node, Audience.TECHNICIAN) for node in ("wiring", "wiring-cure")}


# --- what every flow owes its reader ---


@pytest.mark.parametrize("name", FLOWS)
def test_an_owner_can_answer_whatever_is_needed_to_drive(name: str) -> None:
    graph = graph_of(name)
    safe = [s for s in graph.required() if s.group is Group.SAFE]
    assert safe
    if Audience.OWNER in graph.audiences:
        assert [s.name for s in safe if s.least is not Grade.TOLD] == []


@pytest.mark.parametrize("name", FLOWS)
def test_what_may_stay_open_says_what_settles_it_and_by_when(name: str) -> None:
    for step in graph_of(name).required():
        if step.group is not Group.SAFE:
            assert step.later is not None
            assert all(step.later)


def test_the_throttle_flow_has_every_kind_of_ending() -> None:
    assert {e.kind for e in graph_of(THROTTLE).endings.values()} == set(EndingKind)


@pytest.mark.parametrize("name", FLOWS)
def test_every_ending_speaks_to_everyone(name: str) -> None:
    graph = graph_of(name)
    if Audience.OWNER in graph.audiences:
        assert [e.name for e in graph.endings.values() if not e.owner] == []
    for ending in graph.endings.values():
        assert bool(ending.who) == (ending.kind is EndingKind.RELEARN)


def texts(value: object, where: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        yield where, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from texts(inner, f"{where}.{key}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from texts(inner, f"{where}.{index}")


def all_texts() -> list[tuple[str, str]]:
    found = []
    for file in (*(f"flows/{f}" for f in FLOWS), *(f"flows/parts/{p}" for p in PARTS)):
        tree = text_to_tree(text_of(file), file)
        assert isinstance(tree, Tree)
        found += list(texts(tree.data, file))
    return found


TORQUE = re.compile(
    r"\d\s*(?:N\W?m\b|newton|in\W?lb|ft\W?lb|lb\W?ft|lb\W?in|foot.pound|inch.pound|kgf)",
    re.IGNORECASE,
)


def test_the_torque_search_finds_torques() -> None:
    for text in ("9 N·m", "9Nm", "80 in-lb", "10 ft·lbf", "7 lb-ft", "1 kgf·m", "9 newton metres"):
        assert TORQUE.search(text)
    assert not TORQUE.search("hold 5 s, 10 times, 12.2 V, 45 km/h (28 mph)")


def test_no_text_gives_an_example_torque() -> None:
    assert [where for where, text in all_texts() if TORQUE.search(text)] == []


@pytest.mark.parametrize("name", FLOWS)
def test_a_torque_has_no_usual_value(name: str) -> None:
    specs = graph_of(name).specs.values()
    assert [s.name for s in specs if s.unit == "N·m" and s.default is not None] == []


def test_texts_are_plain() -> None:
    """A foreman reads a sentence once: none is longer than 32 words, none is shouted."""
    for where, text in all_texts():
        for sentence in re.split(r"[.?!:]\s+", text):
            assert len(sentence.split()) <= 32, f"{where}: {sentence}"
        assert not re.search(r"[!…]|\b[A-Z]{4,}\b", text), where


@pytest.mark.parametrize("name", FLOWS)
def test_a_line_of_a_list_fits_a_row(name: str) -> None:
    graph = graph_of(name)
    lines = [line for s in graph.steps.values() for line in s.detail.get("items", {}).values()]
    lines += [a for s in graph.steps.values() for a in s.detail.get("answers", {}).values()]
    assert [line for line in lines if len(line) > 72] == []
