"""A job as the text a workshop pastes: complaint, cause, correction, in at most 1,000 characters.

Session → text. It reads no names of one flow's steps but goes by what steps are:

- complaint and cause: the questions answered in free text. A step called `complaint` or `cause`
  (with or without a part's prefix) is that; else the first such question and the second.
- correction: the flow's title, the torque of a `fasten`, then each step that does a `remedy` and
  was done.
- codes before: the first reading of a step of kind `codes`; after: the last one, if another;
  changed: what became of each code until the last one.
- measured: each check put to a recording in which there was something to judge, the first and the
  last time. read: each `reading`, the last time; one in km or mi heads the note.
- without a document: the numbers of the car that are common practice, that were typed without a
  document, or that were not found.
- not tested: every required step that has not passed, with why; what could not be done; waits that
  were skipped; how many required steps rest on somebody's word.

Where it is too long the least important gives way first, marked "…": readings, what was measured
beyond the first, cause, complaint, the numbers without a document (to their count), correction,
then what changed. No number is ever cut in two. The codes, the "not tested" line and the ending are
never cut; where very many steps are open, their names give way to their count.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from verify.car.code_history import Change
from verify.car.codes import CodeReading
from verify.evidence.verdict import CheckResult
from verify.flow.graph import CANNOT, REMEDY, Step
from verify.job.session import ReadOnlySession, Visit
from verify.terminal.account import results_of, without_document
from verify.terminal.code_words import change_lines, history_before
from verify.terminal.desk import Desk
from verify.terminal.endings import told_steps
from verify.terminal.not_judged import not_judged
from verify.terminal.say import typed_value
from verify.words import LEFT_OUT, EndingKind, Verdict

LONGEST = 1000
MORE = "…"
# Room that these always have; with the least of all other lines they stay below LONGEST, which a
# test holds against the longest texts a flow may have.
NOT_TESTED_ROOM, DOCUMENT_ROOM, TITLE_ROOM, TERMS_ROOM = 240, 110, 60, 80
FIGURE_TITLE_ROOM = 24
NOTHING_WRITTEN = "nothing was written down"
NOTHING_OPEN = "nothing that this flow requires"
CODES_NAMED = 2
DISTANCE = ("km", "mi")

ENDINGS: Mapping[EndingKind, str] = {
    EndingKind.HAND_BACK: "keys handed back",
    EndingKind.PROOF_TO_FOLLOW: "keys handed back, proof to follow",
    EndingKind.RELEARN: "relearn first, the keys stay",
    EndingKind.BACK_TO_DIAGNOSIS: "back to diagnosis, the keys stay",
    EndingKind.DO_NOT_DRIVE: "DO NOT DRIVE",
}


@dataclass(slots=True)
class Part:
    """One line of the note. prose: cut at the end of a word; else whole items are left out.

    rank: the lowest gives way first; 0: never. fair, least: characters it keeps in the first round
    of cutting and in the last. count: stands for the items as soon as one would have to go.
    """

    label: str
    items: list[str]
    rank: int = 0
    fair: int = 0
    least: int = 0
    prose: bool = True
    count: str = ""

    @property
    def line(self) -> str:
        text = "; ".join(self.items)
        return f"{self.label}: {text}" if self.label else text

    def fair_length(self) -> int:
        """Characters of the line, were it cut no further than is fair."""
        length = len(self.line)
        return min(length, len(self.label) + 2 + self.fair) if self.rank else length

    def shorten(self, by: int, least: int) -> None:
        """Shorter by so many characters, but no further than `least` or, for items, the mark."""
        room = max(least, len("; ".join(self.items)) - by)
        if self.count:
            if room < len("; ".join(self.items)):
                self.items = [self.count]
            return
        if self.prose:
            self.items = [cut(self.items[0], room)]
            return
        kept = list(self.items)
        while kept and len("; ".join(self.items)) > room:
            kept.pop()
            self.items = [*kept, MORE]


def note_text(desk: Desk, session: ReadOnlySession) -> str:
    """The note of a job, at most LONGEST characters. Reads private texts through the desk."""
    complaint, cause = _told(session)
    not_tested = Part("NOT TESTED", [])
    bare = _bare(session)
    without = Part(
        "WITHOUT A DOCUMENT",
        [_listed(bare, DOCUMENT_ROOM)] if bare else [],
        rank=5,
        fair=LONGEST,
        count=f"{len(bare)} number{'' if len(bare) == 1 else 's'}",
    )
    parts = [
        Part("", [_head(session)]),
        Part("COMPLAINT", [_said(desk, complaint)], rank=4, fair=160, least=30),
        Part("CAUSE", [_said(desk, cause)], rank=3, fair=100, least=15),
        Part("CORRECTION", [_correction(session)], rank=6, fair=120, least=20),
        Part("CODES", [_codes(session)]),
        Part("CODES CHANGED", [*_codes_changed(session)], rank=6, fair=100, prose=False),
        Part("MEASURED", [*_measured(session)], rank=2, fair=170, least=80, prose=False),
        Part("READ", [*_read(session)], rank=1, prose=False),
        without,
        not_tested,
        Part("RESULT", [_result(session)]),
    ]
    parts = [p for p in parts if p.items or p is not_tested]
    room = LONGEST - sum(p.fair_length() + 1 for p in parts)
    opened = _open(session)
    not_tested.items = [_listed(opened, max(NOT_TESTED_ROOM, room)) if opened else NOTHING_OPEN]
    if bare:
        room = LONGEST + 1 - sum(p.fair_length() + 1 for p in parts) + len(without.items[0])
        without.items = [_listed(bare, max(DOCUMENT_ROOM, room))]
    for fair in (True, False):
        for part in sorted((p for p in parts if p.rank), key=lambda p: p.rank):
            over = sum(len(p.line) + 1 for p in parts) - 1 - LONGEST
            if over > 0:
                part.shorten(over, part.fair if fair else part.least)
    # A line that would say no more than that it was cut says nothing.
    return "\n".join(p.line for p in parts if p.items != [MORE])


def cut(text: str, room: int) -> str:
    """At most `room` characters (at least the mark), at the end of a word. Only a first word that
    is too long by itself is broken."""
    if len(text) <= room:
        return text
    room = max(0, room - len(MORE))
    kept = text[:room]
    # A mark at the end of a word is followed by a blank; that within a number is not.
    ends = text[room:].lstrip(",;:.")[:1].isspace()
    if not ends and " " in kept.lstrip():
        kept = kept[: kept.rfind(" ")]
    return kept.rstrip(" ,;:.") + MORE


def _plain(text: str) -> str:
    """One line, nothing in it that a paste could trip over."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


