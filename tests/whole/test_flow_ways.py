"""How people get through each flow of the library, and where what goes wrong leads them.

`test_flows` asks of every flow that it proves and can be rehearsed; here the walks are those of
people: somebody for whom all goes well, an owner with bare hands, and one fault at a time.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from tests.whole.flow_leads import LEADS
from tests.whole.rehearse_walks import Rehearsal
from tests.whole.test_flows import FLOWS, best, graph_of, judged, play
from verify.flow.graph import CANNOT, NATURAL_GRADE, Graph, Look, Outcome, Step, recorded_checks
from verify.flow.graph import still_open as open_steps
from verify.flow.opens import opens_work
from verify.job.catalogue import catalogue
from verify.words import Audience, EndingKind, Group, Verdict

MOST_SCREENS = 25

# What these two judge is the drive. A drive that was too short is no fault of the car.
OF_THE_DRIVE = frozenset({"road-coverage", "same-conditions"})

# A sound from before the repair is the complaint itself: that it ticks speaks of the old part.
BEFORE_THE_REPAIR = frozenset({"noise-before/noise"})

# Whoever looks it up finds that this car learns by itself, and nobody has seen today what comes
# only with weeks of driving.
TODAY = {"service_info": "by-itself", "watch": "not-yet", "monitors": "not-yet"}

# Where a number must have been read before anybody gets the keys, an owner has borrowed the meter.
METER = {"alternator-or-charging.yaml": {"under_load": "pass"}}


def bare_hands(step: Step) -> Outcome:
    """An owner without recorder, code reader, torque wrench or meter, who can read an odometer."""
    if step.kind == "record":
        return Outcome("told-pass" if "told-pass" in step.labels else CANNOT)
    if step.kind in ("codes", "fasten") or (
        step.kind == "reading" and not step.name.endswith("odometer")
    ):
        return Outcome(CANNOT)
    return best(step)


@pytest.mark.parametrize("name", FLOWS)
def test_a_technician_for_whom_all_goes_well_lets_the_car_go_within_25_screens(name: str) -> None:
    graph = graph_of(name)
    end, screens = play(graph, Audience.TECHNICIAN, best, **TODAY)
    assert graph.endings[end.node].kind.lets_go
    assert len(screens) <= MOST_SCREENS, screens
    assert len(set(screens)) == len(screens)


@pytest.mark.parametrize("name", FLOWS)
def test_an_owner_with_bare_hands_gets_the_car_with_proof_to_follow(name: str) -> None:
    graph = graph_of(name)
    if Audience.OWNER not in graph.audiences:
        pytest.skip("not a repair for owners")
    end, _ = play(graph, Audience.OWNER, bare_hands, **TODAY, **METER.get(name, {}))
    assert graph.endings[end.node].kind is EndingKind.PROOF_TO_FOLLOW
    left = open_steps(graph, end.last)
    assert left
    assert all(s.group is not Group.SAFE and s.later is not None for s in left)


@pytest.mark.parametrize("label", ["undecided", "cannot"])
def test_bolts_that_were_never_set_to_a_torque_cannot_have_held_it(label: str) -> None:
    graph = graph_of("wheel-speed-sensor.yaml")
    end, screens = play(graph, Audience.TECHNICIAN, best, **TODAY, torque=label)
    assert "retorque" not in screens
    assert {"torque", "retorque"} <= {s.name for s in open_steps(graph, end.last)}


def test_no_car_is_let_go_whose_charge_nobody_has_read() -> None:
    graph = graph_of("alternator-or-charging.yaml")
    end, screens = play(graph, Audience.OWNER, bare_hands, **TODAY)
    assert end.node == "no-voltage"
    assert "road/drive" not in screens


@pytest.mark.parametrize("name", FLOWS)
def test_no_check_of_the_car_that_fails_leads_straight_to_the_keys(name: str) -> None:
    """Each finding that fails, alone among good ones, with nobody who could cure anything."""
    graph = graph_of(name)
    tried = 0
    for step in graph.steps.values():
        if step.kind != "record" or step.name in BEFORE_THE_REPAIR:
            continue
        for check in sorted({*recorded_checks(step)} - OF_THE_DRIVE):
            for finding, verdict in catalogue().checks[check].items():
                if verdict is not Verdict.FAIL:
                    continue
                end = ending_after(graph, step.name, judged(step, check, finding))
                assert not end.lets_go, (step.name, check, finding)
                tried += 1
    assert tried > 0


def ending_after(graph: Graph, name: str, outcome: Outcome) -> EndingKind:
    """Where `outcome` leads at a step, all else being good and no remedy being found: for a
    technician, or for an owner at a step that no technician is asked.

    A car that learns by itself may idle wrong at a first look, so this one does not.
    """

    def person(step: Step) -> Outcome:
        if step.name == name:
            return outcome
        if step.name.endswith(("/look", "/who")) and step.kind in ("card", "ask"):
            return Outcome("no-routine" if "no-routine" in step.labels else "ok")
        return best(step)

    for audience in (Audience.TECHNICIAN, Audience.OWNER):
        end, screens = play(graph, audience, person, service_info="on-symptoms")
        if name in screens:
            return graph.endings[end.node].kind
    raise AssertionError(f"nobody is asked {name}")


SOUNDS = ("noise-before/noise", "noise/noise", "idle-sound/listen")


@pytest.mark.parametrize("label", ["pass", "undecided", CANNOT])
def test_no_sound_lets_a_throttle_car_go_or_holds_it_back_unless_it_speaks_against_it(
    label: str,
) -> None:
    """An owner with bare hands ends where one with a telephone ends, with the same left open."""
    graph = graph_of("throttle-body-replaced.yaml")
    said = {name.replace("-", "_").replace("/", "__"): label for name in SOUNDS}
    end, screens = play(graph, Audience.OWNER, bare_hands, **TODAY, **said)
    without, _ = play(graph, Audience.OWNER, bare_hands, **TODAY)
    assert set(SOUNDS) <= set(screens)
    assert end.node == without.node == "proof-to-follow"
    left = [{s.name for s in open_steps(graph, last)} for last in (end.last, without.last)]
    assert left[0] == left[1]
    assert not left[0] & set(SOUNDS)


def test_a_technician_is_asked_for_no_sound() -> None:
    graph = graph_of("throttle-body-replaced.yaml")
    for said in ({}, {"first_start": "once: dies"}, {"pedal": "once: stays-up"}):
        _, screens = play(graph, Audience.TECHNICIAN, best, **{**TODAY, **said})
        assert not set(SOUNDS) & set(screens)


@pytest.mark.parametrize(
    ("step", "check", "finding", "ending"),
    [
        ("noise/noise", "key-on-ticking", "ticking", "tow"),
        ("idle-sound/listen", "idle-steady-by-ear", "hunting", "still-wrong"),
        ("idle-sound/listen", "no-stall-by-ear", "stalled", "still-wrong"),
        ("idle-sound/listen", "idle-speed-by-ear", "too-high", "still-wrong"),
    ],
)
def test_a_sound_that_speaks_against_the_car_keeps_the_keys(
    step: str, check: str, finding: str, ending: str
) -> None:
    graph = graph_of("throttle-body-replaced.yaml")
    heard = judged(graph.steps[step], check, finding)

    def person(now: Step) -> Outcome:
        if now.name == step:
            return heard
        if now.name.endswith(("/look", "/who")) and now.kind in ("card", "ask"):
            return Outcome("no-routine" if "no-routine" in now.labels else "ok")
        return bare_hands(now)

    end, _ = play(graph, Audience.OWNER, person, **TODAY)
    assert end.node == ending


@pytest.mark.parametrize(
    ("flow", "said", "ending"),
    [(f, s, e) for f, rows in LEADS.items() for s, e in rows],
    ids=lambda value: value if isinstance(value, str) else " ".join(map("=".join, value.items())),
)
def test_one_thing_that_goes_wrong_leads_where_it_should(
    flow: str, said: dict[str, str], ending: str
) -> None:
    nothing_found = {"leaks__look": "ok", "connections__look": "ok"}
    end, _ = play(
        graph_of(f"{flow}.yaml"),
        Audience.TECHNICIAN,
        best,
        **{**nothing_found, **TODAY, **said},
    )
    assert end.node == ending


@pytest.mark.parametrize(
    ("flow", "item"),
    [
        *(("throttle-body-cleaned", item) for item in ("free", "force")),
        *(("battery-replaced-or-disconnected", item) for item in ("kind", "clamps")),
        ("crankshaft-sensor", "wheel"),
    ],
)
def test_a_part_that_nobody_can_put_right_is_not_driven_with(flow: str, item: str) -> None:
    graph = graph_of(f"{flow}.yaml")
    card = next(s for s in graph.steps.values() if item in s.detail.get("items", ()))
    wrong = Outcome("exceptions", NATURAL_GRADE["card"], items=frozenset({item}))

    def person(step: Step) -> Outcome:
        return wrong if step.name == card.name else best(step)

    end, screens = play(graph, Audience.TECHNICIAN, person, **TODAY)
    assert graph.endings[end.node].kind is EndingKind.BACK_TO_DIAGNOSIS
    assert not [s for s in screens if "start" in s]


@pytest.mark.parametrize(
    ("step", "item", "ending"),
    [
        *(("heat-cycle", item, "too-hot") for item in ("gauge", "gas")),
        *(("heat-cycle", item, "still-wrong") for item in ("heater", "fan", "dry")),
        ("leaks", "tank", "too-hot"),
        ("leaks", "under", "still-wrong"),
    ],
)
def test_an_engine_with_gas_in_its_coolant_does_not_run_again(
    step: str, item: str, ending: str
) -> None:
    wrong = Outcome("exceptions", NATURAL_GRADE["card"], items=frozenset({item}))
    graph = graph_of("thermostat-or-cooling.yaml")
    end, screens = play(graph, Audience.TECHNICIAN, lambda s: wrong if s.name == step else best(s))
    assert end.node == ending
    # What can be cured is tried twice, what may be the head gasket is not.
    assert screens.count("cold-again") == (0 if ending == "too-hot" else 2)


@pytest.mark.parametrize(
    ("item", "ending"),
    [
        *((item, "tow") for item in ("quiet", "returns")),
        *((item, "axle") for item in ("wheel", "line")),
        ("lamps", "still-wrong"),
    ],
)
def test_a_car_that_steers_or_brakes_by_itself_is_not_driven(item: str, ending: str) -> None:
    wrong = Outcome("exceptions", NATURAL_GRADE["card"], items=frozenset({item}))
    graph = graph_of("steering-angle-sensor.yaml")
    end, _ = play(graph, Audience.TECHNICIAN, lambda s: wrong if s.name == "straight" else best(s))
    assert end.node == ending


@pytest.mark.parametrize("label", ["was-off", "cannot"])
def test_no_owner_closes_out_an_airbag(label: str) -> None:
    """Nor is one asked to look at it, where it was off or nobody knows."""
    graph = graph_of("steering-angle-sensor.yaml")
    end, screens = play(graph, Audience.OWNER, bare_hands, airbag_off=label)
    assert end.node == "airbag-fault"
    assert screens[-1] == "airbag-off"
    near = [s.name for s in graph.steps.values() if "airbag" in s.hazards]
    assert near == ["spring", "spring-right", "first-key"]


@pytest.mark.parametrize("label", ["was-off", "not-off"])
def test_nobody_sits_in_front_of_an_airbag_that_was_off_when_the_key_comes_on(label: str) -> None:
    graph = graph_of("steering-angle-sensor.yaml")
    _, screens = play(graph, Audience.TECHNICIAN, best, airbag_off=label)
    before = screens[: screens.index("key-on/supply")]
    assert ("first-key" in before) == (label == "was-off")


@pytest.mark.parametrize(
    ("flow", "item", "ending"),
    [
        ("oxygen-sensor-or-catalyst", "cabin", "gas-inside"),
        ("oxygen-sensor-or-catalyst", "cause", "cause-first"),
        ("egr-or-evap", "smell", "may-burn"),
    ],
)
def test_one_line_of_a_list_that_decides_alone(flow: str, item: str, ending: str) -> None:
    graph = graph_of(f"{flow}.yaml")
    card = next(s for s in graph.steps.values() if item in s.detail.get("items", ()))
    wrong = Outcome("exceptions", NATURAL_GRADE["card"], items=frozenset({item}))
    end, _ = play(
        graph, Audience.TECHNICIAN, lambda s: wrong if s.name == card.name else best(s), **TODAY
    )
    assert end.node == ending


def test_a_fault_that_was_not_found_never_goes_back_as_proven() -> None:
    graph = graph_of("fault-not-found.yaml")
    assert EndingKind.HAND_BACK not in {e.kind for e in graph.endings.values()}
    gone = 0
    for here in Rehearsal(graph, catalogue(), any_gate=True).explore():
        ending = graph.endings.get(here.node)
        if ending is not None and ending.kind.lets_go:
            gone += 1
            assert "watch" in {s.name for s in open_steps(graph, here.last)}
            assert here.last["danger"].label == "bearable"
    assert gone > 0


@pytest.mark.parametrize(
    ("item", "ending"),
    [
        *((item, "tow") for item in ("slip", "reverse")),
        *((item, "still-wrong") for item in ("limp", "gears", "bang")),
    ],
)
def test_a_transmission_that_slips_is_not_taught_and_not_driven(item: str, ending: str) -> None:
    wrong = Outcome("exceptions", NATURAL_GRADE["card"], items=frozenset({item}))
    graph = graph_of("automatic-transmission.yaml")
    end, screens = play(
        graph, Audience.TECHNICIAN, lambda s: wrong if s.name == "shifts" else best(s)
    )
    assert end.node == ending
    assert ("adapt" in screens) == (ending == "still-wrong")


@pytest.mark.parametrize(
    ("item", "ending"),
    [("steering", "not-shown"), ("parking-brake", "not-shown"), ("windows", "set-elsewhere")],
)
def test_a_stability_lamp_that_stays_lit_keeps_the_keys_and_a_window_asks_for_a_workshop(
    item: str, ending: str
) -> None:
    wrong = Outcome("exceptions", NATURAL_GRADE["card"], items=frozenset({item}))
    graph = graph_of("battery-replaced-or-disconnected.yaml")
    end, screens = play(
        graph, Audience.TECHNICIAN, lambda s: wrong if s.name == "settings" else best(s)
    )
    assert end.node == ending
    assert screens.count("set-again") == 2


@cache
def walks_let_go(name: str) -> tuple[int, int]:
    """(cars let go with a relearn that was asked for and proven after, those without one)."""
    graph = graph_of(name)
    proven = missing = 0
    watch = {
        "service-info": [Look(outcome=frozenset({"required"}))],
        "relearn/verify": [Look(outcome=frozenset({"settled"}))],
    }
    for here in Rehearsal(graph, catalogue(), any_gate=True, watch=watch).explore():
        ending = graph.endings.get(here.node)
        asked: Any = here.last.get("service-info")
        if ending is None or not ending.kind.lets_go or asked is None or asked.label != "required":
            continue
        steps = [taken.step for taken in here.walk()]
        place = len(steps) - steps[::-1].index("service-info")
        settled = [t for t in here.walk()[place:] if t.step == "relearn/verify"]
        if settled and settled[-1].outcome.label == "settled":
            proven += 1
        else:
            missing += 1
    return proven, missing


@pytest.mark.parametrize("name", ["throttle-body-cleaned.yaml", "accelerator-pedal-module.yaml"])
def test_no_walk_lets_a_car_go_without_the_relearn_it_needs(name: str) -> None:
    proven, missing = walks_let_go(name)
    assert proven > 0
    assert missing == 0


def test_what_opens_work_closes_nothing_and_another_answer_can() -> None:
    """Over the library: of the steps that may be proven later, these answers pass on the walk only
    because work follows them, so as proof they leave it open; each has one that says it is done."""
    found = set()
    for file in FLOWS:
        graph = graph_of(file)
        found |= {
            (file, step.name, label)
            for step in graph.required()
            for label in step.passes
            if step.later is not None and opens_work(graph, step, label)
        }
    names = ("accelerator-pedal-module", "throttle-body-cleaned", "throttle-body-replaced")
    flows = [f"{name}.yaml" for name in names]
    assert found == {(name, "service-info", "required") for name in flows}
    for name in flows:
        assert "done" in graph_of(name).steps["service-info"].passes


@pytest.mark.parametrize("name", FLOWS)
def test_what_was_not_seen_is_nowhere_called_not_right(name: str) -> None:
    """An ending that `cannot` leads to says that it may only not have been shown."""
    graph = graph_of(name)
    led = {
        b.to
        for s in graph.steps.values()
        for b in s.branches
        if CANNOT in (b.when.own.outcome or ()) and b.to in graph.endings
    }
    for ending in (graph.endings[n] for n in led):
        words = f"{ending.advice} {ending.owner}"
        assert "not right yet." not in words, ending.name
        assert ending.title != "The work is not finished"
