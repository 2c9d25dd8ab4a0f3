"""Numbers of the car that were changed, and the verdicts that turned with them. Pure.

    entries → one `SpecChange` for each later entry of a number that stood already

A number of the car decides verdicts, so whoever reads the record must see who changed it, from what
to what, why, and what passes only since.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from verify.flow.graph import Outcome
from verify.job.visits import ReadOnlySession
from verify.words import Verdict


@dataclass(frozen=True, slots=True)
class Turned:
    """An answer that was judged anew: of is its entry, seq the entry that judged it."""

    step: str
    of: int
    seq: int
    was: Outcome
    now: Outcome


@dataclass(frozen=True, slots=True)
class SpecChange:
    """was, now: the number with its unit as typed, "" where it was not found. reason: salted
    digest, "" where none was asked for (older entries)."""

    name: str
    was: str
    now: str
    seq: int
    time: str
    person: str
    reason: str
    turned: tuple[Turned, ...]

    def mends(self, session: ReadOnlySession) -> bool:
        """Whether a required step passes only since the number is another one."""
        steps = session.graph.steps
        return any(
            steps[t.step].required
            and steps[t.step].counts(t.was) is not Verdict.PASS
            and steps[t.step].counts(t.now) is Verdict.PASS
            for t in self.turned
        )


def spec_changes(session: ReadOnlySession) -> tuple[SpecChange, ...]:
    """All changes of numbers, in their order."""
    stood: dict[str, str] = {}
    outcomes: dict[int, Outcome] = {}
    found: list[dict[str, Any]] = []
    last: dict[str, dict[str, Any]] = {}
    for entry in session.history:
        body = entry.body
        if entry.kind == "spec":
            name, now = str(body["name"]), _figure(body)
            if name in stood:
                last[name] = {
                    "name": name, "was": stood[name], "now": now, "seq": entry.seq,
                    "time": entry.time, "person": entry.person,
                    "reason": str(body.get("reason", "")), "turned": [],
                }  # fmt: skip
                found.append(last[name])
            stood[name] = now
        elif entry.kind == "rejudged" and body["spec"] in last:
            of, outcome = int(body["of"]), Outcome.from_json(body["outcome"])
            before = outcomes.get(of, outcome)
            turned = Turned(str(body["step"]), of, entry.seq, before, outcome)
            last[str(body["spec"])]["turned"].append(turned)
            outcomes[of] = outcome
        elif "outcome" in body:
            outcomes[entry.seq] = Outcome.from_json(body["outcome"])
            # An answer that is taken up again keeps the entry it was given in.
            if "from" in body:
                outcomes[int(body["from"])] = outcomes[entry.seq]
    return tuple(SpecChange(**{**c, "turned": tuple(c["turned"])}) for c in found)


def _figure(body: Mapping[str, Any]) -> str:
    if not body["text"] or body["unit"] == "1":
        return str(body["text"])
    return f"{body['text']} {body['unit']}"