# ---- what was said -----------------------------------------------------------------------------


def _answers(session: ReadOnlySession) -> Iterator[tuple[Step, Visit]]:
    steps = session.graph.steps
    return ((steps[v.step], v) for v in (*session.walk, *session.proofs) if not v.gate)


def _told(session: ReadOnlySession) -> tuple[Visit | None, Visit | None]:
    """The visits with the complaint and the cause."""
    steps = session.graph.steps.values()
    free = [s.name for s in steps if s.kind == "ask" and s.detail.get("text")]
    named = {name.rsplit("/", 1)[-1]: name for name in reversed(free)}
    rest = [n for n in free if n not in (named.get("complaint"), named.get("cause"))]
    complaint = named.get("complaint") or (rest.pop(0) if rest else "")
    cause = named.get("cause") or (rest.pop(0) if rest else "")
    return session.last(complaint), session.last(cause)


def _said(desk: Desk, visit: Visit | None) -> str:
    if visit is None:
        return "not asked"
    if "answer" in visit.private:
        return _plain(desk.secret(visit.private["answer"])) or "nothing"
    if "reason" in visit.private:
        why = desk.secret(visit.private["reason"])
        return NOTHING_WRITTEN if why == LEFT_OUT else _plain("not said: " + why)
    return "not said"


