"""Flows as authors write them, in text, and the catalogue they are read against."""

from __future__ import annotations

from collections.abc import Mapping

from verify.flow.graph import Catalogue
from verify.flow.load import Loaded, text_to_flow
from verify.words import Verdict

FINDINGS = {
    "settled": Verdict.PASS,
    "too-high": Verdict.FAIL,
    "too-low": Verdict.FAIL,
    "adapting": Verdict.UNDECIDED,
}
CATALOGUE = Catalogue(
    checks={
        "idle-speed": FINDINGS,
        "no-stall": {"none-seen": Verdict.PASS, "stalled": Verdict.FAIL},
    },
    hazards={
        "rolling": "Brake on, wheels chocked.",
        "throttle-plate": "Fingers out of the bore.",
        "traffic": "Eyes on the road.",
    },
    activities={
        "starts-engine": ("rolling",),
        "runs-engine": ("rolling",),
        "saves-codes": (),
        "clears-codes": (),
        "remedy": (),
    },
    check_specs={"idle-speed": ("idle_speed",)},
)


def load(text: str, parts: Mapping[str, str] | None = None, source: str = "flow.yaml") -> Loaded:
    """Reads a flow whose parts are at hand as texts."""
    texts = parts or {}

    def lookup(name: str) -> tuple[str, str] | None:
        return (texts[name], f"parts/{name}.yaml") if name in texts else None

    return text_to_flow(text, source, lookup, CATALOGUE, known_parts=texts)


PARTS = {
    "look": """\
keysback_part: 1
id: look
title: Look at it
results: [fine, poor]
start: see
steps:
  see:
    kind: ask
    title: Look
    say: Is it in order?
    group: safe-to-drive
    answers: {yes: It is, no: It is not}
    passes: [yes]
    branches:
      - {when: yes, result: fine}
      - {when: [no, cannot], result: poor}
""",
    "walk-round": """\
keysback_part: 1
id: walk-round
title: Walk round twice
results: [done, trouble]
start: first
steps:
  first:
    kind: part
    part: look
    results: {fine: second, poor: second}
  second:
    kind: card
    title: The rest
    say: Look at each.
    group: safe-to-drive
    items: {seal: Seal new, connector: Connector locked, clamps: Clamps tight}
    branches:
      - {when: ok, result: done}
      - {when: {outcome: [exceptions], wrong: [seal, clamps]}, result: trouble}
      - when: {outcome: [exceptions], fine: [seal, clamps]}
        result: done
      - {when: cannot, result: trouble}
promises:
  - before: {first: first, then: second}
""",
}

# Every kind of step, conditions of every form, two parts, one of them inside the other.
WHOLE = """\
# A flow that nobody would follow; it says everything a flow can say.
keysback_flow: 1
id: whole
title: Everything a flow can say
repair: Something the engine computer learns was replaced.
audience: [technician, owner]
start: save
on_stop: tow
specs:
  idle_speed: {title: Warm idle, unit: rpm, say: Under the bonnet or in the data, accuracy: 10 rpm}
  bolt_torque: {title: Bolts, unit: ft·lbf, default: 7.4 ft·lbf}
steps:
  save:
    kind: codes
    title: Save the codes
    say: Read every module before the battery is touched.
    does: [saves-codes]
    group: safe-to-drive
    modules: [engine, transmission]
    passes: [none, learn]
    branches:
      - {when: [none, learn, partly-read], to: walk}
      - {when: [other, wiring, forbids, cannot], to: diagnosis}
  walk:
    kind: part
    part: walk-round
    results: {done: bolts, trouble: tow}
  bolts:
    kind: fasten
    title: Bolts
    say: Tighten crosswise, in two stages.
    group: safe-to-drive
    spec: bolt_torque
    tolerance: 10 %
    order_spec: service information, page of the throttle body
    branches:
      - {when: pass, to: supply}
      - {when: [fail, undecided], to: again}
      - {when: cannot, to: tow}
  again:
    kind: do
    title: Once more
    say: Loosen and tighten again.
    does: [remedy]
    optional: it is the bolts that must pass
    branches:
      - when: {outcome: [done], attempts: {to: 3}}
        to: bolts
      - {when: {outcome: [done], attempts: {from: 3}}, to: tow}
      - {when: cannot, to: tow}
  supply:
    kind: reading
    title: Supply
    say: Measure at the battery, engine off.
    optional: nothing but the way depends on it
    unit: V
    accuracy: 0.05 V
    branches:
      - {when: {outcome: [taken], value: {to: 12.2 V}}, to: tow}
      - {when: {outcome: [taken], value: {from: 12200 mV}}, to: coolant}
      - {when: cannot, to: coolant}
  coolant:
    kind: reading
    title: Coolant
    say: Read the coolant temperature.
    group: complaint-gone
    later: {settle: a drive until it is warm, by: next visit}
    unit: °C
    accuracy: 2 °F
    limits: {lower: 176 °F, source: common practice}
    branches:
      - {when: [pass, fail, undecided, cannot], to: wait}
  wait:
    kind: do
    title: Sleep
    say: Key off, doors shut.
    hazards: [throttle-plate]
    group: safe-to-drive
    wait: 10 min
    branches:
      - {when: done, to: idle}
      - {when: cannot, to: tow}
  idle:
    kind: record
    title: Warm idle
    say: Record two minutes of warm idle.
    why: The learned position shows at idle.
    does: [runs-engine]
    group: still-learning
    least: read
    least_reason: an owner may have no reader
    later: {settle: a recording of warm idle, by: 50 km}
    checks: [idle-speed, no-stall]
    told: {question: Does it idle as before?, passes: It does, fails: It does not}
    branches:
      - {when: {outcome: [pass, told-pass]}, to: photo}
      - when: {outcome: [fail], findings: {no-stall: [stalled, undecided]}}
        to: tow
      - when: {outcome: [fail], findings: {no-stall: [pass], idle-speed: [fail]}}
        to: photo
      - {when: [undecided, told-fail, told-undecided, cannot], to: photo}
  photo:
    kind: photo
    title: A picture
    say: Show the duct.
    optional: helps the next one
    branches:
      - {when: [taken, cannot], to: notes}
  notes:
    kind: ask
    title: Anything else
    say: Say what else you saw.
    text: true
    optional: a free word
    branches:
      - when: {outcome: [answered, cannot], audience: technician}
        to: gate
      - when:
          outcome: [answered, cannot]
          audience: owner
          earlier:
            - {step: walk/first/see, outcome: [yes, no, cannot, not-visited]}
            - {step: idle, attempts: {from: 1, to: 9}}
        to: gate
  gate:
    kind: gate
    title: Enough?
    branches:
      - {when: hand-back, to: done}
      - {when: proof-to-follow, to: follow}
      - {when: neither, to: diagnosis}
endings:
  done: {kind: hand-back, title: Done, advice: Give the keys back.}
  follow: {kind: proof-to-follow, title: Proof to follow, advice: Come back once.}
  elsewhere: {kind: relearn, title: Relearn, advice: Have it relearned., who: A workshop}
  diagnosis: {kind: back-to-diagnosis, title: Look again, advice: Do not guess.}
  tow: {kind: do-not-drive, title: Tow it, advice: Do not drive.}
promises:
  - before: {first: save, then: bolts}
  - never: {step: idle, unless: bolts}
"""
