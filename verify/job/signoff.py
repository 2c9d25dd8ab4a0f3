"""What a signer must see first: a session → points, the gravest first. Pure.

The person who signs a car out did not see the work. These are the places where the record itself
shows that something went another way than straight on, or does not fit together. They decide
nothing: the flow has decided, and the signer decides.

Two rules of this page, common practice and no source: a pass is close to its limit when its
probability of conformity lies below 0.98, or its value within a tenth of the band (of the limit,
where there is one alone) from the limit.

No recording carries a date of its own (an importer's times begin with the file), so whether one is
older than the repair cannot be computed; that is said as a point, not left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from verify.evidence.verdict import CheckResult
from verify.flow.graph import CANNOT, CLEARS_CODES, REMEDY, ROAD_TEST, STOP, Outcome, Step
from verify.job.session import ReadOnlySession, Visit
from verify.job.signoff_fit import alike_points, fit_points
from verify.job.signoff_point import Point, Weight
from verify.job.signoff_turn import minutes, passed_without, turn_unexplained
from verify.quantity import with_unit
from verify.words import BEFORE, TOLD, Verdict

__all__ = ["NOWHERE", "Elsewhere", "Point", "Weight", "close_to_limit", "points"]

CLOSE_PROBABILITY = 0.98
CLOSE_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What the job itself cannot know, from whoever holds the store.

    jobs: SHA-256 of a recording → other jobs of the store that rest on it. vins: SHA-256 → VINs
    written in that file, masked. vin: that of the job, masked, "" where none was typed. other_vin:
    the SHA-256 of the recordings in which another VIN than the job's is written, and not its own.
    alike: as jobs, for other files that hold the same readings.
    """

    jobs: Mapping[str, Sequence[str]]
    vins: Mapping[str, Sequence[str]]
    vin: str = ""
    other_vin: frozenset[str] = frozenset()
    alike: Mapping[str, Sequence[str]] = field(default_factory=dict)


NOWHERE = Elsewhere({}, {})

SAID: Mapping[str, str] = {
    "other": "other codes",
    "wiring": "codes that point to wiring, supply or part",
    "learn": "codes that a leak check and relearn can cure",
    "forbids": "codes that forbid driving",
    "partly-read": "no codes seen, but not everything was shown",
    "cleared": "codes were cleared after the drive",
    "not-ready": "no codes; monitors or permanent codes are still to run",
    "none": "no codes",
    "told-pass": "told: fine",
    "told-fail": "told: not fine",
    "told-undecided": "told: not sure",
    CANNOT: "could not be done",
    STOP: "STOP",
}
"""What an outcome is called here where its label alone would not be understood."""


def points(session: ReadOnlySession, elsewhere: Elsewhere = NOWHERE) -> tuple[Point, ...]:
    """All that a signer should see of a job before deciding, the gravest first.

    Within one weight: fails and what is open, then corrections, then the rest, each in the order of
    the work.
    """
    found = [
        *_stopped(session),
        *_on_the_way(session),
        *_set_aside(session),
        *_corrections(session),
        *_skipped(session),
        *_told(session),
        *_insisted(session),
        *_specs(session),
        *_close(session),
        *fit_points(session, elsewhere.jobs, elsewhere.vins, elsewhere.vin, elsewhere.other_vin),
        *alike_points(session, elsewhere.alike),
        *_record(session),
    ]
    order = list(Weight)
    return tuple(sorted(found, key=lambda p: order.index(p.weight)))


def _answers(session: ReadOnlySession) -> list[Visit]:
    """All answers that count, in the order of the work."""
    aside = [a.visit for a in session.aside if not a.visit.gate]
    live = [v for v in (*session.walk, *session.proofs) if not v.gate]
    return sorted([*live, *aside], key=lambda v: (v.rank, v.seq))


def _title(session: ReadOnlySession, visit: Visit) -> str:
    return session.graph.steps[visit.step].title


def said(step: Step, outcome: Outcome) -> str:
    """An outcome in a few words, without what a person wrote."""
    if step.kind == "ask" and outcome.label in step.detail.get("answers", {}):
        return str(step.detail["answers"][outcome.label])
    if outcome.items:
        items = step.detail["items"]
        wrong = outcome.items - outcome.unseen
        words = "not so: " + "; ".join(str(items[i]) for i in items if i in wrong)
        unseen = "; ".join(str(items[i]) for i in items if i in outcome.unseen)
        return f"{words}; not seen: {unseen}" if unseen else words
    for verdict in (Verdict.FAIL, Verdict.UNDECIDED):
        if found := [f"{c} {f}" for c, v, f in outcome.checks if v is verdict]:
            return ", ".join(found)
    return SAID.get(outcome.label, outcome.label)