def _head(session: ReadOnlySession) -> str:
    head = f"Job {session.job}, {session.opened[:10]}"
    if any(v.mode == "afterwards" for v in session.walk if not v.gate):
        head += ", written afterwards"
    for step, visit in _answers(session):
        if step.kind == "reading" and step.detail["unit"] in DISTANCE and visit.values:
            return f"{head}, {typed_value(visit.values)}"
    return head


# ---- what was done -----------------------------------------------------------------------------


def _correction(session: ReadOnlySession) -> str:
    """The flow's title says the repair; then what was done to the car since, with how often."""
    done: dict[str, int] = {}
    torque = ""
    for step, visit in _answers(session):
        if step.kind == "fasten" and visit.values:
            torque = f"Fastened to {typed_value(visit.values)}."
        if REMEDY in step.does and step.counts(visit.outcome) is Verdict.PASS:
            done[step.title] = done.get(step.title, 0) + 1
    more = "; ".join(t if n == 1 else f"{t} ({n} times)" for t, n in done.items())
    return _plain(f"{session.graph.title}. {torque} {'Then: ' + more + '.' if more else ''}")


# ---- codes and numbers -------------------------------------------------------------------------


def _codes(session: ReadOnlySession) -> str:
    readings = [
        CodeReading.from_json(visit.values)
        for step, visit in _answers(session)
        if step.kind == "codes" and visit.values
    ]
    if not readings:
        return "not read"
    before = f"before: {_memories(readings[0])}"
    if len(readings) == 1:
        return f"{before}; not read again"
    return f"{before}; after: {_memories(readings[-1])}"


def _codes_changed(session: ReadOnlySession) -> list[str]:
    """What became of the codes at the last reading, the gravest news first."""
    history = history_before(replace(session, walk=(*session.walk, *session.proofs)))
    lines = change_lines(history[:-1], history[-1].reading) if len(history) > 1 else []
    return [line.replace(Change.PERMANENT_ONLY.value, "permanent only") for line in lines]


def _memories(reading: CodeReading) -> str:
    """Each memory by its name; one that was not read is never "none"."""
    texts = []
    for name in ("stored", "pending", "permanent"):
        codes: Sequence[str] | None = getattr(reading, name)
        if codes is None:
            texts.append(f"{name} not read")
            continue
        more = len(codes) - CODES_NAMED
        texts.append(
            f"{name} {' '.join(codes[:CODES_NAMED]) or 'none'}" + (f" +{more}" if more > 0 else "")
        )
    return ", ".join(texts)


def _measured(session: ReadOnlySession) -> list[str]:
    """Each check of a recording: the first and the last time it was put. What did not pass the
    first or the last time comes first."""
    found: dict[str, list[CheckResult]] = {}
    for step, visit in _answers(session):
        if step.kind == "record":
            for result in results_of(visit):
                if not_judged(result):
                    continue  # it measured nothing
                found.setdefault(result.check, []).append(result)
    worst: list[tuple[bool, str]] = []
    for check, results in found.items():
        ends = [results[0]] if len(results) == 1 else [results[0], results[-1]]
        calm = all(r.verdict is Verdict.PASS for r in ends)
        worst.append((calm, f"{check} {' → '.join(_one(r, session.units) for r in ends)}"))
    return [text for _, text in sorted(worst, key=lambda w: w[0])]


def _one(result: CheckResult, units: str) -> str:
    from verify.terminal.show_verdict import measured

    number = "" if result.unit == "1" else measured(result, units).removesuffix(" (k = 2)")
    finding = "" if result.verdict is Verdict.PASS else f" ({result.finding})"
    return f"{number} {result.verdict.value}{finding}".strip()


def _read(session: ReadOnlySession) -> list[str]:
    last = {
        step.title: typed_value(visit.values)
        for step, visit in _answers(session)
        if step.kind == "reading" and step.detail["unit"] not in DISTANCE and visit.values
    }
    return [_plain(f"{title} {text}") for title, text in last.items()]


