"""What every field of a flow file means, with an example: for the reference page and for editors.

Beside `model`, which says what a field may hold. A test counts that no field is without its words
and that every example is one.
"""

from __future__ import annotations

from collections.abc import Mapping

Words = Mapping[str, tuple[str, str]]
"""field → (what it means, an example of its value as it stands in a file)."""

_STEP: Words = {
    "title": ("what the step is called on screens, cards and records", "Brakes, parked"),
    "say": (
        "what to do or find out, in the words of the trade",
        "Press the brake pedal hard three times and hold it.",
    ),
    "why": ("why it is asked; shown small, below", "A hose left off takes the assist away."),
    "owner": (
        "the same as `say` for an owner at home, where it differs",
        "Press the brake pedal hard and hold it.",
    ),
    "hazards": (
        "dangers at this step; the caution of each is shown there. "
        "Every hazard that an activity under `does` brings must stand here",
        "[carbon-monoxide, rolling]",
    ),
    "does": (
        "activities that this step means. `remedy`: something is done to the car, and only after "
        "one may a step that failed be asked again",
        "[runs-engine]",
    ),
    "optional": (
        "the reason why this step need not pass, printed on the record; without it the step is "
        "required",
        "Asked only when a line was named.",
    ),
    "group": (
        "which question about the car the step answers; needed unless it is `optional`. All of "
        "`safe-to-drive` must have passed before any keys go back; steps of the other two may stay "
        "open, with `later`",
        "safe-to-drive",
    ),
    "least": (
        "the poorest evidence on which the step can pass; without it the best its kind can give",
        "read",
    ),
    "least_reason": (
        "why poorer evidence will do, printed on the record",
        "No recorder reads this channel.",
    ),
    "later": (
        "what settles it after the keys went back; needed where a required step may stay open",
        "{settle: Drive on for a week., by: within two weeks}",
    ),
    "branches": (
        "where each outcome leads; every outcome needs exactly one, `cannot` too, `stop` none",
        "[{when: [good, cannot], to: road}]",
    ),
}

_LOOK: Words = {
    "outcome": ("outcomes, of which one must have come", "[yes, no]"),
    "findings": (
        "of a recording: check, and findings or verdicts of which it must have reached one",
        "{idle-speed: [settled, undecided]}",
    ),
    "wrong": ("of a card: at least one of these lines was named", "[seal, clamps]"),
    "fine": ("of a card: none of these lines was named", "[seal, clamps]"),
    "value": ("of a reading without limits: where the number lies", "{from: 12.2 V, to: 15 V}"),
    "attempts": ("how often the step has been entered, now included", "{to: 3}"),
}

_KEYS: Words = {
    "id": ("its name; call the file the same", "starter-motor-replaced"),
    "title": ("what people read in lists and on records", "Starter motor replaced"),
    "start": ("the step it begins with", "opening"),
    "specs": (
        "numbers of the vehicle that its steps need, by name",
        "{idle_speed: {title: Warm idle speed, unit: rpm}}",
    ),
    "steps": (
        "the steps, by name, in the order in which they are usually done",
        "{look: {kind: gate, title: Look, branches: [{when: neither, to: tow}]}}",
    ),
    "promises": (
        "what must hold on every way through, whatever anybody answers",
        "[{never: {step: road, unless: brakes}}]",
    ),
}