# ---- what went another way ---------------------------------------------------------------------


def _stopped(session: ReadOnlySession) -> Iterator[Point]:
    for visit in _answers(session):
        if visit.outcome.label == STOP:
            words = f"Somebody called STOP at “{_title(session, visit)}”."
            yield Point("stop", Weight.GRAVE, words, (visit.seq,), _reason(visit))


def _counts_here(step: Step) -> bool:
    return step.required or step.kind == "record"


def _on_the_way(session: ReadOnlySession) -> Iterator[Point]:
    """Each step that failed or stayed open at some time, and how that was settled."""
    steps = session.graph.steps
    given: dict[str, list[Visit]] = {}
    for visit in _answers(session):
        if _counts_here(steps[visit.step]) and visit.outcome.label != STOP:
            given.setdefault(visit.step, []).append(visit)
    for name, visits in given.items():
        step = steps[name]
        fails = [v for v in visits if step.counts(v.outcome) is Verdict.FAIL]
        unsure = [v for v in visits if step.counts(v.outcome) is Verdict.UNDECIDED]
        last = session.last(name)
        passed = last is not None and step.counts(last.outcome) is Verdict.PASS
        if fails:
            yield _failed(session, step, fails, last if passed else None)
        elif unsure:
            yield _open(session, step, unsure, last if passed else None)
    for name in session.open_required:
        if name not in given:
            words = f"“{steps[name].title}” is required and was never reached."
            yield Point("not-reached", _weight_of_open(session, steps[name]), words)


def _failed(
    session: ReadOnlySession, step: Step, fails: Sequence[Visit], passed: Visit | None
) -> Point:
    what = f"“{step.title}” failed: {said(step, fails[-1].outcome)}"
    entries = tuple(v.seq for v in fails)
    if passed is None and (later := _quiet_since(session, fails)) is not None:
        words = (
            f"{what}. It is the complaint: “{_title(session, later)}” was held against it and "
            "passed."
        )
        return Point("fail-before", Weight.NOTE, words, (*entries, later.seq))
    if passed is None:
        stands = "It stands so at the end" if session.ending is not None else "It stands so"
        return Point("fail", Weight.GRAVE, f"{what}. {stands}.", entries)
    mends = [
        v
        for v in session.walk
        if REMEDY in session.graph.steps[v.step].does
        and fails[-1].rank < v.rank < passed.rank
        and session.graph.steps[v.step].counts(v.outcome) is Verdict.PASS
    ]
    if not mends:
        words = f"{what}. It passed later, and the record names nothing done in between."
        weight = Weight.GRAVE if step.required else Weight.LOOK
        return Point("fail-no-remedy", weight, words, (*entries, passed.seq))
    done = ", ".join(dict.fromkeys(_title(session, m) for m in mends))
    words = f"{what}. Settled: “{done}” was done, then it passed."
    settled = (*entries, *(m.seq for m in mends), passed.seq)
    return Point("fail-settled", Weight.LOOK, words, settled)


def _quiet_since(session: ReadOnlySession, fails: Sequence[Visit]) -> Visit | None:
    """The last answer that passed on a sound and names all that failed as those from before it."""
    failed = {str(item["sha256"]) for visit in fails for item in visit.evidence or ()}
    for visit in reversed(session.walk):
        before = {
            str(item["sha256"])
            for item in visit.evidence or ()
            if BEFORE in str((item.get("mapping") or {}).get(TOLD, "")).split(", ")
        }
        step = session.graph.steps[visit.step]
        if failed and failed <= before and step.counts(visit.outcome) is Verdict.PASS:
            return visit
    return None