def _bare(session: ReadOnlySession) -> list[str]:
    """The numbers that no document stands behind, each under the beginning of its title."""
    return [
        _plain(f"{cut(title, FIGURE_TITLE_ROOM)} {figure} ({why})")
        for title, figure, why in without_document(session)
    ]


# ---- what is open, and how it ended ------------------------------------------------------------


def _open(session: ReadOnlySession) -> list[str]:
    """What is open, with why; what was not reached comes last, under one heading."""
    seen = [s for s in session.open_steps() if session.last(s.name) is not None]
    unseen = [s.title for s in session.open_steps() if session.last(s.name) is None]
    items = [f"{s.title} ({_why_open(session, s)})" for s in seen]
    for name in dict.fromkeys(v.step for _, v in _answers(session)):
        step, visit = session.graph.steps[name], session.last(name)
        if visit is not None and not step.required and visit.outcome.label == CANNOT:
            items.append(f"{step.title} (could not be done)")
    titles = session.graph.steps
    items += [f"{titles[w.step].title} (wait skipped)" for w in session.skipped_waits]
    if told := len(told_steps(session)):
        items.append(f"{told} required {'point was' if told == 1 else 'points were'} told only")
    if unseen:
        items += [f"not reached: {unseen[0]}", *unseen[1:]]
    return [_plain(item) for item in dict.fromkeys(items)]


def _why_open(session: ReadOnlySession, step: Step) -> str:
    visit = session.last(step.name)
    assert visit is not None
    if visit.outcome.label == CANNOT:
        return "could not be done"
    beside = step.detail.get("also", ())
    open_checks = [
        f"{c} {f}"
        for c, v, f in visit.outcome.checks
        if v is Verdict.FAIL or (v is Verdict.UNDECIDED and c not in beside)
    ]
    if open_checks:
        return ", ".join(open_checks)
    return "failed" if step.counts(visit.outcome) is Verdict.FAIL else "open"


def _listed(items: Sequence[str], room: int) -> str:
    """Whole items as far as they fit, then how many more; where none fits, how many there are."""
    kept: list[str] = []
    for place, item in enumerate(items):
        more = f"and {len(items) - place - 1} more"
        tail = [] if place == len(items) - 1 else [more]
        if len("; ".join([*kept, item, *tail])) > room:
            left = len(items) - place
            return "; ".join([*kept, f"and {left} more"]) if kept else f"{left} points"
        kept.append(item)
    return "; ".join(kept)


def _result(session: ReadOnlySession) -> str:
    ending = session.ending
    if ending is None:
        text = f"not finished; next: {cut(session.step().title, TITLE_ROOM)}"
    else:
        text = ENDINGS[ending.kind]
        if session.proven_later:
            text = "keys handed back, all proof came in"
        elif ending.kind is EndingKind.PROOF_TO_FOLLOW:
            text += f" ({_terms(session)})"
        elif not ending.kind.lets_go:
            text += f" ({cut(ending.title, TITLE_ROOM)})"
        if session.closed:
            text += ", closed by hand"
        text += _later(session)
    if session.demo:
        text += ". DEMO, an invented car"
    elif session.scripted:
        text += ". REHEARSAL: the answers came from a file, no real car was let go"
    return _plain(text) + "."


def _later(session: ReadOnlySession) -> str:
    """What came after the ending: failed proof, a comeback, a second person or none."""
    text = ". PROOF FAILED, the car must come back" if session.proof_failed else ""
    text += f". Came back: job {session.comebacks[-1].job}" if session.comebacks else ""
    signed = session.signed_off
    if signed is None:
        return text + ". No second person signed"
    desk = ", at the desk only" if signed.looked is False else ""
    return text + f". Signed off by a second person {signed.time[:10]}{desk}"


def _terms(session: ReadOnlySession) -> str:
    terms = list(dict.fromkeys(s.later[1] for s in session.open_steps() if s.later))
    text = "; ".join(terms)
    if len(text) > TERMS_ROOM and len(terms) > 1:
        return f"{len(terms)} dates: see the list"
    return cut(text, TERMS_ROOM)
