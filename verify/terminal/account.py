"""The account of a job: what was done, what it proved, what was corrected. Text and JSON."""

from __future__ import annotations

from typing import Any

from verify.evidence.verdict import CheckResult
from verify.job.session import ReadOnlySession, Visit
from verify.quantity import with_unit
from verify.terminal.clock import local
from verify.terminal.code_words import frame_words, history_before, reading_lines
from verify.terminal.desk import Desk
from verify.terminal.endings import ending_lines, head
from verify.terminal.marks import LEGEND
from verify.terminal.not_judged import not_judged
from verify.terminal.relearn_advice import decision_lines
from verify.terminal.say import codes_words, outcome_words, spec_words, typed_value, visit_line
from verify.terminal.show_verdict import limits_text, measured, sentence, with_quantity
from verify.terminal.signed import signed_json, signed_lines
from verify.terminal.signoff_words import grave_lines, link_lines, sign_off_json, sign_off_lines

MODES = {"as-work": "written down as the work went on", "afterwards": "written down afterwards"}


def results_of(visit: Visit) -> list[CheckResult]:
    return [CheckResult.from_json(r) for r in visit.results or ()]


def account_lines(desk: Desk, session: ReadOnlySession) -> list[str]:
    """The account as lines of text, the verdicts' numbers among them."""
    from verify.job.spec_changes import spec_changes

    lines = [
        f"Job {session.job}: {session.graph.title}",
        *[f"Car: {desk.secret(digest)}" for digest in session.car.values()],
        *([f"Model: {desk.shown(session.model)}"] if session.model else []),
        f"For the {session.audience.value}; opened {local(session.opened)}, "
        f"last written {local(session.updated)}; {modes_words(session)}",
        f"Flow edition {session.edition[:16]}…",
        *erased_lines(session),
        *link_lines(session),
        "",
        *grave_lines(desk, session),
        *ending_lines(session),
        *(["", *sign_off_lines(desk, session)] if session.ending or session.sign_offs else []),
        "",
        LEGEND,
        "",
    ]
    for visit in session.walk:
        if visit.gate:
            continue
        lines += visit_lines(desk, session, visit)
    if session.proofs:
        lines += ["", "Proof that came in after the keys went back:"]
        for visit in session.proofs:
            lines += visit_lines(desk, session, visit)
    lines += aside_lines(session)
    if session.pending is not None:
        lines += ["", f"Next: {session.step().title}"]
    if session.specs:
        lines += ["", "Numbers of this car:"]
        for name in session.specs:
            words = desk.shown(spec_words(session, name)) + taken_over(session, name)
            if session.specs[name].insisted:
                words += ", not usual and insisted on"
            lines.append(f"  {session.graph.specs[name].title}: {words}")
        for change in spec_changes(session):
            title = session.graph.specs[change.name].title
            why = f"“{desk.secret(change.reason)}”" if change.reason else "no reason on the record"
            lines.append(
                f"  {title} changed in entry {change.seq}: {change.was or 'not found'} → "
                f"{change.now or 'not found'} ({why})"
            )
            for t in change.turned:
                step = session.graph.steps[t.step]
                turn = f"{outcome_words(step, t.was)} → {outcome_words(step, t.now)}"
                lines.append(f"    {step.title}: {turn}")
        if without := undocumented(session):
            lines.append(f"  Numbers without a document: {'; '.join(without)}.")
    if session.corrections:
        lines += ["", "Corrections:"]
        for c in session.corrections:
            step = session.graph.steps[c.step]
            lines.append(
                f"  {step.title}: was {outcome_words(step, c.was)}, now "
                f"{outcome_words(step, c.now)} ({desk.secret(c.reason)})"
            )
    if session.skipped_waits:
        lines += ["", "Waits that were skipped:"]
        for wait in session.skipped_waits:
            title = session.graph.steps[wait.step].title
            lines.append(f"  {title}: {wait.seconds:.0f} s ({desk.secret(wait.reason)})")
    if decided := decision_lines(desk, session):
        lines += ["", *decided]
    if session.notes:
        lines += ["", "Notes:"]
        for note in session.notes:
            for digest in note.private.values():
                lines.append(f"  {local(note.time)}: {desk.secret(digest)}")
    return [*lines, "", *signed_lines(desk, session)]


def modes_words(session: ReadOnlySession) -> str:
    """How the answers came onto the record; where some came so and some so, both."""
    modes = dict.fromkeys(v.mode for v in session.walk if not v.gate) or {session.mode: None}
    return ", in part ".join(MODES.get(mode, mode) for mode in modes)


def erased_lines(session: ReadOnlySession) -> list[str]:
    """What was erased on request, and when. The hashes stay, so the rest can still be checked."""
    lines = []
    for e in session.erased:
        parts = [(e.texts, "text"), (e.pictures, "picture"), (len(e.recordings), "recording")]
        what = ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in parts if n)
        lines.append(f"Erased on request {local(e.time)}: {what}. The hashes are kept.")
    return lines


