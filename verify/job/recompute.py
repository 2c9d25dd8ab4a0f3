"""Every verdict of a job computed anew from what the job file holds (invariant 4). Pure.

    entry with results → evidence as it lies in the file ─import→ recordings ┐
                         numbers as they stood at that entry (a fold up to it) ┴─judge→ compared

What comes out is one of: same (relative 1e-9) · other version, was … now … · differs · bytes
withheld · not recomputable here. Only `differs` is a finding.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Any, BinaryIO

from verify import tables
from verify.car.since_clear import Drive
from verify.car.told_clear import ToldClear
from verify.errors import UserError
from verify.evidence.importers.port import importers, read_recording, tables_used
from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult
from verify.flow.graph import Outcome, Step
from verify.flow.machine import Machine
from verify.job.answers import CodesRead, Fastened, Number
from verify.job.codes_again import codes_read_again, fits, same_drive
from verify.job.codes_judge import SINCE_CLEAR_VERSION
from verify.job.entry import Entry
from verify.job.judge import Judged, judge_answer, judge_recordings, outcome_of
from verify.job.numbers import spec_values
from verify.job.same import Recomputed, compared, same
from verify.job.session import ReadOnlySession, fold
from verify.quantity import SpecValue, parse, with_unit
from verify.words import Grade

_ORDERS = ("order_done", "order_wanted")
# Recordings that are kept open for the next entry that uses them.
KEPT_RECORDINGS = 6
KEPT_READINGS = 10_000_000
# Entries that change neither a number of the car nor what codes were read.
_LEAVES_NUMBERS = frozenset(
    ("note", "signature", "paused", "sitting", "wait-started", "wait-ended", "wait-skipped")
)

# Those that tell by themselves why an outcome is another one.
_OTHERWISE = (Recomputed.OTHER_VERDICT, Recomputed.DIFFERS)

# Opens a piece of evidence by its SHA-256; None where its bytes are withheld.
OpenEvidence = Callable[[str], AbstractContextManager[BinaryIO] | None]
ReadAgain = Callable[[Mapping[str, Any]], Recording | None]


@dataclass(frozen=True, slots=True)
class Told:
    """What a code reading takes from the job around it, found as it was when the answer was taken.
    Handed in by the shell, which takes answers.

    drive: what the recording of the last road test says of the drive, from the session and a way to
        read an entry's recording (None: withheld).
    clear: how long ago codes were cleared, from the session and the time of the reading.
    """

    drive: Callable[[ReadOnlySession, ReadAgain], Drive | None]
    clear: Callable[[ReadOnlySession, str], ToldClear | None]


@dataclass(frozen=True, slots=True)
class Again:
    """One verdict of one entry. text: the rest of the sentence, "" where there is none."""

    seq: int
    step: str
    check: str
    state: Recomputed
    text: str = ""


class _Withheld(Exception):
    """The bytes are not in the file."""


class _NotHere(Exception):
    """Something this machine lacks; the text says what."""


class _Differs(Exception):
    """The evidence itself reads differently; the text completes "differs: "."""


def verdict_entries(entries: Sequence[Entry]) -> Iterator[Entry]:
    """The entries that hold computed verdicts, or say that they rest on a recording."""
    for entry in entries:
        body = entry.body
        # Whatever its kind: those that come later keep verdicts in the same form.
        if isinstance(body.get("outcome"), Mapping) and "step" in body and "from" not in body:
            recorded = body["outcome"].get("grade") == Grade.RECORDED
            if recorded or body.get("results") or body.get("values"):
                yield entry


class Recompute:
    """The verdicts of one job, one entry after the other."""

    def __init__(
        self,
        entries: tuple[Entry, ...],
        machine: Machine,
        open_evidence: OpenEvidence,
        told: Told | None = None,
    ) -> None:
        self._entries, self._machine = entries, machine
        self._open, self._told = open_evidence, told
        self._kept: OrderedDict[str, Recording] = OrderedDict()
        self._judged: dict[str, Judged] = {}
        self._specs: Mapping[str, SpecValue] | None = None
        self._seen = 0
        self._values = {e.seq: e.body["values"] for e in entries if "values" in e.body}

    def all(self) -> Iterator[Again]:
        for entry in verdict_entries(self._entries):
            try:
                yield from self.entry(entry)
            except UserError as error:
                text = f"it cannot be computed: found {error.problems[0].found}"
                yield self._one(entry, "", Recomputed.DIFFERS, text)
            except (KeyError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
                text = f"what it rests on cannot be read ({type(error).__name__})"
                yield self._one(entry, "", Recomputed.DIFFERS, text)

    def _one(self, entry: Entry, check: str, state: Recomputed, text: str = "") -> Again:
        return Again(entry.seq, str(entry.body.get("step", "")), check, state, text)

    def entry(self, entry: Entry) -> Iterator[Again]:
        """The verdicts of one entry."""
        body = entry.body
        step = self._machine.graph.steps[body["step"]]
        stored = list(body.get("results") or ())
        outcome = Outcome.from_json(body["outcome"])
        if step.kind == "record":
            if outcome.grade is not Grade.RECORDED:
                if stored:
                    yield self._one(
                        entry, "", Recomputed.DIFFERS, "verdicts beside an answer in words"
                    )
                return
            try:
                results = [CheckResult.from_json(r) for r in stored]
            except (KeyError, TypeError, ValueError):
                yield self._one(entry, "", Recomputed.DIFFERS, "verdicts that cannot be read")
                return
            if not results or outcome_of(step, results) != outcome:
                text = f"“{outcome.label}” is not what its own verdicts come to"
                yield self._one(entry, "", Recomputed.DIFFERS, text)
                return
        elif step.kind not in ("reading", "fasten", "codes"):
            if stored:
                yield self._one(
                    entry, "", Recomputed.DIFFERS, f"verdicts at a step of kind {step.kind}"
                )
            return
        elif outcome.grade is Grade.TOLD and not stored:
            return  # could not be done, or stopped
        other: list[str] = []
        try:
            judged = self._again(entry, step, other)
        except _Withheld:
            for result in stored:
                text = "not recomputable, hash kept"
                yield self._one(entry, str(result["check"]), Recomputed.WITHHELD, text)
            return
        except _NotHere as lacks:
            for result in stored:
                yield self._one(entry, str(result["check"]), Recomputed.NOT_HERE, str(lacks))
            return
        except _Differs as differs:
            yield self._one(entry, "", Recomputed.DIFFERS, str(differs))
            return
        yield from self._compared(entry, step, stored, outcome, judged, other)

    def _compared(
        self,
        entry: Entry,
        step: Step,
        stored: Sequence[Mapping[str, Any]],
        outcome: Outcome,
        judged: Judged,
        other: list[str],
    ) -> Iterator[Again]:
        now = {r.check: r for r in judged.results}
        was = {str(r["check"]): r for r in stored}
        if now.keys() != was.keys() or len(was) != len(stored):
            text = f"verdicts of {_listed(was)}, where there must be those of {_listed(now)}"
            yield self._one(entry, "", Recomputed.DIFFERS, text)
            return
        states = []
        for check, result in now.items():
            state, text = compared(was[check], result, other)
            states.append(state)
            yield self._one(entry, check, state, text)
        excused = bool(other) or not {Recomputed.OTHER_VERSION, *_OTHERWISE}.isdisjoint(states)
        if judged.outcome != outcome and not excused:
            text = f"“{outcome.label}” was written, and it comes to “{judged.outcome.label}”"
            yield self._one(entry, "", Recomputed.DIFFERS, text)
        elif judged.outcome.label != outcome.label and not set(_OTHERWISE) & set(states):
            text = f"the answer was “{outcome.label}”, now “{judged.outcome.label}”"
            yield self._one(entry, "", Recomputed.OTHER_VERDICT, text)
        elif not now and step.kind in ("reading", "codes"):
            yield self._one(entry, step.kind, Recomputed.SAME)

    # What it rests on

    def _before(self, entry: Entry) -> ReadOnlySession:
        """The job as it stood when this entry was written."""
        return fold(entry.job, self._entries[: entry.seq - 1], self._machine)

    def _specs_at(self, entry: Entry) -> Mapping[str, SpecValue]:
        """The numbers as they stood when this entry was written; entries come in their order.

        A fold for every answer would cost the square of their number: it is gone through again
        only where an entry since then can have changed a number or the freeze frame.
        """
        for e in self._entries[self._seen : entry.seq - 1]:
            step = self._machine.graph.steps.get(str(e.body.get("step", "")))
            answer = e.kind == "outcome" and step is not None and step.kind != "codes"
            if not answer and e.kind not in _LEAVES_NUMBERS:
                self._specs = None
        self._seen = entry.seq - 1
        if self._specs is None:
            self._specs = spec_values(self._before(entry))
        return self._specs

    def _again(self, entry: Entry, step: Step, other: list[str]) -> Judged:
        specs = self._specs_at(entry)
        body = entry.body
        if step.kind == "record":
            items = [i for i in body.get("evidence") or () if i.get("kind") == "recording"]
            if not items:
                raise _Differs("a verdict on a recording, and none is named")
            found = [self._recording(item, other) for item in items]
            held = sorted((n, str(v.quantity), v.source, v.detail) for n, v in specs.items())
            key = repr((step.name, [r.sha256 for r in found], [i["mapping"] for i in items], held))
            if key not in self._judged:
                self._judged[key] = judge_recordings(step, found, specs)
            return self._judged[key]
        values = body.get("values")
        if entry.kind == "rejudged":
            values = self._values.get(body["of"])
        if not values:
            raise _Differs("a verdict on what was typed, and nothing is written down")
        if step.kind == "codes":
            versions = {r["check"]: r["version"] for r in body.get("results") or ()}
            return self._codes(entry, step, values, versions, other)
        typed = with_unit(values["text"], values["unit"])
        if step.kind == "reading":
            return judge_answer(step, Number(typed), specs)
        # The order as it was tightened and as it should be, where both are written down: whether
        # it was kept follows from them.
        orders = {n: " ".join(map(str, values[n])) for n in _ORDERS if n in values}
        fastened = Fastened(typed, values.get("order"), values.get("wrench", ""), **orders)
        return judge_answer(step, fastened, specs)

    def _codes(
        self,
        entry: Entry,
        step: Step,
        values: Mapping[str, Any],
        versions: Mapping[str, Any],
        other: list[str],
    ) -> Judged:
        answer = codes_read_again(values)
        before = self._before(entry)
        if self._told is not None and versions.get("since-clear") == SINCE_CLEAR_VERSION:
            clear = self._told.clear(before, entry.time)
            if not fits(answer.clear, clear):
                raise _Differs("how long ago codes were cleared is not what the entries say")
        if answer.from_recording and self._told is not None:
            answer = self._with_drive(self._told, answer, versions, before, other)
        return judge_answer(step, answer, {})

    def _with_drive(
        self,
        told: Told,
        answer: CodesRead,
        versions: Mapping[str, Any],
        before: ReadOnlySession,
        other: list[str],
    ) -> CodesRead:
        """The answer with the drive as its recording tells it now; as it was written down where
        the bytes are withheld, or were not at hand then."""
        withheld: list[bool] = []

        def read(item: Mapping[str, Any]) -> Recording | None:
            try:
                return self._recording(item, other)
            except _Withheld:
                withheld.append(True)
                return None

        drive = told.drive(before, read)
        blind = told.drive(before, lambda item: None)
        if withheld or any(d is not None and same_drive(d, answer.drive) for d in (drive, blind)):
            return answer
        if drive is None or (not other and versions.get("since-clear") == SINCE_CLEAR_VERSION):
            raise _Differs("the drive is not that of its recording")
        return replace(answer, drive=drive)

    def _recording(self, item: Mapping[str, Any], other: list[str]) -> Recording:
        """The recording of an evidence item, read as it was then.

        other: gets a phrase for each thing that is another version now.
        """
        known = {i.name: i.version for i in importers()}
        name, version = str(item["importer"]), item["importer_version"]
        if not (isinstance(version, int) and version >= 1):
            raise _Differs(f"an importer of version {version}, which never was")
        if known.get(name) != version:
            other.append(f"importer {name} {version}, now {known.get(name, 'unknown')}")
        stored = item.get("tables") or {}
        concerned = dict.fromkeys((*stored, *tables_used(name)))
        other += [f"another table {t}" for t in concerned if stored.get(t) != _table_hash(t)]
        sha256 = str(item["sha256"])
        key = repr((sha256, sorted(item["mapping"].items()), item.get("interval", "")))
        if key in self._kept:
            self._kept.move_to_end(key)
            return self._kept[key]
        opened = self._open(sha256)
        if opened is None:
            raise _Withheld
        interval = item.get("interval", "")
        interval_s = float(parse(interval, expect="s").to("s").value) if interval else None
        try:
            with opened as stream:
                found = read_recording(
                    stream, sha256, mapping=item["mapping"] or None, interval_s=interval_s
                )
        except UserError as error:
            problem = error.problems[0]
            if "is not installed" in problem.found:
                raise _NotHere(f"{problem.next}") from None
            if other:
                raise _NotHere(f"{'; '.join(other)}: it cannot be read any more") from None
            raise _Differs(f"its recording cannot be read (found {problem.found})") from None
        if not other and (differing := _other_recording(item, found)):
            raise _Differs(f"the recording reads differently ({differing})")
        self._kept[key] = found
        while len(self._kept) > 1 and (
            len(self._kept) > KEPT_RECORDINGS
            or sum(len(c.values) for r in self._kept.values() for c in r.channels.values())
            > KEPT_READINGS
        ):
            self._kept.popitem(last=False)
        return found


def _other_recording(item: Mapping[str, Any], found: Recording) -> str:
    """What an evidence item says otherwise than the recording that was read now; "" if nothing."""
    channels = {
        n: {
            "unit": c.unit,
            "samples": len(c.values),
            "interval_s": c.interval_s if c.interval_s == c.interval_s else None,
            "resolution": c.resolution,
            "skew_s": c.skew_s,
        }
        for n, c in found.channels.items()
    }
    now = {
        "sha256": found.sha256,
        "importer": found.importer,
        "mapping": dict(found.mapping),
        "rows": found.rows,
        "seconds": found.seconds,
        "channels": channels,
    }
    return ", ".join(name for name, value in now.items() if not same(item.get(name), value))


def _table_hash(name: str) -> str:
    try:
        return tables.table_hash(name)
    except UserError:
        return ""


def _listed(names: Mapping[str, Any]) -> str:
    return ", ".join(names) or "nothing"
