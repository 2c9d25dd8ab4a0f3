"""What a front end lends a report: personal words, files read again, and its words for things.

A report stands above the job and below the front ends, which own the store, the masks and the
vocabulary of the screens. So it is handed what it needs of them, and both say the same.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from verify.evidence.recording import Recording
from verify.evidence.sound.picture import SoundPicture
from verify.evidence.verdict import CheckResult, Limits
from verify.flow.graph import Outcome, Step
from verify.job.session import ReadOnlySession, Signature, Visit
from verify.job.signoff import NOWHERE, Elsewhere


def utc(stamp: str) -> str:
    """A time of an entry as people read it, in UTC whatever machine makes the report."""
    return f"{stamp[:10]} {stamp[11:16]} UTC"


@dataclass(frozen=True, slots=True)
class Source:
    """secret, shown: as those of a desk, masked or not. recordings: the evidence of a visit, read
    again; raises UserError where a file is gone. outcome, number, band, codes, frame, monitors,
    changes: words for an outcome, a result's number, limits, a code reading, its freeze frame, its
    monitors, what became of the codes. silent: whether a result only says that there was nothing
    to judge. advice: what the ending advises. told: steps that rest on words alone. bare: numbers
    without a document, as (title, figure, why). decisions: lines. person: an id with its name, as
    far as known. signed: each signature of the job with why it does not hold, and why nobody
    stands behind it all the same, "" where all is well. elsewhere: what other jobs and files say
    of this one. edition: content of the flow's edition.
    when: how times are shown.
    """

    secret: Callable[[str], str]
    shown: Callable[[str], str]
    recordings: Callable[[Any], Sequence[Recording]]
    outcome: Callable[[Step, Outcome], str]
    number: Callable[[CheckResult, str], str]
    band: Callable[[Limits | None, str], str]
    codes: Callable[[Mapping[str, Any]], str]
    frame: Callable[[Mapping[str, Any], str], str]
    monitors: Callable[[Mapping[str, Any]], Sequence[str]]
    changes: Callable[[ReadOnlySession, Visit], Sequence[str]]
    silent: Callable[[CheckResult], bool]
    advice: str
    told: Sequence[str]
    bare: Sequence[tuple[str, str, str]]
    decisions: Sequence[str]
    edition: bytes = b""
    person: Callable[[str], str] = str
    signed: Sequence[tuple[Signature, str, str]] = ()
    elsewhere: Elsewhere = NOWHERE
    when: Callable[[str], str] = utc
    masked: bool = True
    picture: Callable[[Recording], tuple[SoundPicture, int | None] | None] = lambda _: None