def _open(
    session: ReadOnlySession, step: Step, unsure: Sequence[Visit], passed: Visit | None
) -> Point:
    came = said(step, unsure[-1].outcome)
    if unsure[-1].outcome.label == CANNOT and unsure[-1].results:
        came = "undecided"  # a torque, with what was computed of it
    what = f"“{step.title}” was not decided: {came}"
    entries = tuple(v.seq for v in unsure)
    if passed is not None:
        if (turned := turn_unexplained(session, step, unsure[-1], passed)) is not None:
            words = (
                f"{what}. It was answered differently {minutes(turned)} later, with nothing done, "
                f"driven or recorded in between: {said(step, passed.outcome)}."
            )
            return Point("answered-differently", Weight.GRAVE, words, (*entries, passed.seq))
        words = f"{what}. Settled: it passed later."
        return Point("undecided-settled", Weight.NOTE, words, (*entries, passed.seq))
    last = unsure[-1]
    if not step.required:
        return Point("undecided", Weight.NOTE, f"{what}. The step is not required.", entries)
    settle = f" To follow {step.later[1]}." if step.later and step.name in session.to_prove else ""
    weight = _weight_of_open(session, step)
    return Point("undecided", weight, f"{what}. It stands so.{settle}", entries, _reason(last))


def _weight_of_open(session: ReadOnlySession, step: Step) -> Weight:
    """Open is grave where the keys went back and the step is not among what is to follow."""
    gone = session.ending is not None and session.ending.kind.lets_go
    return Weight.GRAVE if gone and step.name not in session.to_prove else Weight.LOOK


def _set_aside(session: ReadOnlySession) -> Iterator[Point]:
    steps = session.graph.steps
    for aside in session.aside:
        visit, step = aside.visit, steps[aside.visit.step]
        if aside.settled:
            words = (
                f"“{step.title}” had failed ({said(step, visit.outcome)}) and was then answered "
                "differently, with a reason and nothing done."
            )
            yield Point("fail-answered-away", Weight.GRAVE, words, (visit.seq,))


def _corrections(session: ReadOnlySession) -> Iterator[Point]:
    from verify.job.spec_changes import spec_changes

    steps = session.graph.steps
    for c in session.corrections:
        step = steps[c.step]
        mended = step.counts(c.was) is not Verdict.PASS and step.counts(c.now) is Verdict.PASS
        weight = Weight.GRAVE if mended and step.required else Weight.LOOK
        words = f"“{step.title}” was corrected: {said(step, c.was)} → {said(step, c.now)}."
        if mended and step.required:
            words += " Only the correction makes it pass."
        yield Point("correction", weight, words, (c.of, c.seq), (c.reason,))
    for change in spec_changes(session):
        title = session.graph.specs[change.name].title
        words = f"Number of the car: {title} was changed from {change.was or 'not found'} to "
        words += f"{change.now or 'not found'}."
        for t in change.turned:
            step = steps[t.step]
            words += f" “{step.title}” was judged again: {said(step, t.was)} → {said(step, t.now)}."
        if not change.reason:
            words += " No reason stands in the record."
        mends = change.mends(session)
        entries = tuple(sorted({change.seq, *(n for t in change.turned for n in (t.of, t.seq))}))
        name = "judged-again" if change.turned else "number-changed"
        told = (change.reason,) if change.reason else ()
        yield Point(name, Weight.GRAVE if mends else Weight.LOOK, words, entries, told)


def _skipped(session: ReadOnlySession) -> Iterator[Point]:
    for wait in session.skipped_waits:
        title = session.graph.steps[wait.step].title
        words = f"The wait of {wait.seconds / 60:.3g} min at “{title}” was skipped."
        over = passed_without(session, wait)
        if over is None:
            yield Point("wait-skipped", Weight.LOOK, words, (wait.seq,), (wait.reason,))
            continue
        step = session.graph.steps[over.step]
        words += f" “{step.title}” rests on it and was answered all the same: "
        words += f"{said(step, over.outcome)}."
        entries = (wait.seq, over.seq)
        yield Point("told-without-wait", Weight.GRAVE, words, entries, (wait.reason,))


def _told(session: ReadOnlySession) -> Iterator[Point]:
    steps = session.graph.steps
    told = [v for v in (*session.walk, *session.proofs) if v.outcome.label.startswith("told-")]
    last = [v for v in told if session.last(v.step) is v]
    if last:
        names = "; ".join(steps[v.step].title for v in last)
        words = f"Told, where a recording could have shown it: {names}."
        yield Point("told", Weight.LOOK, words, tuple(v.seq for v in last))


def _insisted(session: ReadOnlySession) -> Iterator[Point]:
    for name, spec in session.specs.items():
        if spec.insisted:
            title = session.graph.specs[name].title
            words = f"Number of the car: {title} is not usual; it was insisted on."
            yield Point("number-unusual", Weight.LOOK, words, (spec.seq,))


