"""How people get through each flow of the library, and where what goes wrong leads them.

`test_flows` asks of every flow that it proves and can be rehearsed; here the walks are those of
people: somebody for whom all goes well, an owner with bare hands, and one fault at a time.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest

from tests.whole.rehearse_walks import Rehearsal
from tests.whole.test_flows import FLOWS, best, graph_of, judged, play
from verify.flow.graph import CANNOT, NATURAL_GRADE, Graph, Look, Outcome, Step, recorded_checks
from verify.flow.graph import still_open as open_steps
from verify.job.catalogue import catalogue
from verify.words import Audience, EndingKind, Group, Verdict

MOST_SCREENS = 25

# What these two judge is the drive. A drive that was too short is no fault of the car.
OF_THE_DRIVE = frozenset({"road-coverage", "same-conditions"})

# Whoever looks it up finds that this car learns by itself, and nobody has seen today what comes
# only with weeks of driving.
TODAY = {"service_info": "by-itself", "watch": "not-yet", "monitors": "not-yet"}


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
    end, _ = play(graph, Audience.OWNER, bare_hands, **TODAY)
    assert graph.endings[end.node].kind is EndingKind.PROOF_TO_FOLLOW
    left = open_steps(graph, end.last)
    assert left
    assert all(s.group is not Group.SAFE and s.later is not None for s in left)


@pytest.mark.parametrize("name", FLOWS)
def test_no_check_of_the_car_that_fails_leads_straight_to_the_keys(name: str) -> None:
    """Each finding that fails, alone among good ones, with nobody who could cure anything."""
    graph = graph_of(name)
    tried = 0
    for step in graph.steps.values():
        if step.kind != "record":
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
    """Where `outcome` leads at a step, all else being good and no remedy being found.

    A car that learns by itself may idle wrong at a first look, so this one does not.
    """

    def person(step: Step) -> Outcome:
        if step.name == name:
            return outcome
        if step.name.endswith(("/look", "/who")) and step.kind in ("card", "ask"):
            return Outcome("no-routine" if "no-routine" in step.labels else "ok")
        return best(step)

    return graph.endings[
        play(graph, Audience.TECHNICIAN, person, service_info="on-symptoms")[0].node
    ].kind


# flow → (what is said at which step, the ending it leads to, all else being good)
LEADS: dict[str, list[tuple[dict[str, str], str]]] = {
    "throttle-body-cleaned": [
        ({"cleaned": "cannot"}, "hand-back"),
        ({"air_out": "cannot"}, "not-finished"),
        ({"first_start": "climbs"}, "stop-now"),
        ({"first_start": "once: dies"}, "hand-back"),
        ({"first_start": "dies", "relearn__who": "no-routine"}, "still-wrong"),
        ({"service_info": "not-found"}, "proof-to-follow"),
        ({"service_info": "required"}, "hand-back"),
        ({"service_info": "required", "relearn__who": "shop"}, "relearn-tow"),
        ({"service_info": "required", "relearn__verify": "not-settled"}, "relearn-failed"),
        ({"codes_after__codes": "learn", "relearn__who": "shop"}, "relearn-drive"),
        ({"codes_after__codes": "learn"}, "still-wrong"),
        ({"codes_after__codes": "once: learn"}, "hand-back"),
        ({"pedal__by_foot": "stays-up"}, "tow"),
        ({"road__brake_pedal": "hard"}, "tow"),
        ({"road__brake_pedal": "once: hard"}, "hand-back"),
    ],
    "accelerator-pedal-module": [
        ({"swing": "exceptions"}, "not-finished"),
        ({"swing": "once: exceptions"}, "hand-back"),
        ({"swing": "cannot"}, "not-finished"),
        ({"signals": "told-fail"}, "tow"),
        ({"signals": "undecided"}, "hand-back"),
        ({"pedal__by_foot": "no-response"}, "tow"),
        ({"pedal__recorded": "told-fail"}, "tow"),
        ({"pedal__recorded": "undecided"}, "proof-to-follow"),
        ({"road__walking_pace": "surges"}, "tow"),
        ({"service_info": "required", "relearn__who": "mobile"}, "relearn-mobile"),
        ({"codes_after__codes": "wiring"}, "wiring-fault"),
        ({"codes_after__codes": "forbids"}, "tow"),
    ],
    "battery-replaced-or-disconnected": [
        ({"battery": "exceptions"}, "not-finished"),
        ({"battery": "cannot"}, "not-finished"),
        ({"key_on__supply": "fail"}, "wiring-fault"),
        ({"first_start": "climbs"}, "stop-now"),
        ({"first_start": "dies", "relearn__who": "shop"}, "relearn-tow"),
        ({"charge": "told-fail"}, "no-charge"),
        ({"charge": "undecided"}, "proof-to-follow"),
        ({"settings": "exceptions"}, "proof-to-follow"),
        ({"settings": "cannot"}, "proof-to-follow"),
        ({"registration": "not-yet"}, "proof-to-follow"),
        ({"registration": "done"}, "hand-back"),
    ],
    "air-meter-or-pressure-sensor": [
        ({"duct": "exceptions"}, "not-finished"),
        ({"at_rest": "fail"}, "tow"),
        ({"at_rest": "cannot"}, "hand-back"),
        ({"mixture__trims": "told-fail"}, "still-wrong"),
        ({"mixture__trims": "undecided"}, "proof-to-follow"),
        ({"learned": "later"}, "proof-to-follow"),
        ({"learned": "once: now"}, "hand-back"),
        ({"learned": "now", "relearn__who": "shop"}, "relearn-drive"),
        ({"codes_after__codes": "learn"}, "still-wrong"),
    ],
    "intake-leak": [
        ({"tight": "leaks"}, "not-finished"),
        ({"tight": "once: leaks"}, "hand-back"),
        ({"tight": "cannot"}, "hand-back"),
        ({"reassembly__fasten": "cannot"}, "proof-to-follow"),
        ({"reassembly__fasten": "fail"}, "not-finished"),
        ({"mixture__trims": "told-fail", "relearn__who": "no-routine"}, "still-wrong"),
        ({"road__brake_pedal": "sinks", "brake_hose": "cannot"}, "tow"),
    ],
    "crankshaft-sensor": [
        ({"sensor_seat": "cannot"}, "hand-back"),
        ({"first_start__first_start": "no-start"}, "tow"),
        ({"starts__starts": "long"}, "tow"),
        ({"starts__starts": "cannot"}, "proof-to-follow"),
        ({"hot__restart": "no-start"}, "tow"),
        ({"hot__restart": "dies"}, "tow"),
        ({"learned": "later"}, "proof-to-follow"),
        ({"learned": "not-found"}, "proof-to-follow"),
        ({"learned": "now", "relearn__who": "mobile"}, "relearn-mobile"),
        ({"codes_after__codes": "once: learn"}, "hand-back"),
        ({"codes_after__codes": "learn"}, "still-wrong"),
        ({"complaint__gone": "too-short"}, "proof-to-follow"),
        ({"complaint__gone": "came-back"}, "still-wrong"),
    ],
    "camshaft-sensor-or-timing": [
        ({"which": "timing"}, "hand-back"),
        ({"which": "timing", "timing": "exceptions"}, "not-finished"),
        ({"which": "cannot", "timing": "cannot"}, "not-finished"),
        ({"first_start": "noise"}, "stop-now"),
        ({"first_start": "no-start"}, "tow"),
        ({"which": "timing", "first_start": "no-start"}, "timing-again"),
        ({"which": "timing", "first_start": "uneven"}, "timing-again"),
        ({"which": "timing", "starts__starts": "long"}, "timing-again"),
        ({"starts__starts": "long"}, "tow"),
        ({"learned": "done"}, "hand-back"),
        ({"codes_after__codes": "wiring"}, "wiring-fault"),
    ],
    "misfire-repair": [
        ({"torque": "fail"}, "not-finished"),
        ({"torque": "cannot"}, "hand-back"),
        ({"tightened": "by-feel"}, "proof-to-follow"),
        ({"tightened": "none-out"}, "hand-back"),
        ({"cylinders": "exceptions"}, "not-finished"),
        ({"cylinders": "once: exceptions"}, "hand-back"),
        ({"fuel_tight": "wet"}, "stop-now"),
        ({"fuel_tight": "once: wet"}, "hand-back"),
        ({"fuel_tight": "cannot"}, "not-shown"),
        ({"first_start": "fuel"}, "stop-now"),
        ({"first_start": "shakes"}, "tow"),
        ({"counters": "one"}, "still-wrong"),
        ({"counters": "not-running"}, "proof-to-follow"),
        ({"codes_after__codes": "other"}, "proof-to-follow"),
        ({"codes_after__codes": "not-ready"}, "proof-to-follow"),
        ({"codes_after__codes": "cleared"}, "cleared-after-drive"),
        ({"coded": "not-yet"}, "proof-to-follow"),
    ],
    "thermostat-or-cooling": [
        ({"filled": "cannot"}, "not-shown"),
        ({"filled": "exceptions"}, "not-finished"),
        ({"filled": "once: exceptions"}, "hand-back"),
        ({"heat_cycle": "exceptions"}, "still-wrong"),
        ({"heat_cycle": "once: exceptions"}, "hand-back"),
        ({"heat_cycle": "cannot"}, "not-shown"),
        ({"held": "undecided"}, "proof-to-follow"),
        ({"held": "told-fail"}, "still-wrong"),
        ({"leaks": "once: exceptions"}, "hand-back"),
        ({"leaks": "exceptions"}, "still-wrong"),
        ({"leaks": "cannot"}, "not-shown"),
        ({"codes_after__codes": "wiring"}, "wiring-fault"),
        ({"cold_level": "still-warm"}, "proof-to-follow"),
        ({"cold_level": "lost"}, "still-wrong"),
    ],
    "alternator-or-charging": [
        ({"belt": "exceptions"}, "not-finished"),
        ({"belt": "once: exceptions"}, "hand-back"),
        ({"belt": "cannot"}, "not-finished"),
        ({"rested": "fail"}, "battery-weak"),
        ({"rested": "once: fail"}, "hand-back"),
        ({"rested": "cannot"}, "proof-to-follow"),
        ({"cranking": "fail"}, "battery-weak"),
        ({"charge": "fail"}, "no-charge"),
        ({"charge": "once: fail"}, "hand-back"),
        ({"charge": "undecided"}, "proof-to-follow"),
        ({"under_load": "fail"}, "no-charge"),
        ({"under_load": "once: fail"}, "hand-back"),
        ({"ripple": "fail", "find_drop": "cannot"}, "no-charge"),
        ({"ripple": "cannot"}, "proof-to-follow"),
        ({"told_the_car": "not-yet"}, "proof-to-follow"),
    ],
    "wiring-or-connector": [
        ({"serves": "licensed"}, "licensed-hands"),
        ({"repaired": "exceptions"}, "not-finished"),
        ({"repaired": "once: exceptions"}, "hand-back"),
        ({"drop": "cannot"}, "hand-back"),
        ({"drop": "once: fail"}, "hand-back"),
        ({"drop": "fail"}, "not-finished"),
        ({"works": "dead"}, "not-finished"),
        ({"works": "warm"}, "burning"),
        ({"wiggle": "flickers"}, "tow"),
        ({"wiggle": "cannot"}, "proof-to-follow"),
        ({"trigger": "comes"}, "tow"),
        ({"trigger": "never-found"}, "proof-to-follow"),
        ({"trigger": "not-tried"}, "proof-to-follow"),
        ({"trigger": "cannot"}, "proof-to-follow"),
        ({"trigger": "stayed"}, "too-early"),
        ({"road__drive": "cannot"}, "not-shown"),
        ({"codes_after__codes": "wiring"}, "wiring-fault"),
        ({"complaint__gone": "came-back"}, "still-wrong"),
    ],
    "engine-control-module": [
        ({"written": "cannot"}, "not-shown"),
        ({"written": "exceptions"}, "not-finished"),
        ({"written": "once: exceptions"}, "hand-back"),
        ({"taught": "not-needed"}, "hand-back"),
        ({"taught": "not-found"}, "not-shown"),
        ({"taught": "once: not-yet"}, "hand-back"),
        ({"taught": "not-yet"}, "teach-elsewhere"),
        ({"keys": "some"}, "proof-to-follow"),
        ({"keys": "refused"}, "teach-elsewhere"),
        ({"keys": "once: refused"}, "hand-back"),
        ({"first_start__first_start": "dies"}, "teach-elsewhere"),
        ({"first_start__first_start": "no-start", "start_refused": "other"}, "tow"),
        ({"first_start__first_start": "climbs"}, "stop-now"),
        ({"pedal__by_foot": "stays-up"}, "tow"),
        ({"pedal__recorded": "undecided"}, "proof-to-follow"),
        ({"codes_after__codes": "once: learn"}, "hand-back"),
        ({"codes_after__codes": "learn"}, "still-wrong"),
        ({"codes_after__codes": "learn", "relearn__who": "shop"}, "relearn-drive"),
        ({"codes_after__codes": "learn", "relearn__who": "mobile"}, "relearn-here"),
        ({"pedal__by_foot": "dies", "relearn__who": "shop"}, "relearn-here"),
        ({"learned": "later"}, "proof-to-follow"),
        ({"learned": "not-found"}, "proof-to-follow"),
    ],
    "wheel-speed-sensor": [
        ({"sensor": "cannot"}, "not-finished"),
        ({"sensor": "once: exceptions"}, "hand-back"),
        ({"wheel_on": "exceptions"}, "not-finished"),
        ({"wheel_on": "cannot"}, "not-finished"),
        ({"torque": "fail"}, "not-finished"),
        ({"torque": "once: fail"}, "hand-back"),
        ({"torque": "cannot"}, "proof-to-follow"),
        ({"lamps": "waits"}, "hand-back"),
        ({"lamps": "red"}, "tow"),
        ({"road__brake_pedal": "sinks"}, "tow"),
        ({"brakes_felt": "exceptions"}, "tow"),
        ({"brakes_felt": "once: exceptions"}, "hand-back"),
        ({"brakes_felt": "cannot"}, "not-shown"),
        ({"speeds": "fail", "sensor_again": "cannot"}, "tow"),
        ({"speeds": "cannot"}, "proof-to-follow"),
        ({"codes_after": "forbids"}, "tow"),
        ({"codes_after": "once: forbids"}, "hand-back"),
        ({"codes_after": "partly-read"}, "proof-to-follow"),
        ({"retorque": "later"}, "proof-to-follow"),
    ],
    "steering-angle-sensor": [
        ({"airbag_off": "was-off"}, "hand-back"),
        ({"airbag_off": "was-off", "spring": "exceptions"}, "airbag-fault"),
        ({"airbag_off": "was-off", "spring": "once: exceptions"}, "hand-back"),
        ({"airbag_off": "cannot", "spring": "cannot"}, "airbag-fault"),
        ({"lamps": "waits"}, "hand-back"),
        ({"lamps": "airbag"}, "airbag-fault"),
        ({"lamps": "heavy"}, "tow"),
        ({"calibrated": "once: now"}, "hand-back"),
        ({"calibrated": "now"}, "still-wrong"),
        ({"calibrated": "mobile"}, "relearn-mobile"),
        ({"calibrated": "shop"}, "relearn-tow"),
        ({"calibrated": "not-found"}, "proof-to-follow"),
        ({"straight_ahead": "once: fail"}, "hand-back"),
        ({"straight_ahead": "fail"}, "still-wrong"),
        ({"alignment": "none"}, "proof-to-follow"),
        ({"alignment": "out"}, "axle"),
        ({"straight": "cannot"}, "not-shown"),
        ({"codes_after": "forbids"}, "tow"),
        ({"codes_after": "other", "other_codes": "airbag"}, "airbag-fault"),
        ({"codes_after": "other"}, "proof-to-follow"),
    ],
    "fault-not-found": [
        ({}, "proof-to-follow"),
        ({"danger": "died"}, "may-die"),
        ({"danger": "control"}, "may-not-obey"),
        ({"danger": "revs"}, "may-not-obey"),
        ({"danger": "heat"}, "may-burn"),
        ({"danger": "cannot"}, "not-shown"),
        ({"opening__codes_before": "forbids"}, "may-not-obey"),
        ({"opening__codes_before": "wiring"}, "proof-to-follow"),
        ({"key_on__listen": "exceptions"}, "found"),
        ({"first_start__first_start": "no-start"}, "found-tow"),
        ({"first_start__first_start": "climbs"}, "stop-now"),
        ({"starts__starts": "long"}, "found-tow"),
        ({"starts__starts": "cannot"}, "proof-to-follow"),
        ({"provoke": "came"}, "found-tow"),
        ({"provoke": "cannot"}, "proof-to-follow"),
        ({"road__recorded": "told-fail"}, "found-tow"),
        ({"road__walking_pace": "surges"}, "tow"),
        ({"hot__restart": "dies"}, "found-tow"),
        ({"hot__hot_idle": "told-fail"}, "found"),
        ({"codes_after__codes": "wiring"}, "found"),
        ({"codes_after__codes": "forbids"}, "tow"),
        ({"along": "nothing"}, "proof-to-follow"),
        ({"watch": "cannot"}, "proof-to-follow"),
        ({"watch": "stayed"}, "too-early"),
        ({"watch": "came"}, "found"),
    ],
    "automatic-transmission": [
        ({"fluid": "exceptions"}, "not-finished"),
        ({"fluid": "once: exceptions"}, "hand-back"),
        ({"fluid": "cannot"}, "not-finished"),
        ({"selector": "exceptions"}, "not-finished"),
        ({"selector": "cannot"}, "not-shown"),
        ({"learned": "once: now"}, "hand-back"),
        ({"learned": "now"}, "still-wrong"),
        ({"learned": "now", "adapt": "cannot"}, "relearn-here"),
        ({"learned": "later"}, "proof-to-follow"),
        ({"warm_fluid": "once: fail"}, "hand-back"),
        ({"warm_fluid": "fail"}, "not-shown"),
        ({"level": "once: wrong"}, "hand-back"),
        ({"level": "wrong"}, "not-finished"),
        ({"level": "not-warm"}, "proof-to-follow"),
        ({"shifts": "cannot"}, "not-shown"),
        ({"shifts": "exceptions"}, "still-wrong"),
        ({"leaks": "once: exceptions"}, "hand-back"),
        ({"leaks": "exceptions"}, "not-finished"),
        ({"codes_after": "once: learn"}, "hand-back"),
        ({"codes_after": "learn"}, "still-wrong"),
        ({"codes_after": "wiring"}, "tow"),
        ({"adapted": "learning"}, "proof-to-follow"),
        ({"adapted": "worse"}, "still-wrong"),
    ],
    "oxygen-sensor-or-catalyst": [
        ({}, "proof-to-follow"),
        ({"monitors": "passed"}, "proof-to-follow"),
        ({"monitors": "cannot"}, "proof-to-follow"),
        ({"monitors": "failed"}, "still-wrong"),
        ({"in_place": "cannot"}, "proof-to-follow"),
        ({"in_place": "once: exceptions"}, "proof-to-follow"),
        ({"exhaust": "exceptions"}, "not-finished"),
        ({"exhaust": "once: exceptions"}, "proof-to-follow"),
        ({"exhaust": "cannot"}, "not-shown"),
        ({"mixture__trims": "told-fail"}, "still-wrong"),
        ({"mixture__trims": "undecided"}, "proof-to-follow"),
        ({"signals": "cannot"}, "proof-to-follow"),
        ({"signals": "not-good"}, "still-wrong"),
        ({"codes_after__codes": "learn"}, "still-wrong"),
        ({"codes_after__codes": "not-ready"}, "proof-to-follow"),
        ({"codes_after__codes": "wiring"}, "wiring-fault"),
        ({"reset": "not-yet"}, "proof-to-follow"),
    ],
    "egr-or-evap": [
        ({}, "proof-to-follow"),
        ({"vapour": "once: exceptions"}, "proof-to-follow"),
        ({"vapour": "exceptions"}, "not-finished"),
        ({"vapour": "cannot"}, "not-shown"),
        ({"tight": "cannot"}, "proof-to-follow"),
        ({"tight": "once: leaks"}, "proof-to-follow"),
        ({"tight": "leaks"}, "not-finished"),
        ({"told_to_move": "cannot"}, "proof-to-follow"),
        ({"told_to_move": "not-so"}, "still-wrong"),
        ({"hot_smell": "fuel"}, "may-burn"),
        ({"hot_smell": "other"}, "not-finished"),
        ({"hot_smell": "cannot"}, "not-shown"),
        ({"hot__hot_idle": "told-fail"}, "still-wrong"),
        ({"codes_after__codes": "other"}, "proof-to-follow"),
        ({"codes_after__codes": "not-ready"}, "proof-to-follow"),
        ({"learned": "not-yet"}, "proof-to-follow"),
        ({"monitors": "failed"}, "still-wrong"),
        ({"monitors": "passed"}, "proof-to-follow"),
        ({"complaint__gone": "too-short"}, "proof-to-follow"),
    ],
}


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
    assert near == ["spring", "spring-right"]


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
    ("item", "ending"), [("steering", "not-shown"), ("clock", "proof-to-follow")]
)
def test_a_stability_lamp_that_stays_lit_keeps_the_keys_and_a_clock_does_not(
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