FIELDS: Mapping[str, Words] = {
    "Flow": {
        "keysback_flow": ("that the file is a flow, and in which form it is written", "1"),
        **_KEYS,
        "repair": ("one sentence, what was done to the car", "The starter motor was replaced."),
        "audience": ("who works through it", "[technician, owner]"),
        "on_stop": (
            "the ending of kind `do-not-drive` to which *STOP: not safe* leads from every step",
            "stop-now",
        ),
        "endings": (
            "where a close-out can stop, by name",
            "{tow: {kind: do-not-drive, title: Do not drive, advice: Key off.}}",
        ),
        "second_look": (
            "what whoever signs the job off looks at on the car, each line as it should be: for "
            "repairs where a signature at a desk is not enough",
            "{lamps: No warning lamp stays lit}",
        ),
    },
    "PartFile": {
        "keysback_part": ("that the file is a part, and in which form it is written", "1"),
        **_KEYS,
        "results": ("how it can end; the flow that uses it says where each leads", "[fine, poor]"),
    },
    "Spec": {
        "title": ("what is asked for", "Warm idle speed"),
        "unit": ("the unit it is kept in; people may type another of the same kind", "rpm"),
        "say": ("where it is to be found", "From the label under the bonnet."),
        "default": (
            "what counts where nothing is found: common practice, and marked so on every report",
            "12.2 V",
        ),
        "accuracy": ("how far the number may be off, ±", "10 rpm"),
    },
    "Do": {
        "kind": ("something is done; its outcome is `done`", "do"),
        **_STEP,
        "wait": ("a countdown that must run out before it is done", "10 min"),
    },
    "Ask": {
        "kind": ("a question; its outcomes are its answers", "ask"),
        **_STEP,
        "answers": (
            "name of each answer, and its words on the screen",
            "{good: Firm and holds, not-good: It sinks}",
        ),
        "passes": ("answers that speak for the car; every other fails it", "[good]"),
        "unsure": ("answers that leave it open", "[too-short]"),
        "text": ("instead of answers: free words, kept for the record. Outcome `answered`", "true"),
    },
    "Reading": {
        "kind": (
            "a number from an instrument; outcomes `pass`, `fail`, `undecided` with limits, "
            "`taken` without",
            "reading",
        ),
        **_STEP,
        "unit": ("the unit it is read in; people may type another of the same kind", "V"),
        "accuracy": ("how far the instrument may be off, ±; it widens the doubt", "0.1 V"),
        "limits": (
            "what is still good",
            "{lower: 12.2 V, upper: 16 V, source: common practice}",
        ),
    },
    "Codes": {
        "kind": (
            "fault codes as read; outcomes by the gravest: `none`, `partly-read`, `learn`, "
            "`other`, `wiring`, `forbids`",
            "codes",
        ),
        **_STEP,
        "modules": ("modules that must have been read, or it is `partly-read`", "[engine]"),
        "passes": ("outcomes that pass; never `wiring` or `forbids`", "[none]"),
        "unsure": (
            "of `other` and `learn`, what leaves it open and not failed: where a later step asks "
            "what such a code is about",
            "[other]",
        ),
        "since_clear": (
            "asks what the car counts since codes were cleared, and holds it against the drive: "
            "adds the outcome `cleared`, a fail",
            "true",
        ),
        "readiness": (
            "asks for the monitors: adds the outcome `not-ready`, which leaves it open",
            "true",
        ),
    },
    "Fasten": {
        "kind": ("a torque, held against a spec; `pass`, `fail`, `undecided`", "fasten"),
        **_STEP,
        "spec": ("the spec with the torque, from the service information", "fastener_torque"),
        "tolerance": ("how far from it is still good, as a share of it, at most 50 %", "10 %"),
        "order_spec": (
            "where the tightening order is to be found",
            "Crosswise from the middle.",
        ),
    },
    "Record": {
        "kind": (
            "a recording, put to checks; `pass`, `fail`, `undecided`, and with `told` also "
            "`told-pass`, `told-fail`, `told-undecided`",
            "record",
        ),
        **_STEP,
        "checks": ("checks that must all pass; `keysback checks` lists them", "[idle-speed]"),
        "also": (
            "checks put to it beside: a fail of theirs counts, their doubt does not hold the car",
            "[surge]",
        ),
        "told": (
            "what may be told where no recording can be made; it is listed as told",
            "{question: Does it idle evenly?, passes: Evenly, fails: It hunts}",
        ),
    },
    "Photo": {
        "kind": ("a picture; its outcome is `taken`", "photo"),
        **_STEP,
    },
    "Card": {
        "kind": ("a list; what is not so is named. Outcomes `ok`, `exceptions`", "card"),
        **_STEP,
        "items": ("name of each line, and how it should be", "{seal: New and seated}"),
    },
    "Part": {
        "kind": ("a piece of the library, or of a file in `parts/` beside the flow", "part"),
        "part": ("its id", "key-on"),
        "results": (
            "where each of its results leads: a step or an ending",
            "{ready: first-start, not-shown: not-shown}",
        ),
    },
    "Gate": {
        "kind": (
            "decides by what the way so far has proven; nobody is asked. Outcomes `hand-back`, "
            "`proof-to-follow`, `neither`",
            "gate",
        ),
        "title": _STEP["title"],
        "branches": (
            "where each of its outcomes leads, or what earlier steps decide",
            "[{when: neither, to: not-shown}]",
        ),
    },
    "Branch": {
        "when": (
            "one outcome, several, or a group of conditions that must all hold",
            "{outcome: [no], attempts: {to: 3}}",
        ),
        "to": ("the step or ending it leads to", "road"),
        "result": ("in a part instead of `to`: the result it ends in", "fine"),
    },
    "When": {
        **_LOOK,
        "audience": ("who works through it", "owner"),
        "earlier": (
            "the same, put to the last outcome of earlier steps",
            "[{step: leaks, outcome: [not-visited]}]",
        ),
    },
    "Earlier": {
        "step": ("which earlier step; one of a part goes by the name of both", "key-on/codes"),
        **_LOOK,
        "outcome": ("outcomes, of which one was its last; `not-visited` for none", "[cannot]"),
    },
    "Range": {
        "from": ("the first number that counts; left out: 1", "3"),
        "to": ("the first number that no longer counts; left out: no end", "3"),
    },
    "Interval": {
        "from": ("from this number on; left out: no end", "12.2 V"),
        "to": ("up to this number, which no longer counts; left out: no end", "15 V"),
    },
    "LimitsText": {
        "spec": ("the spec that it is held against, with `minus`, `plus` or both", "rest_voltage"),
        "minus": ("how far below it is still good; left out: no matter how far", "0 V"),
        "plus": ("how far above it is still good; left out: no matter how far", "3.8 V"),
        "lower": ("without a spec: the least that is good", "12.2 V"),
        "upper": ("without a spec: the most that is good", "16 V"),
        "source": ("where the limits come from; printed on every report", "service information"),
    },
    "Told": {
        "question": ("what is asked instead of the recording", "Does it idle evenly?"),
        "passes": ("the words of the good answer", "Evenly"),
        "fails": ("the words of the bad answer", "It hunts or dies"),
        "unsure": ("the words of the answer in between", "Not sure"),
    },
    "Later": {
        "settle": ("what settles it, in terms of what hands can do", "Drive on for two weeks."),
        "by": ("by when", "within two weeks"),
    },
    "Ending": {
        "kind": (
            "`hand-back` and `proof-to-follow` let the car go; the others do not",
            "back-to-diagnosis",
        ),
        "title": ("what it is called", "Back to diagnosis"),
        "advice": ("what to do now", "The car stays until the cause is found."),
        "owner": ("the same for an owner at home, where it differs", "Ask a workshop."),
        "who": ("of a relearn, and only there: who can do it, and where", "A workshop near by."),
    },
    "Promise": {
        "before": ("one step never before another", "{first: codes, then: clear}"),
        "never": ("a step never unless another passed", "{step: road, unless: brakes}"),
    },
    "Order": {
        "first": ("must have been reached …", "codes"),
        "then": ("… before this one is", "clear"),
    },
    "Never": {
        "step": ("is never reached …", "road"),
        "unless": ("… unless this one passed when it was last asked", "brakes"),
    },
}