def _specs(session: ReadOnlySession) -> Iterator[Point]:
    for name, spec in session.specs.items():
        title = session.graph.specs[name].title
        number = with_unit(spec.text, spec.unit)
        if not spec.text:
            words, weight = "was not found: what needs it could not be judged", Weight.LOOK
        elif spec.source == "common practice":
            words, weight = f"{number} is common practice", Weight.LOOK
        elif not spec.detail.strip():
            words, weight = f"{number} has no document named", Weight.LOOK
        elif spec.reused:
            words = f"{number} was entered for another car of this model"
            weight = Weight.NOTE
        else:
            continue
        yield Point("number", weight, f"Number of the car: {title} {words}.", (spec.seq,))


# ---- close to a limit --------------------------------------------------------------------------


def close_to_limit(result: CheckResult) -> str:
    """Why a pass is close to its limit, in words; "" where it is not, or is no pass."""
    if result.verdict is not Verdict.PASS:
        return ""
    p = result.probability
    if p is not None and p < CLOSE_PROBABILITY:
        return f"it passes with a probability of {p:.2f}, where 0.95 is the least"
    limits, value = result.limits, result.value
    if limits is None or value is None:
        return ""
    ends = [e for e in (limits.lower, limits.upper) if e is not None]
    whole = abs(ends[1] - ends[0]) if len(ends) == 2 else abs(ends[0])
    near = min(abs(value - e) for e in ends)
    if near < CLOSE_SHARE * whole:
        end = min(ends, key=lambda e: abs(value - e))
        return f"{value:.4g} {limits.unit} lies within a tenth of its limit {end:.4g}"
    return ""


def _close(session: ReadOnlySession) -> Iterator[Point]:
    for visit in (*session.walk, *session.proofs):
        if visit.gate or session.last(visit.step) is not visit:
            continue
        for stored in visit.results or ():
            result = _result(stored)
            if result is not None and (why := close_to_limit(result)):
                words = f"“{_title(session, visit)}”, {result.check}: {why}."
                yield Point("close", Weight.LOOK, words, (visit.seq,))


def _result(stored: object) -> CheckResult | None:
    try:
        return CheckResult.from_json(stored)  # type: ignore[arg-type]
    except (KeyError, TypeError, ValueError):
        return None


# ---- how it was written down -------------------------------------------------------------------


def _record(session: ReadOnlySession) -> Iterator[Point]:
    steps = session.graph.steps
    live = [v for v in (*session.walk, *session.proofs) if not v.gate]
    if late := [v for v in live if v.mode == "afterwards"]:
        words = f"{_many(len(late), 'answer')} written down afterwards, not as the work went on."
        yield Point("afterwards", Weight.LOOK, words, tuple(v.seq for v in late))
    clears = [v for v in live if CLEARS_CODES in steps[v.step].does]
    drives = [v for v in live if ROAD_TEST in steps[v.step].does]
    if clears and drives and clears[-1].rank > drives[-1].rank:
        words = "Codes were cleared after the last drive: that drive shows nothing of codes."
        yield Point("cleared-last", Weight.GRAVE, words, (drives[-1].seq, clears[-1].seq))
    left = [e for e in session.unsigned() if e.kind not in ("note", "erased", "sign-off")]
    if left:
        words = "Not signed by whoever wrote it: " + _span(left[0].seq, left[-1].seq) + "."
        yield Point("not-signed", Weight.LOOK, words, (left[0].seq, left[-1].seq))
    if session.notes:
        words = f"{_many(len(session.notes), 'note')} to read."
        digests = tuple(d for n in session.notes for d in n.private.values())
        yield Point("notes", Weight.NOTE, words, tuple(n.seq for n in session.notes), digests)
    if session.erased:
        words = "Personal data or recordings were erased on request: their hashes are kept."
        yield Point("erased", Weight.NOTE, words, tuple(e.seq for e in session.erased))
    if session.demo or session.scripted:
        words = "This job was played from an answers file. No real car stood behind it."
        yield Point("played", Weight.GRAVE if not session.demo else Weight.NOTE, words)


def _reason(visit: Visit) -> tuple[str, ...]:
    return (visit.private["reason"],) if "reason" in visit.private else ()


def _span(first: int, last: int) -> str:
    return f"entry {first}" if first == last else f"entries {first} to {last}"


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
