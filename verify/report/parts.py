"""Pieces of a job that several readers are shown: said words, codes, numbers, people, the seal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from verify.car.codes import CodeReading
from verify.evidence.verdict import CheckResult
from verify.flow.graph import CANNOT, REMEDY, STOP, Step
from verify.job.session import ReadOnlySession, Visit
from verify.quantity import with_unit
from verify.report.document import (
    MARK_WORDS,
    OF_VERDICT,
    Mark,
    Point,
    Seal,
    Sign,
    Table,
    VerdictBox,
)
from verify.report.source import Source
from verify.report.strip import strip_svg
from verify.report.words import ALONE, GRADES, NO_LOOK, NOBODY, sentence, source_words
from verify.words import LEFT_OUT, Verdict

# A pass that is not much surer than the rule asks for is worth a look: common practice, no source.
CLOSE = 0.99
# Entries that can bring a job to where it stands; notes, pauses and signatures cannot.
_MOVES = ("opened", "outcome", "correction", "rejudged", "closed", "proof")


def answers(session: ReadOnlySession) -> Iterator[tuple[Step, Visit]]:
    """The live answers in their order, then the proof that came in later; nobody answers a gate."""
    live = (*session.walk, *session.proofs)
    return ((session.graph.steps[v.step], v) for v in live if not v.gate)


def results_of(visit: Visit) -> tuple[CheckResult, ...]:
    return tuple(CheckResult.from_json(r) for r in visit.results or ())


def last_results(session: ReadOnlySession) -> list[tuple[Step, Visit, CheckResult]]:
    """What was judged the last time each step was answered, in the order of the walk."""
    last = {v.step: (s, v) for s, v in answers(session)}
    return [(s, v, r) for s, v in last.values() for r in results_of(v)]


def mark_of(step: Step, visit: Visit) -> Mark:
    """What an answer counts for. What is not required is only noted, but a fail measured by a
    recording is always said."""
    if visit.outcome.label == STOP:
        return Mark.STOP
    counts = step.counts(visit.outcome)
    if step.required or (step.kind == "record" and counts is Verdict.FAIL):
        return OF_VERDICT[counts]
    return Mark.NOTED


def said(session: ReadOnlySession, source: Source) -> tuple[str, str]:
    """(complaint, cause) in the words they were told in; "" where nobody was asked.

    They are the free questions called so, in whatever part; else the first and the second.
    """
    free = [
        s.name for s in session.graph.steps.values() if s.kind == "ask" and s.detail.get("text")
    ]
    by_name = {name.rsplit("/", 1)[-1]: name for name in reversed(free)}
    left = [n for n in free if n not in (by_name.get("complaint"), by_name.get("cause"))]
    found = []
    for name in ("complaint", "cause"):
        step = by_name.get(name) or (left.pop(0) if left else "")
        found.append(_words(session.last(step), source))
    return found[0], found[1]


def _words(visit: Visit | None, source: Source) -> str:
    if visit is None:
        return ""
    for field in ("answer", "reason"):
        if field in visit.private:
            words = source.secret(visit.private[field])
            if words == LEFT_OUT:
                return ""
            return words if field == "answer" else f"not said: {words}"
    return ""


def told_and_passed(session: ReadOnlySession, source: Source) -> list[str]:
    """Titles of the required steps that rest on words alone and passed by them."""
    last = {s.name: (s, v) for s, v in answers(session)}
    bad = {s.title for s, v in last.values() if s.counts(v.outcome) is not Verdict.PASS}
    return [title for title in source.told if title not in bad]


def done(session: ReadOnlySession) -> list[str]:
    """What was done to the car after the repair itself, with how often."""
    times: dict[str, int] = {}
    for step, visit in answers(session):
        if REMEDY in step.does and step.counts(visit.outcome) is Verdict.PASS:
            times[step.title] = times.get(step.title, 0) + 1
    return [t if n == 1 else f"{t} ({n} times)" for t, n in times.items()]


def verdict_box(result: CheckResult, source: Source, units: str) -> VerdictBox:
    mark = OF_VERDICT[result.verdict]
    number, limits = source.number(result, units), source.band(result.limits, units)
    rests = []
    if result.probability is not None:
        rests.append(f"probability of conformity {result.probability:.3f}")
    if result.samples > 1:
        rests.append(f"{result.samples} readings")
    if result.windows:
        rests.append(f"{sum(w.seconds for w in result.windows):.0f} s judged")
    rests.append(f"version {result.version} of the check")
    strip = strip_svg(result)
    return VerdictBox(
        mark=mark,
        word=MARK_WORDS[mark],
        check=result.check,
        finding=result.finding,
        number=number,
        limits=limits,
        source=source_words(result.limits_source),
        rests=sentence(", ".join(rests)),
        why=sentence(result.why),
        settle=sentence(result.settle),
        notes=tuple(sentence(n) for n in result.notes),
        strip=strip,
        strip_alt=f"{number}, against {limits}: {MARK_WORDS[mark].lower()}" if strip else "",
    )


def came_of(step: Step, visit: Visit, source: Source) -> str:
    """What came of an answer: a torque that could not be judged is undecided, and what was left out
    is called so."""
    if visit.outcome.label == CANNOT:
        if results_of(visit):
            return Verdict.UNDECIDED.value
        if "reason" in visit.private and _left_out(source.secret(visit.private["reason"])):
            return "left out"
    return source.outcome(step, visit.outcome)


def _left_out(reason: str) -> bool:
    return reason.startswith("left out:")


def why_open(session: ReadOnlySession, step: Step, source: Source) -> str:
    """Why a required step has not passed, in a few words."""
    visit = session.last(step.name)
    if visit is None:
        return "not reached"
    # A torque that could not be judged says why itself.
    if visit.outcome.label == CANNOT and not results_of(visit):
        reason = source.secret(visit.private["reason"]) if "reason" in visit.private else ""
        if _left_out(reason):
            return reason
        return "could not be done" + (f": {reason}" if reason else "")
    bad = [r for r in results_of(visit) if r.verdict is not Verdict.PASS]
    if step.kind != "codes" and bad:
        return " ".join(sentence(r.why) for r in bad)
    words = source.outcome(step, visit.outcome)
    if visit.outcome.label in step.passes and not visit.outcome.grade.covers(step.least):
        words += f", but not {GRADES[step.least]}"
    return words


# ---- codes ---------------------------------------------------------------------------------------


def code_readings(session: ReadOnlySession) -> list[tuple[Step, Visit]]:
    return [(s, v) for s, v in answers(session) if s.kind == "codes" and v.values]


def codes_table(session: ReadOnlySession, source: Source) -> Table | None:
    """Every reading with its memories; one that was not read is never "none"."""
    rows = []
    for step, visit in code_readings(session):
        reading = CodeReading.from_json(visit.values)
        again = f", attempt {visit.attempt}" if visit.attempt > 1 else ""
        memories = [
            "not read" if codes is None else ", ".join(codes) or "none"
            for codes in (reading.stored, reading.pending, reading.permanent)
        ]
        modules = ", ".join(reading.modules or ()) or "none named"
        rows.append((step.title + again, *memories, modules))
    if not rows:
        return None
    heads = ("Read", "Stored", "Pending", "Permanent", "Modules")
    return Table(heads, tuple(rows), (2.4, 1.3, 1.1, 1.1, 1.0))


def torque_table(session: ReadOnlySession, source: Source) -> Table | None:
    rows = []
    for step, visit in answers(session):
        if step.kind != "fasten" or not visit.values:
            continue
        values = visit.values
        results = results_of(visit)
        limits = source.band(results[0].limits, session.units) if results else ""
        order = {True: "kept", False: "NOT kept", None: "not said"}[values.get("order")]
        verdict = MARK_WORDS[OF_VERDICT[results[0].verdict]] if results else "not judged"
        set_to = f"{values['text']} {values['unit']}"
        rows.append((step.title, set_to, limits or "no figure", order,
                     values.get("wrench") or "not said", verdict))  # fmt: skip
    if not rows:
        return None
    heads = ("Fasteners", "Set to", "Wanted", "Order", "Wrench to", "Verdict")
    return Table(heads, tuple(rows), (2.0, 1.0, 1.4, 0.8, 1.0, 1.1))


# ---- numbers, people, seal -----------------------------------------------------------------------


def numbers_table(session: ReadOnlySession, source: Source) -> Table | None:
    rows = []
    for name, spec in session.specs.items():
        figure = with_unit(spec.text, spec.unit) if spec.text else "not found"
        document = source.shown(spec.detail) or "none named"
        entered = f"{source.when(spec.time)}, {source.person(spec.person)}"
        if spec.reused:
            entered += ", from another car of this model"
        if spec.insisted:
            entered += "; not usual, and insisted on"
        rows.append((session.graph.specs[name].title, figure, spec.source, document, entered))
    if not rows:
        return None
    heads = ("Number of this car", "Figure", "Source", "Document", "Entered")
    return Table(heads, tuple(rows), (1.8, 0.8, 1.2, 1.2, 2.0))


def people_table(session: ReadOnlySession, source: Source) -> Table:
    who: dict[str, list[str]] = {}
    for entry in session.history:
        who.setdefault(entry.person, []).append(entry.time)
    rows = tuple(
        (
            source.person(name),
            f"{len(times)} {'entry' if len(times) == 1 else 'entries'}",
            f"{source.when(times[0])} to {source.when(times[-1])}",
        )
        for name, times in who.items()
    )
    return Table(("Person", "Wrote", "From and to"), rows, (1.6, 1.0, 2.4))


def second_person(session: ReadOnlySession, source: Source) -> Sign:
    """Whoever signed off the work of others; that nobody did, where that is so."""
    from verify.job.signoff import points
    from verify.job.signoff_point import answered

    decided = session.signed_off
    if decided is None:
        return Sign(False, NOBODY, (ALONE,))
    looks = {None: (), True: ("Took a look of their own at the car.",), False: (NO_LOOK,)}
    held = next((why for s, *why in source.signed if s.over == decided.seq), None)
    signed = "Not signed with a key." if held is None else "Signed with a key"
    if held is not None:
        broken, doubt = held
        signed += f"; THE SIGNATURE DOES NOT HOLD: {broken}." if broken else ""
        signed += f", but {doubt}." if doubt and not broken else "" if broken else "; it holds."
    who = f"{source.person(decided.person)}, {source.when(decided.time)}, entry {decided.seq}"
    found = points(session, source.elsewhere) if decided.answers else ()
    given = [
        f"Accepted: {source.shown(words)} Because: “{source.secret(reason)}”"
        for words, reason in answered(decided, found)
    ]
    title = "A second person signed it off"
    return Sign(True, title, (who, *looks[decided.looked], *given, signed))


def sent_back(session: ReadOnlySession, source: Source) -> tuple[Point, ...]:
    """What signers sent back, and why."""
    found = []
    for s in session.sign_offs:
        if s.accepted:
            continue
        step = session.graph.steps[s.step].title if s.step in session.graph.steps else s.step
        reason = sentence(source.secret(s.reason)) if s.reason else ""
        wrong = f" Found wrong: {', '.join(s.wrong)}." if s.wrong else ""
        who = f"{source.person(s.person)}, {source.when(s.time)}, entry {s.seq}."
        found.append(Point(f"Sent back: {step}", f"{reason}{wrong} {who}".strip()))
    return tuple(found)


def signatures_table(session: ReadOnlySession, source: Source) -> Table | None:
    """Every signature, what it covers, and whether it holds."""
    rows, begin = [], 1
    for signature, broken, doubt in source.signed:
        holds = f"DOES NOT HOLD: {broken}" if broken else f"holds, but was {doubt}" if doubt else ""
        covers = f"{begin} to {signature.over}" if begin < signature.over else f"{signature.over}"
        who = f"{source.person(signature.person)}, {signature.role}"
        rows.append((who, covers, source.when(signature.time), f"{signature.kid[:12]}…",
                     holds or "holds"))  # fmt: skip
        begin = signature.seq + 1
    heads = ("Signed by", "Entries", "When", "Key", "Signature")
    return Table(heads, tuple(rows), (2.0, 0.8, 1.6, 1.2, 1.4)) if rows else None


def seal(session: ReadOnlySession, source: Source) -> Seal:
    """The hash of the entry with which the job came to where it stands."""
    import segno

    last = next(e for e in reversed(session.history) if e.kind in _MOVES)
    where = "The ending stands in" if session.ending is not None else "The job stands at"
    after = len(session.history) - last.seq
    words = (
        f"{where} entry {last.seq} of job {session.job}, {source.when(last.time)}"
        + (f"; {after} more after it" if after else "")
        + ". Its hash covers every entry before it: one changed letter there gives another hash. "
        "Times are what this machine's clock said."
    )
    code = segno.make(f"keysback {session.job} {last.seq} {last.digest}", error="m", micro=False)
    svg = code.svg_inline(border=2, scale=1, omitsize=True)
    svg = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    return Seal(
        last.digest, words, svg, f"QR code of job {session.job}, entry {last.seq}, and its hash"
    )


def joined(titles: Iterable[str]) -> tuple[Point, ...]:
    return tuple(Point(sentence(t)) for t in titles)
