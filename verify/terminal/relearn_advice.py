"""Who does the relearn, and what it costs: offered once, below an ending that sends a car to one.

    session ─facts→ Situation ─rule out→ the ways left ─prices→ Advice ─the person→ a decision

Offered at endings of kind `relearn` alone. Where a relearn has failed twice it does not fit: done
by the book and failed, it leaves the cause elsewhere; no other one is counted (`relearn_cost`).
What the job has shown is taken from it; the rest is asked, and what nobody has looked at forbids.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any

from verify.car.relearn_cost import READERS_CANNOT, YOU_DECIDE, Offer, Situation, Way, advise
from verify.car.relearn_cost import ruled_out as forbidden
from verify.errors import Problem, UserError, unknown
from verify.job.bodies import decision_body
from verify.job.rules import changed_since
from verify.job.session import ReadOnlySession, Visit
from verify.terminal import tongue
from verify.terminal.answers_file import ADVICE
from verify.terminal.desk import Desk, Live, Secrets
from verify.terminal.tongue import mark, tr
from verify.terminal.ui import Option, PlainWishes, Ui, Wish
from verify.words import EndingKind, Group, Verdict

if TYPE_CHECKING:
    from verify.terminal.hands import Hands

BLOCK = ADVICE
WAYS = {way.name.casefold().replace("_", "-"): way for way in Way}
OTHER = "other"
LARGEST = 1e9

# What an answer shows, by the step's own name in the library (any part before it) and its label;
# for a list, "!item" where that item was wrong. A test holds the names against the flows.
_BAD_RESPONSE = {"pedal_answers": False}
_STAYS_UP = {"revs_stay_up": True}
_STALLS = {"stalls": True}
_STARTS = {"dies": _STALLS, "climbs": _STAYS_UP}
_BY_FOOT = {
    "follows": {"pedal_answers": True, "revs_stay_up": False},
    "no-response": _BAD_RESPONSE,
    "stays-up": _STAYS_UP,
    "dies": _STALLS,
}
FACTS: Mapping[str, Mapping[str, Mapping[str, bool]]] = {
    "service-info": {
        "required": {"relearn_required": True},
        "by-itself": {"relearn_required": False},
        # Where this ending is reached the idle was wrong.
        "on-symptoms": {"relearn_required": True},
    },
    "first-start": _STARTS,
    "pedal": _BY_FOOT,
    "by-foot": _BY_FOOT,
    "walking-pace": {"no-response": _BAD_RESPONSE, "surges": _STAYS_UP},
    "drive": {
        "ok": {
            "pedal_answers": True,
            "revs_stay_up": False,
            "stalls": False,
            "red_brake_warning": False,
        },
        "!response": _BAD_RESPONSE,
        "!return": _STAYS_UP,
        "!stall": _STALLS,
    },
    "hot-restart": _STARTS,
    "restart": _STARTS,
    "before-the-way": {"good": {"pedal_answers": True, "revs_stay_up": False}},
}
# The answer that speaks against driving (or against waiting for it to learn), for each fact.
_FORBIDS = {
    "pedal_answers": False,
    "stalls": True,
    "red_brake_warning": True,
    "limp_home": True,
    "fast_road": True,
    "revs_stay_up": True,
    "relearn_required": True,
}
_ALWAYS_FORBID = ("pedal_answers", "stalls", "red_brake_warning", "revs_stay_up")
QUESTIONS = {
    "pedal_answers": mark("Does the engine answer the pedal, every time?"),
    "stalls": mark("Does it stall, or nearly?"),
    "red_brake_warning": mark("Is a red brake warning on, or the brake pedal hard?"),
    "revs_stay_up": mark("Do the revs stay up by themselves?"),
    "limp_home": mark("Is it in limp-home (little power, low revs)?"),
    "fast_road": mark("Does the way to the shop take a fast road?"),
    "relearn_required": mark("Does its service information require the relearn?"),
}
FIGURES = mark(
    "price, hours of your time, and in how many of 100 such cases it works; then, if you like, "
    'what a failure costs besides. For example "120 1.5 90"; ? for what you do not know; an empty '
    "line leaves the way out."
)


@dataclass(frozen=True, slots=True)
class Plan:
    """What the person entered: texts as typed, kept in the record as they stand.

    offers: way → its figures. hour, diagnosis: "" where skipped, and then counted as nothing.
    """

    now: Situation
    offers: Mapping[str, str] = field(default_factory=dict)
    hour: str = ""
    diagnosis: str = ""


@dataclass(frozen=True, slots=True)
class Decision:
    """choice: a name of WAYS, or OTHER; words: personal text, may be empty."""

    plan: Plan
    choice: str
    words: str = ""


# ---- what the job has shown --------------------------------------------------------------------


def situation(session: ReadOnlySession) -> Situation:
    """What the answers of the job show; None for what they do not.

    Later answers count before earlier ones. What was good before something was done to the car
    shows nothing any more; what was bad stays bad until somebody has seen it good.
    """
    found: dict[str, bool | None] = dict.fromkeys((f.name for f in fields(Situation)), None)
    for visit in sorted(session.walk, key=lambda v: v.rank):
        old = changed_since(session.graph, session.walk, visit) is not None
        for name, value in _shown_by(session, visit).items():
            stands = name == "relearn_required" or value is _FORBIDS[name]
            if stands or not old:
                found[name] = value
    return Situation(**found)


def _shown_by(session: ReadOnlySession, visit: Visit) -> dict[str, bool]:
    stalls = [v for check, v, _ in visit.outcome.checks if check == "no-stall"]
    shown: dict[str, bool] = {"stalls": True} if Verdict.FAIL in stalls else {}
    known = FACTS.get(visit.step.rsplit("/", 1)[-1], {})
    if session.graph.steps[visit.step].kind == "card":
        for item in visit.outcome.items:
            shown.update(known.get(f"!{item}", {}))
    shown.update(known.get(visit.outcome.label, {}))
    return shown


def not_shown(session: ReadOnlySession) -> tuple[str, ...]:
    """Titles of what the car must pass before it is driven and has not."""
    return tuple(s.title for s in session.open_steps() if s.group is Group.SAFE)


def ruled_out(session: ReadOnlySession, now: Situation) -> dict[Way, tuple[str, ...]]:
    """The ways that safety forbids, with why. What the close-out has not shown forbids first."""
    found: dict[Way, tuple[str, ...]] = {}
    missing = not_shown(session)
    for way in Way:
        reasons: tuple[str, ...] = forbidden(way, now)
        if way.on_own_wheels and missing:
            more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
            unsafe = f"this close-out has not shown that it is safe to drive: {missing[0]}{more}"
            reasons = (unsafe, *reasons)
        # Where something was seen to be bad, what nobody has looked at need not be said as well.
        seen = tuple(r for r in reasons if not r.startswith(("nobody", "whether")))
        if reasons:
            found[way] = seen or reasons
    return found


# ---- the advice --------------------------------------------------------------------------------


def read_offer(text: str) -> Offer:
    """The figures of a way, as typed. Raises UserError."""
    words = [w for w in re.split(r"[;\s]+", text.replace("%", " ")) if w]
    if not 1 <= len(words) <= 4:
        raise _figures(text)
    numbers = [None if w == "?" else read_amount(w) for w in words] + [None] * (4 - len(words))
    price, hours, chance, failure = numbers
    if price is None or (chance is not None and chance > 100):
        raise _figures(text)
    success = None if chance is None else chance / 100
    return Offer(price, hours or 0.0, success, failure or 0.0)


def _figures(text: str) -> UserError:
    return UserError(Problem(f'"{text}"', "the figures of one way", f"enter {FIGURES}"))


def read_amount(text: str) -> float:
    """A price or a time. Raises UserError."""
    match = re.fullmatch(r"[0-9]{1,9}(?:[.,][0-9]{1,2})?", text.strip())
    value = float(match[0].replace(",", ".")) if match else math.inf
    if value > LARGEST:
        raise UserError(
            Problem(
                found=f'"{text}"',
                expected="a number that is not negative, without thousands marks",
                next="write for example 120 or 1.5",
            )
        )
    return value


def advice_lines(session: ReadOnlySession, plan: Plan) -> tuple[list[str], str]:
    """(what is said, name of the way with the least expected cost or ""). Raises UserError."""
    out = ruled_out(session, plan.now)
    lines = _not_lines(out)
    offers = {
        WAYS[name]: read_offer(text)
        for name, text in plan.offers.items()
        if text and WAYS[name] not in out
    }
    best = ""
    if offers:
        hour = read_amount(plan.hour or "0")
        diagnosis = read_amount(plan.diagnosis or "0")
        advice = advise(offers, plan.now, hour_value=hour, diagnosis=diagnosis)
        skipped = [
            words
            for words, text in (
                (tr("your time"), plan.hour),
                (tr("finding the cause if a relearn fails"), plan.diagnosis),
            )
            if not text
        ]
        if skipped:
            lines.append(tr("Not entered, so counted as nothing: {what}.", what="; ".join(skipped)))
        for way, cost in sorted(advice.expected.items(), key=lambda item: item[1]):
            words = tr("{way}: expected cost about {cost}.", way=_way(way), cost=f"{cost:.0f}")
            lines.append(words)
        lines += [tongue.said(f"{_capital(sentence)}.") for sentence in advice.why[:-1]]
        named = {way: name for name, way in WAYS.items()}
        best = named[advice.best] if advice.best is not None else ""
    else:
        lines.append(tr("No prices were entered, so no cost is worked out."))
    return [*lines, tr(READERS_CANNOT), tr(YOU_DECIDE)], best


def _not_lines(out: Mapping[Way, tuple[str, ...]]) -> list[str]:
    return [
        tr("Not {way}: {why}.", way=tr(way.value), why="; ".join(map(tongue.said, why)))
        for way, why in out.items()
    ]


def _way(way: Way) -> str:
    return _capital(tr(way.value))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# ---- a person ----------------------------------------------------------------------------------


def ask(ui: Ui, session: ReadOnlySession) -> Decision | None:
    """The questions and the advice, below the ending. None where the person leaves it."""
    ui.wishes = PlainWishes(())
    try:
        wants = ui.choose(
            tr("Who does the relearn, and what does it cost? Advice from your own figures:"),
            [Option("skip", tr("Skip it")), Option("on", tr("Work it out"))],
        )
        return _work_out(ui, session) if wants == "on" else None
    except (Wish, KeyboardInterrupt):
        return None


def _work_out(ui: Ui, session: ReadOnlySession) -> Decision | None:
    now = _ask_situation(ui, session)
    out = ruled_out(session, now)
    ui.tell(*_not_lines(out))
    left = {name: way for name, way in WAYS.items() if way not in out}
    offers: dict[str, str] = {}
    ui.tell("", tr("For each way left, {figures}", figures=tr(FIGURES)))
    for name, way in left.items():
        text = _asked(ui, _way(way), read_offer)
        offers |= {name: text} if text else {}
    hour = diagnosis = ""
    if offers:
        hour = _asked(ui, tr("What an hour of your time is worth (may stay empty)"), read_amount)
        words = tr("What finding the cause costs if a proper relearn fails (may stay empty)")
        diagnosis = _asked(ui, words, read_amount)
    plan = Plan(now, offers, hour, diagnosis)
    lines, _ = advice_lines(session, plan)
    ui.tell("", *lines)
    choice = ui.choose(
        tr("What do you decide?"),
        [
            *(Option(name, _way(way)) for name, way in left.items()),
            Option(OTHER, tr("Something else")),
            Option("", tr("Nothing yet: leave it open")),
        ],
    )
    if not choice:
        return None
    words = tr("What? In a few words") if choice == OTHER else tr("A word on it (may stay empty)")
    return Decision(plan, choice, ui.ask(words, empty=choice != OTHER))


def _asked(ui: Ui, prompt: str, read: Any) -> str:
    while True:
        text = ui.ask(prompt, empty=True)
        try:
            if text:
                read(text)
            return text
        except UserError as error:
            ui.tell(tongue.trouble_words(error))


def _ask_situation(ui: Ui, session: ReadOnlySession) -> Situation:
    """Asks what the job has not shown, as far as it can still change which ways are left."""
    now = situation(session)
    if not_shown(session):
        return now
    for name, question in QUESTIONS.items():
        if any(getattr(now, known) is _FORBIDS[known] for known in _ALWAYS_FORBID):
            return now
        if getattr(now, name) is not None or (name == "fast_road" and not now.limp_home):
            continue
        options = [
            Option("yes", tr("Yes")),
            Option("no", tr("No")),
            Option("?", tr("I do not know")),
        ]
        said = {"yes": True, "no": False, "?": None}[ui.choose(tr(question), options)]
        now = replace(now, **{name: said})
        if said is None:
            # What nobody knows forbids driving, and then nothing else is worth asking.
            return now
    return now


# ---- an answers file ---------------------------------------------------------------------------


def from_tree(session: ReadOnlySession, block: Any) -> Decision:
    """A decision as an answers file gives it. Raises UserError.

    {situation: {stalls: no, …}, offers: {tow: "120 1.5 90", …}, hour: "30", diagnosis: "150",
    decide: tow, words: …}; of these only `decide` must be there.
    """
    known = ("situation", "offers", "hour", "diagnosis", "decide", "words")
    if not isinstance(block, dict) or "decide" not in block:
        form = f'{BLOCK}: {{decide: {"|".join(WAYS)}, offers: {{tow: "120 1.5 90"}}}}'
        raise UserError(Problem("no decision", "a block with decide:", f"write {form}"))
    _all_known(block, known, "part of the block")
    facts, offers = block.get("situation") or {}, block.get("offers") or {}
    _all_known(facts, QUESTIONS, "fact")
    _all_known(offers, WAYS, "way")
    _all_known({str(block["decide"]): 0}, (*WAYS, OTHER), "way")
    said = {"yes": True, "no": False, True: True, False: False}
    now = replace(situation(session), **{name: said.get(v) for name, v in facts.items()})
    plan = Plan(
        now,
        {name: str(text) for name, text in offers.items()},
        str(block.get("hour", "")),
        str(block.get("diagnosis", "")),
    )
    advice_lines(session, plan)
    choice = str(block["decide"])
    if WAYS.get(choice) in ruled_out(session, now):
        raise UserError(
            Problem(
                found=f'the decision "{choice}", which safety rules out here',
                expected="a way that is left, or other",
                next=f"decide: {OTHER}, with words:",
                field=BLOCK,
            )
        )
    return Decision(plan, choice, str(block.get("words", "")))


def _all_known(given: Any, known: Any, kind: str) -> None:
    for name in given if isinstance(given, dict) else [str(given)]:
        if name not in known:
            raise UserError(unknown(str(name), list(known), kind).within(field=BLOCK))


# ---- the record --------------------------------------------------------------------------------


def offer(desk: Desk, session: Live, hands: Hands) -> Live:
    """Offers the advice once, where it fits, and writes the decision down."""
    ending = session.ending
    if ending is None or ending.kind is not EndingKind.RELEARN or session.decisions:
        return session
    decision = hands.relearn_advice(session)
    if decision is None:
        return session
    plan = decision.plan
    best = advice_lines(session, plan)[1]
    secrets = Secrets(**({"words": decision.words} if decision.words else {}))
    figures = {"hour": plan.hour, "diagnosis": plan.diagnosis}
    body = decision_body(
        session,
        choice=decision.choice,
        advised=best,
        ruled_out=[name for name, way in WAYS.items() if way in ruled_out(session, plan.now)],
        figures={"offers": dict(plan.offers)} | {n: v for n, v in figures.items() if v},
        private=secrets.digests or None,
    )
    new = desk.write("decision", body, secrets)
    way = WAYS.get(decision.choice)
    words = tr(way.value) if way is not None else tr("something else")
    hands.say("", tr("Written down: {way}.", way=words))
    return new


def decision_lines(desk: Desk, session: ReadOnlySession) -> list[str]:
    """The decisions of a job, for its account."""
    lines = []
    for made in session.decisions:
        way, best = WAYS.get(made.choice), WAYS.get(made.advised)
        words = [way.value if way is not None else "something else"]
        words += [f"least expected cost: {best.value}"] if best is not None else []
        names = [WAYS[n].value for n in made.ruled_out if n in WAYS]
        words += [f"ruled out by safety: {', '.join(names)}"] if names else []
        words += [desk.secret(digest) for digest in made.private.values()]
        lines.append(f"Decided about the relearn: {'; '.join(words)}.")
    return lines
