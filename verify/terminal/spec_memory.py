"""Numbers of one car, offered again for the next of the same model: with where they are from, and
never taken silently.

They lie in the store's settings, by model and flow, as two flows may mean different fasteners by
the same name. Only what a document or a standard gives is remembered, and nothing of rehearsals.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

from verify.errors import UserError
from verify.evidence.usual import unusual
from verify.job.session import ReadOnlySession
from verify.quantity import parse, with_unit

WORTH_REMEMBERING = ("service information", "standard")


@dataclass(frozen=True, slots=True)
class Remembered:
    """A spec as it was typed, with when, by whom (an opaque id) and in which job."""

    text: str
    unit: str
    source: str
    detail: str
    time: str
    person: str
    job: str

    def usual(self, name: str) -> bool:
        """Whether it is a usual number for this spec: another one is never offered."""
        bare = self.unit == "1"
        return unusual(name, parse(self.text if bare else f"{self.text} {self.unit}")) is None

    @property
    def origin(self) -> dict[str, str]:
        return {"time": self.time, "person": self.person, "job": self.job}


def remembered(journal: Any, session: ReadOnlySession, name: str) -> Remembered | None:
    """What was entered for this spec of this flow on another car of the model, if it still fits."""
    if not _counts(session):
        return None
    known = _all(journal, session).get(name)
    if known is None:
        return None
    try:
        found = Remembered(**known)
        parse(with_unit(found.text, found.unit), expect=session.graph.specs[name].unit)
    except (TypeError, UserError):
        return None
    return found


def remember(journal: Any, session: ReadOnlySession, name: str) -> None:
    """Keeps a spec of this job for the next car of the model."""
    spec = session.specs[name]
    if not _counts(session) or not spec.text or spec.source not in WORTH_REMEMBERING or spec.reused:
        return
    new = Remembered(
        spec.text, spec.unit, spec.source, spec.detail, spec.time, spec.person, session.job
    )
    journal.put_setting(_key(session), json.dumps(_all(journal, session) | {name: asdict(new)}))


def _counts(session: ReadOnlySession) -> bool:
    return bool(session.model) and not session.scripted and not session.demo


def _all(journal: Any, session: ReadOnlySession) -> dict[str, Any]:
    try:
        found = json.loads(journal.setting(_key(session)) or "{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _key(session: ReadOnlySession) -> str:
    return f"specs of {session.flow} for {' '.join(session.model.casefold().split())}"
