"""The path of a job through its flow: each answer, its verdicts with their pictures, in order.

Recordings are read again for their pictures alone; where one is gone, its hash is said.
"""

from __future__ import annotations

from collections.abc import Iterator

from verify.errors import UserError
from verify.flow.graph import Step
from verify.job.session import ReadOnlySession, Visit
from verify.report.document import MARK_WORDS, Block, Figure, Say, Stage
from verify.report.parts import answers, came_of, mark_of, results_of, verdict_box
from verify.report.source import Source
from verify.report.words import GONE, GRADES, sentence
from verify.words import Grade


def path(session: ReadOnlySession, source: Source) -> Iterator[Block]:
    """The live answers one after the other, then those that a correction set aside."""
    later = {v.seq for v in session.proofs}
    for step, visit in answers(session):
        if visit.seq not in later:
            yield _stage(session, source, step, visit)
    if session.aside:
        yield Say("Set aside by a correction; kept, and counted where it failed:", "quiet")
        for aside in session.aside:
            if not aside.visit.gate:
                step = session.graph.steps[aside.visit.step]
                yield _stage(session, source, step, aside.visit, pictures=False)


def proofs(session: ReadOnlySession, source: Source) -> Iterator[Block]:
    """What came in after the keys had gone back."""
    for visit in session.proofs:
        yield _stage(session, source, session.graph.steps[visit.step], visit)


def _stage(
    session: ReadOnlySession, source: Source, step: Step, visit: Visit, *, pictures: bool = True
) -> Stage:
    mark = mark_of(step, visit)
    results = results_of(visit)
    outcome = came_of(step, visit, source)
    typed = visit.values if step.kind in ("reading", "fasten") else None
    if typed:
        outcome = f"{typed['text']} {typed['unit']}"
    elif (results and step.kind == "record") or "answer" in visit.private:
        outcome = ""  # the verdicts below say it with their numbers, or the words told do
    again = f" (attempt {visit.attempt})" if visit.attempt > 1 else ""
    stamp = f"{GRADES[visit.outcome.grade]} · {source.when(visit.time)} · entry {visit.seq}"
    if visit.mode == "afterwards":
        stamp += " · written afterwards"
    figures: tuple[Figure, ...] = ()
    lines = list(_lines(session, source, step, visit))
    # What a step does not rest on and says nothing is told in a line, with what it says.
    own = step.detail.get("checks", ())
    beside = [r for r in results if step.kind == "record" and r.check not in own]
    if silent := [r for r in beside if source.silent(r)]:
        told = "; ".join(f"{r.check} ({r.finding}: {r.why.rstrip('.')})" for r in silent)
        lines.append(f"Not judged, so undecided: {told}.")
    if pictures and step.kind == "record" and visit.evidence:
        figures, gone = _pictures(session, source, visit)
        lines += gone
    return Stage(
        mark=mark,
        word=MARK_WORDS[mark],
        title=step.title + again,
        outcome=sentence(outcome),
        stamp=stamp,
        lines=tuple(lines),
        verdicts=tuple(verdict_box(r, source, session.units) for r in results if r not in silent),
        figures=figures,
    )


def _lines(session: ReadOnlySession, source: Source, step: Step, visit: Visit) -> Iterator[str]:
    for field, words in (("answer", "Said"), ("order", "Order done"), ("reason", "Because")):
        if field in visit.private:
            yield f"{words}: {sentence(source.secret(visit.private[field]))}"
    told = visit.outcome.grade is Grade.TOLD and visit.outcome.label in step.labels
    if told and step.least is not Grade.TOLD and step.required:
        yield "Told only: this step asks for better evidence."
    if step.kind == "codes" and visit.values:
        yield sentence(source.codes(visit.values))
        for changed in source.changes(session, visit):
            yield sentence(changed)
        yield from map(sentence, source.monitors(visit.values))
        if visit.values.get("freeze_frame"):
            yield sentence(source.frame(visit.values["freeze_frame"], session.units))
    for item in visit.evidence or ():
        if item.get("kind") == "recording":
            yield (
                f"Recording {item['sha256'][:16]}…, {item['rows']} rows over "
                f"{item['seconds']:.0f} s, read as {item['importer']}."
            )
            yield from (sentence(repair) for repair in item.get("repairs", ()))
    waits = [w for w in session.skipped_waits if (w.step, w.attempt) == (visit.step, visit.attempt)]
    for wait in waits:
        reason = sentence(source.secret(wait.reason)) if wait.reason else "No reason is kept."
        yield f"Wait of {wait.seconds:.0f} s skipped: {reason}"
    if visit.corrected:
        yield f"Corrected: stands in place of entry {visit.corrected}."
    if visit.rejudged:
        yield f"Judged anew in entry {visit.rejudged}, after a number of the car was corrected."


def _pictures(
    session: ReadOnlySession, source: Source, visit: Visit
) -> tuple[tuple[Figure, ...], list[str]]:
    from verify.report.plot_sound import sound_figures
    from verify.report.plots import figures

    try:
        recordings = source.recordings(visit.evidence)
    except UserError:
        digests = [i["sha256"] for i in visit.evidence if i.get("kind") == "recording"]
        return (), [f"The recording is not at hand: {GONE} ({', '.join(digests)})."]
    prefix = f"e{visit.seq}"
    drawn = figures(recordings, results_of(visit), session.units, prefix)
    return drawn + sound_figures(recordings, source.picture, prefix), []