def visit_lines(desk: Desk, session: ReadOnlySession, visit: Visit) -> list[str]:
    step = session.graph.steps[visit.step]
    lines = [visit_line(session, visit, desk.secret)]
    if visit.mode == "afterwards" and session.mode != "afterwards":
        lines.append("    written down afterwards")
    if typed := typed_value(visit.values):
        lines.append(f"    typed: {typed}")
    if step.kind == "codes" and visit.values:
        lines.append(f"    {codes_words(visit.values)}")
        told = reading_lines(history_before(session, visit), visit.values, ())
        lines += [f"    {line}" for line in told]
        if frame := visit.values.get("freeze_frame"):
            lines.append(f"    {frame_words(frame, session.units)}")
    for name, words in (("answer", "said"), ("order", "order done"), ("reason", "because")):
        if name in visit.private:
            lines.append(f"    {words}: {desk.secret(visit.private[name])}")
    needed = step.detail.get("checks", ()) if step.kind == "record" else ()
    for result in results_of(visit):
        if step.kind == "record" and not_judged(result) and result.check not in needed:
            lines.append(f"    {result.check}: not judged. {sentence(result.why)}")
            continue
        lines.append(f"    {result.check}: {result.verdict.value}. {sentence(result.why)}")
        number, band = measured(result, session.units), limits_text(result.limits, session.units)
        if number and band:
            lines.append(f"      {with_quantity(result, number)}, against {band}")
        if result.settle:
            lines.append(f"      What would settle it: {result.settle}")
    return lines


def taken_over(session: ReadOnlySession, name: str) -> str:
    """Where a number was entered for another car of the model and used again here."""
    reused = session.specs[name].reused
    if not reused:
        return ""
    return (
        f", entered {str(reused.get('time', ''))[:10]} by {reused.get('person', '?')} for another "
        "car of this model"
    )


def undocumented(session: ReadOnlySession) -> list[str]:
    """The numbers of this car that no document stands behind, each with why."""
    return [f"{title} ({why})" for title, _, why in without_document(session)]


def without_document(session: ReadOnlySession) -> list[tuple[str, str, str]]:
    """(title, figure with its unit, why) of the numbers that no document stands behind.

    The figure is "" where none was found.
    """
    found = []
    for name, spec in session.specs.items():
        why = "" if spec.detail.strip() else "no document named"
        if not spec.text:
            why = "not found"
        elif spec.source == "common practice":
            why = "common practice"
        if why:
            figure = with_unit(spec.text, spec.unit) if spec.text else ""
            found.append((session.graph.specs[name].title, figure, why))
    return found


def aside_lines(session: ReadOnlySession) -> list[str]:
    if not session.aside:
        return []
    lines = ["", "Set aside by a correction or a signer (kept, and counted where it failed):"]
    lines.extend("  " + visit_line(session, aside.visit) for aside in session.aside)
    return lines


def account_json(desk: Desk, session: ReadOnlySession) -> dict[str, Any]:
    """The same for programs: what the entries hold, and of personal texts only the car's."""
    return {
        "job": session.job,
        "flow": session.flow,
        "edition": session.edition,
        "car": {name: desk.secret(digest) for name, digest in session.car.items()},
        "model": desk.shown(session.model),
        "audience": session.audience.value,
        "mode": session.mode,
        "scripted": session.scripted,
        "demo": session.demo,
        "opened": session.opened,
        "updated": session.updated,
        "head": session.history[-1].digest,
        "at": session.at,
        "ending": session.ending.kind.value if session.ending else None,
        "state": head(session),
        "open": [
            {"step": s.name, "title": s.title, "group": s.group.value if s.group else None}
            for s in session.open_steps()
        ],
        "walk": [
            {
                "step": v.step,
                "attempt": v.attempt,
                "outcome": v.outcome.to_json(),
                "counts": session.graph.steps[v.step].counts(v.outcome).value,
                "required": session.graph.steps[v.step].required,
                "seq": v.seq,
                "time": v.time,
                "values": v.values,
                "results": v.results,
                "evidence": v.evidence,
            }
            for v in session.walk
        ],
        "specs": {
            n: {
                "text": s.text,
                "unit": s.unit,
                "source": s.source,
                "detail": desk.shown(s.detail),
                "entered": s.time,
                "person": s.person,
                "reused": dict(s.reused) or None,
            }
            for n, s in session.specs.items()
        },
        "without_document": undocumented(session),
        "corrections": len(session.corrections),
        "set_aside": len(session.aside),
        "notes": len(session.notes),
        "erased": [
            {
                "time": e.time,
                "person": e.person,
                "texts": e.texts,
                "pictures": e.pictures,
                "recordings": list(e.recordings),
            }
            for e in session.erased
        ],
        "decisions": [
            {
                "about": d.about,
                "choice": d.choice,
                "advised": d.advised,
                "ruled_out": list(d.ruled_out),
                "figures": dict(d.figures),
                "time": d.time,
            }
            for d in session.decisions
        ],
        **sign_off_json(desk, session),
        **signed_json(desk, session),
    }
