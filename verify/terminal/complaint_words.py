"""`--complaint`: how much of what a complaint is counted in a recording holds, and what it proves.

The arithmetic is `evidence/exposure`; here the kilometres, minutes, presses and starts come out of
the recordings, and the answer into words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from rich.console import Group, RenderableType
from rich.text import Text

from verify.errors import UserError
from verify.evidence import spans as sp
from verify.evidence.checks.engine_stops import states
from verify.evidence.driven import distance_km
from verify.evidence.exposure import Basis, Complaint, Proof, exposure, parse_complaint
from verify.evidence.presses import presses
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.evidence.windows import CRANKING_RPM, running
from verify.quantity import float_factors
from verify.terminal.marks import MARKS, STYLES, WORDS
from verify.terminal.show_verdict import labelled, sentence
from verify.words import Verdict

# Below this the engine does not run by itself, as in the check of the engine's stops.
RUNS_RPM = 400.0
PRESSED = frozenset(("presses", "pedal presses", "tip-ins", "releases", "lift-offs", "lifts"))
# Findings of an event that was seen and may have been the fault or not.
UNCLEAR = frozenset(("stop-unclear", "answer-unclear"))
STARTED = frozenset(("starts", "restarts"))
CLEAN = "taken as clean because no check saw an event; if it came on this drive, it is not gone"


@dataclass(frozen=True, slots=True)
class DriveProof:
    """proof: the arithmetic's answer. counted: how much was counted, and how. events: what checks
    saw on this drive, which is then not clean. open: a check saw what may have been it."""

    proof: Proof
    counted: str
    events: tuple[str, ...]
    open: bool = False

    def to_json(self) -> dict[str, Any]:
        return {
            **self.proof.to_json(),
            "counted": self.counted,
            "events": list(self.events),
            "assumes": "" if self.events or self.open else CLEAN,
        }

    def block(self) -> RenderableType:
        """As a check's block: mark and word, what it says, what settles it."""
        verdict = self.proof.verdict
        head = Text()
        head.append(f"{MARKS[verdict]} {WORDS[verdict]}", style=STYLES[verdict])
        head.append("  complaint", style="bold")
        head.append(f'  "{self.proof.complaint.text}"', style="dim")
        lines: list[RenderableType] = [head]
        if self.events:
            lines.append(labelled("", f"This drive was not clean: {'; '.join(self.events)}."))
        else:
            lines.append(labelled("", sentence(self.proof.why)))
        lines.append(labelled("counted", sentence(self.counted)))
        if self.proof.settle and not self.events:
            lines.append(labelled("settles it", sentence(self.proof.settle)))
        if not self.events and not self.open:
            lines.append(labelled("note", sentence(CLEAN), dim=True))
        return Group(*lines)


def complaint_of(text: str) -> Complaint:
    """Raises UserError naming the option."""
    try:
        return parse_complaint(text)
    except UserError as error:
        raise error.within(field="--complaint") from None


def proof_of(
    complaint: Complaint, recordings: Sequence[Recording], results: Sequence[CheckResult]
) -> DriveProof:
    """What these recordings prove against the complaint. results: of the checks put to them; an
    event that one of them saw makes the drive unclean, whatever the event was."""
    clean, counted = counted_of(complaint, recordings)
    seen = 0
    events = []
    for result in results:
        own = _events(result)
        if own:
            seen += own
            events.append(f"{result.check}: {result.why.rstrip('.')}")
    if complaint.basis is Basis.TRIES:
        clean = max(clean, float(seen))
    proof = exposure(complaint, clean, seen=seen)
    doubt = next((r for r in results if _doubtful(r)), None)
    if proof.verdict is Verdict.PASS and doubt is not None:
        why = f"whether this drive was clean is open, by {doubt.check}: {doubt.why.rstrip('.')}"
        settle = doubt.settle or "see to that first, then drive and record again"
        open_ = replace(proof, verdict=Verdict.UNDECIDED, why=f"{why}.", settle=settle)
        return DriveProof(open_, counted, tuple(events), open=True)
    return DriveProof(proof, counted, tuple(events))


def _doubtful(result: CheckResult) -> bool:
    """Whether a check saw what may have been the complaint: a fault, or an event left open."""
    open_event = result.finding in UNCLEAR or result.finding.startswith("sometimes-")
    return result.verdict is Verdict.FAIL or open_event


def _events(result: CheckResult) -> int:
    counts = result.unit == "1" and result.uncertainty is None and result.value is not None
    if result.verdict is not Verdict.FAIL or not counts or "exposure" not in result.details:
        return 0
    return int(result.value or 0)


def counted_of(complaint: Complaint, recordings: Sequence[Recording]) -> tuple[float, str]:
    """(how much of the complaint's unit was surely covered, how that was counted)."""
    match complaint.basis:
        case Basis.DISTANCE:
            return _distance(complaint.unit, recordings)
        case Basis.TIME:
            return _time(complaint.unit, recordings)
        case Basis.CALENDAR:
            return 0.0, "a recording shows no days of the customer's own use; none are counted"
        case Basis.TRIES:
            return _tries(complaint.unit, recordings)


def _distance(unit: str, recordings: Sequence[Recording]) -> tuple[float, str]:
    driven = [d for r in recordings if (d := distance_km(r)) is not None]
    if not driven:
        return 0.0, "vehicle speed was not recorded, so no distance is known"
    scale, _ = float_factors("km", unit)
    low = scale * sum(d[0] for d in driven)
    return low, f"{low:.3g} {unit} surely driven, by vehicle speed; gaps are left out"


def _time(unit: str, recordings: Sequence[Recording]) -> tuple[float, str]:
    found = [running(r) for r in recordings]
    scale, _ = float_factors("s", unit)
    ran = scale * sum(sp.total_s(f.spans) for f in found)
    if ran == 0.0:
        why = next((f.why for f in found if f.why), "engine speed was not recorded")
        return 0.0, f"{why}; no time is counted"
    return ran, f"{ran:.3g} {unit} with the engine seen running; gaps are left out"


def _tries(unit: str, recordings: Sequence[Recording]) -> tuple[float, str]:
    if unit in PRESSED:
        found = [presses(r) for r in recordings]
        number = sum(int(np.sum(p.whole & p.ended)) for p in found if not p.lack)
        if not number:
            why = next((p.why for p in found if p.why), "the pedal was never pressed")
            return 0.0, f"{why}; nothing is counted"
        return float(number), f"{number} times the pedal was pressed and let go again"
    if unit in STARTED:
        number = sum(_starts(r) for r in recordings)
        return float(number), f"{number} engine starts lie in the recording"
    return 0.0, f"a recording does not show {unit}; none are counted"


def _starts(recording: Recording) -> int:
    """Times the engine goes from standing still to running, both seen."""
    engine = recording.channels.get("engine_speed")
    if engine is None or len(engine.values) < 2:
        return 0
    state = states(engine.values >= RUNS_RPM, engine.values < CRANKING_RPM)
    return int(np.sum((state[:-1] == 0) & (state[1:] == 1)))
