"""A close-out in two halves: everything a flow can say, each small enough to walk all its walks."""

from __future__ import annotations

from tests.flow.small import closing, flow, go, look, step
from verify.flow.graph import Graph
from verify.words import Audience, Grade, Group

LATER = ("Drive on and measure again.", "1 week")
IDLE_GOOD = look(["pass", "told-pass"])
IDLE_OPEN = look(["undecided", "told-undecided", "cannot"])


def assembly() -> Graph:
    """From the codes as they were found to a short drive: walk-round, torque, supply."""
    steps = (
        step(
            "codes",
            "codes-before",
            go(["none", "learn", "other"], "complaint"),
            go(["partly-read", "cannot"], "diagnosis"),
            optional=True,
        ),
        step(
            "ask",
            "complaint",
            go(["idle", "stall"], "photo", audience=Audience.TECHNICIAN),
            go(["idle", "stall"], "save-codes", audience=Audience.OWNER),
            go("cannot", "diagnosis"),
            answers={"idle": "Hunts at idle", "stall": "Stalls"},
            optional=True,
        ),
        step("photo", "photo", go(["taken", "cannot"], "save-codes"), optional=True),
        step(
            "do",
            "save-codes",
            go("done", "walk-round"),
            go("cannot", "diagnosis"),
            does=["saves-codes"],
        ),
        step(
            "card",
            "walk-round",
            go("ok", "bolts"),
            go(look("exceptions", wrong=["seal"]), "diagnosis"),
            go(look("exceptions", fine=["seal"], attempts=(1, 3)), "put-right"),
            go(look("exceptions", fine=["seal"], attempts=(3, None)), "diagnosis"),
            go("cannot", "diagnosis"),
            items={"seal": "Seal", "clips": "Clips", "duct": "Duct"},
        ),
        step(
            "do",
            "put-right",
            go("done", "walk-round"),
            go("cannot", "diagnosis"),
            does=["remedy"],
            optional=True,
        ),
        step(
            "fasten",
            "bolts",
            go("pass", "supply"),
            go(look("fail", attempts=(1, 2)), "bolts-again"),
            go(look("fail", attempts=(2, None)), "diagnosis"),
            go(["undecided", "cannot"], "diagnosis"),
        ),
        step(
            "do",
            "bolts-again",
            go("done", "bolts"),
            go("cannot", "diagnosis"),
            does=["remedy"],
            optional=True,
        ),
        step(
            "reading",
            "supply",
            go(look(value=(None, 12), attempts=(1, 2)), "charge"),
            go(look(value=(None, 12), attempts=(2, None)), "diagnosis"),
            go(look(value=(12, 15)), "clear-codes"),
            go(look(value=(15, None)), "diagnosis"),
            go("cannot", "diagnosis"),
            optional=True,
        ),
        step("do", "charge", go("done", "supply"), go("cannot", "diagnosis"), optional=True),
        step(
            "do",
            "clear-codes",
            go("done", "drive"),
            go("cannot", "diagnosis"),
            does=["clears-codes"],
            optional=True,
        ),
        step(
            "ask",
            "drive",
            go("yes", "handed-back"),
            go("no", "relearn"),
            go("cannot", "diagnosis"),
            does=["road-test"],
            hazards=("traffic",),
        ),
    )
    return closing(
        *steps,
        endings=("handed-back", "relearn", "diagnosis", "tow"),
        audiences=(Audience.TECHNICIAN, Audience.OWNER),
        promises=[
            ("before", "save-codes", "clear-codes"),
            ("before", "walk-round", "drive"),
            ("never", "bolts", "drive"),
        ],
    )


def proving() -> Graph:
    """From the first start to the gate: idle with a recording or told, relearn, road test."""
    steps = (
        step(
            "do",
            "save-codes",
            go("done", "clear-codes"),
            go("cannot", "diagnosis"),
            does=["saves-codes"],
        ),
        step(
            "do",
            "clear-codes",
            go("done", "start"),
            go("cannot", "diagnosis"),
            does=["clears-codes"],
            optional=True,
        ),
        step(
            "ask",
            "start",
            go("runs", "warm-idle"),
            go("dies", "relearn-choice"),
            go("runs-away", "tow"),
            go("cannot", "diagnosis"),
            answers={"runs": "It runs", "dies": "It dies", "runs-away": "It races"},
            passes=["runs"],
            does=["engine-runs"],
            hazards=("moving-parts", "hot-parts", "traffic"),
        ),
        step(
            "record",
            "warm-idle",
            go(look(["pass", "told-pass"]), "road-test"),
            go(look("undecided", findings={"idle-speed": ["adapting"]}), "road-test"),
            go(
                look(
                    "undecided",
                    findings={"idle-speed": ["settled"], "no-stall": ["undecided"]},
                ),
                "road-test",
            ),
            go(look(findings={"idle-speed": ["fail"]}, attempts=(1, 3)), "leaks"),
            go(look(findings={"idle-speed": ["fail"]}, attempts=(3, None)), "diagnosis"),
            go(look("fail", findings={"idle-speed": ["settled", "adapting"]}), "diagnosis"),
            go(["told-undecided", "cannot"], "road-test"),
            go("told-fail", "diagnosis"),
            told=True,
            checks=("idle-speed", "no-stall"),
            group=Group.LEARNING,
            later=LATER,
            does=["engine-runs"],
            hazards=("moving-parts", "hot-parts"),
            least=Grade.READ,
            least_reason="an owner may have no recorder",
        ),
        step(
            "ask",
            "leaks",
            go("found", "warm-idle"),
            go("none", "relearn-choice"),
            go("cannot", "diagnosis"),
            answers={"found": "Found and mended", "none": "None found"},
            passes=["found"],
            does=["remedy"],
            optional=True,
        ),
        step(
            "ask",
            "relearn-choice",
            go(look("here", attempts=(1, 2)), "relearn-here", earlier={"start": look("runs")}),
            go(look("here", attempts=(2, None)), "relearn", earlier={"start": look("runs")}),
            go(look("here"), "relearn", earlier={"start": look("dies")}),
            go(["mobile", "cannot"], "relearn"),
            answers={"here": "Equipment here", "mobile": "Somebody else"},
            optional=True,
        ),
        step(
            "do",
            "relearn-here",
            go("done", "warm-idle"),
            go("cannot", "diagnosis"),
            does=["remedy"],
            optional=True,
        ),
        step(
            "ask",
            "road-test",
            go("good", "lamps"),
            go("no-response", "diagnosis"),
            go(look("hard-pedal"), "tow", earlier={"warm-idle": IDLE_GOOD}),
            go(look("hard-pedal"), "diagnosis", earlier={"warm-idle": IDLE_OPEN}),
            go("cannot", "diagnosis"),
            answers={"good": "Good", "hard-pedal": "hard pedal", "no-response": "No response"},
            passes=["good"],
            does=["road-test"],
            hazards=("traffic",),
        ),
        step(
            "ask",
            "lamps",
            go(["off", "unclear", "cannot"], "enough"),
            go("on", "diagnosis"),
            answers={"off": "All off", "on": "One is on", "unclear": "Not sure"},
            passes=["off"],
            unsure=["unclear"],
            group=Group.COMPLAINT,
            later=LATER,
        ),
        step(
            "gate",
            "enough",
            go("hand-back", "handed-back"),
            go("proof-to-follow", "to-follow"),
            go("neither", "diagnosis"),
        ),
    )
    return flow(
        *steps,
        endings=("handed-back", "to-follow", "relearn", "diagnosis", "tow"),
        promises=[("never", "start", "road-test"), ("before", "save-codes", "start")],
    )
