"""ASAM MDF 4 measurement files as recordings, read by asammdf (the extra `mdf`).

Two things may stand in such a file: frames of a bus, whose standard diagnostic answers are read as
in any other bus log, and signals with a name, a unit and times of their own. Both become signals of
one recording; where both know a quantity, what the control unit answered is taken.

The library gets a copy of the bytes in memory, in a process of its own (`mdf_child`). So a file
that its logger never finished, which it puts right before reading, stays on disk as it was, and one
that brings the library down does not bring down more.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib.util import find_spec
from typing import Any, BinaryIO

import numpy as np

from verify.errors import UserError
from verify.evidence.channels import Proposal, is_position, layout_key, recognise
from verify.evidence.genuine import Array, Rows
from verify.evidence.importers.can_answers import Answers, answers_of
from verify.evidence.importers.can_frames import EXTENDED, MOST_FRAMES, Bytes, Frames, joined
from verify.evidence.importers.can_import import told_interval
from verify.evidence.importers.events import Events, events_to_recording
from verify.evidence.importers.mdf_blocks import why_not_walked
from verify.evidence.importers.mdf_child import apart
from verify.evidence.importers.port import MOST_COLUMNS, Layout, missing_extra, refusal
from verify.evidence.importers.table import named_apart
from verify.evidence.importers.table_columns import Draft, Use, check_headers, decide
from verify.evidence.recording import Recording

NAME = "mdf"
VERSION = 3
MOST_MDF_BYTES = 512 * 1024**2  # the library holds the file, and what it unpacks, in memory
_FRAME = "CAN_DataFrame"
_BUS_EVENT = 2 | 4  # flags of a channel group that holds events of a bus
_MASTERS = (2, 3)
_TIME = 1
_NEVER_FINISHED = "the logger never finished this file: it was read as far as it goes"


class MdfImporter:
    """Measurement files in ASAM MDF, version 4."""

    name = NAME
    version = VERSION

    def accepts(self, head: bytes) -> bool:
        return head.startswith((b"MDF     ", b"UnFinMF "))

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        found = apart("look", _checked(stream, source_name), source_name, {})
        assert isinstance(found, Layout)
        return found

    def read(
        self,
        stream: BinaryIO,
        source_name: str,
        *,
        mapping: Mapping[str, str] | None = None,
        interval_s: float | None = None,
    ) -> Recording:
        if interval_s is not None:
            raise told_interval(source_name)
        said = {k: v.strip() for k, v in (mapping or {}).items()}
        found = apart("read", _checked(stream, source_name), source_name, said)
        assert isinstance(found, Recording)
        return found


def look_here(raw: bytes, source_name: str) -> Layout:
    """In this process: only `mdf_child` calls it."""
    with _opened(raw, source_name) as found:
        return Layout(layout_key(found.headers), found.proposals, True)


def read_here(raw: bytes, source_name: str, said: Mapping[str, str]) -> Recording:
    """In this process: only `mdf_child` calls it."""
    with _opened(raw, source_name) as found:
        try:
            return _recording(found, source_name, said)
        except UserError as error:
            raise error.within(file=source_name) from None


@dataclass(frozen=True, slots=True)
class _Signal:
    header: str
    group: int
    index: int


@dataclass(slots=True)
class _Contents:
    """What stands in a file: answers on the bus, signals, and what each seems to be."""

    mdf: Any
    sha256: str
    answers: Answers | None
    signals: tuple[_Signal, ...]
    proposals: tuple[Proposal, ...]
    repairs: list[str] = field(default_factory=list)

    @property
    def headers(self) -> tuple[str, ...]:
        return tuple(p.header for p in self.proposals)


def _checked(stream: BinaryIO, source_name: str) -> bytes:
    """The bytes of a file whose blocks can be walked. Raises UserError otherwise."""
    if find_spec("asammdf") is None:
        raise missing_extra("mdf", "a measurement file in MDF format", source_name)
    raw = stream.read(MOST_MDF_BYTES + 1)
    if len(raw) > MOST_MDF_BYTES:
        raise refusal(
            "an MDF file of more than 512 MB",
            source_name,
            expected="at most 512 MB",
            next="cut the recording into parts, or export fewer channels",
        )
    why = why_not_walked(raw)
    if why:
        advice = "export the recording again" + (" as MDF 4" if "version" in why else "")
        raise refusal(f"an MDF file that {why}", source_name, next=advice)
    return raw


@contextmanager
def _opened(raw: bytes, source_name: str) -> Iterator[_Contents]:
    """What the file holds, open until all of it was read. Raises UserError where it cannot be."""
    from asammdf import MDF

    try:
        with np.errstate(all="ignore"), MDF(io.BytesIO(raw)) as mdf:
            yield _contents(mdf, hashlib.sha256(raw).hexdigest(), raw, source_name)
    except UserError:
        raise
    except Exception:  # the library raises whatever its parts do
        raise refusal(
            "an MDF file that is damaged", source_name, next="export the recording again"
        ) from None


def _contents(mdf: Any, sha256: str, raw: bytes, source_name: str) -> _Contents:
    repairs = [_NEVER_FINISHED] if raw.startswith(b"UnFinMF ") else []
    frames: list[Frames] = []
    names: list[str] = []
    units: list[str] = []
    places: list[tuple[int, int]] = []
    for number, group in enumerate(mdf.groups):
        if group.channel_group.cycles_nr == 0:
            continue
        if group.channel_group.flags & _BUS_EVENT:
            if any(c.name == _FRAME for c in group.channels):
                frames.append(_frames(mdf, number, group))
        elif any(c.channel_type in _MASTERS and c.sync_type == _TIME for c in group.channels):
            for index, channel in enumerate(group.channels):
                if channel.channel_type not in _MASTERS:
                    names.append(channel.name)
                    units.append(channel.unit or _unit_of(channel))
                    places.append((number, index))
    if len(names) > MOST_COLUMNS or sum(map(len, frames)) > MOST_FRAMES:
        raise refusal(
            f"{len(names)} signals" if len(names) > MOST_COLUMNS else "too many frames",
            source_name,
            expected=f"at most {MOST_COLUMNS} signals and {MOST_FRAMES} frames",
            next="export only the channels that are needed",
        )
    answers = answers_of(_in_order(frames)) if frames else None
    headers, doubled = named_apart(names, repairs)
    taken = {p.channel for p in answers.proposals if p.sure} if answers else set()
    proposals = list(answers.proposals) if answers else []
    for p in recognise(headers, units):
        if p.header in doubled:
            p = replace(p, sure=False, why="the name stands there twice")
        elif p.sure and p.channel in taken:
            p = replace(p, sure=False, why="a control unit answers it, too")
        proposals.append(p)
    if not proposals:
        raise refusal(
            "a measurement file without signals, and without answers to the standard questions "
            "(service 01) on the bus" if frames else "a measurement file without signals",
            source_name,
            expected="named signals with times, or answers on the identifiers 7E8 to 7EF or "
            "18DAF1xx",
            next="log again while a reader asks for engine speed, vehicle speed and the other "
            "values, or export decoded values",
        )  # fmt: skip
    signals = tuple(
        _Signal(header, *place) for header, place in zip(headers, places, strict=True)
    )  # fmt: skip
    return _Contents(mdf, sha256, answers, signals, tuple(proposals), repairs)


def _unit_of(channel: Any) -> str:
    """The unit may stand at the conversion instead of the channel."""
    return str(getattr(getattr(channel, "conversion", None), "unit", "") or "")


def _frames(mdf: Any, number: int, group: Any) -> Frames:
    """The frames of one channel group that logs a bus (ASAM MDF bus logging, CAN_DataFrame)."""
    place = {c.name: i for i, c in enumerate(group.channels)}

    def of(name: str) -> Any:
        at = place.get(f"{_FRAME}.{name}")
        return None if at is None else mdf.get(group=number, index=at)

    ident, payload = of("ID"), of("DataBytes")
    number_of = np.asarray(ident.samples, dtype=np.int64)
    wide = number_of >= EXTENDED
    number_of = number_of & (EXTENDED - 1)
    extended = of("IDE")
    wide |= (number_of > 0x7FF) if extended is None else np.asarray(extended.samples) != 0
    data = _bytes(payload.samples)
    n = len(data)
    size = np.full(n, data.shape[1], dtype=np.int64)
    for name in ("DataLength", "DLC"):
        said = of(name)
        if said is not None:
            size = np.minimum(size, np.asarray(said.samples, dtype=np.int64))
            break
    bus = of("BusChannel")
    buses = np.zeros(n, dtype=np.int64) if bus is None else np.asarray(bus.samples, np.int64)
    return Frames(
        np.asarray(ident.timestamps, dtype=np.float64),
        np.where(wide, number_of + EXTENDED, number_of),
        np.clip(buses, 0, 0xFFFF),
        size,
        data,
    )


def _bytes(samples: Any) -> Bytes:
    """Payloads as rows of bytes, at least 8 wide, of fixed size in the file or not."""
    if samples.ndim == 1:
        samples = np.ascontiguousarray(samples).view(np.uint8).reshape(len(samples), -1)
    data = np.asarray(samples, dtype=np.uint8)
    return np.pad(data, ((0, 0), (0, max(0, 8 - data.shape[1]))))


def _in_order(parts: list[Frames]) -> Frames:
    """By time where channel groups stand one after the other; one group stays as it is."""
    frames = joined(parts)
    if len(parts) == 1:
        return frames
    order = np.argsort(frames.time_s, kind="stable")
    return Frames(
        frames.time_s[order], frames.ident[order], frames.bus[order], frames.size[order],
        frames.data[order],
    )  # fmt: skip


def _recording(found: _Contents, source_name: str, said: Mapping[str, str]) -> Recording:
    check_headers(said, found.headers)
    answers = found.answers
    draft = Draft(repairs=[*found.repairs, *(answers.repairs if answers else ())])
    uses = decide(found.proposals, said, "", draft)
    if answers:
        draft.unmapped.extend(answers.unknown)
    names: list[str] = list(answers.events.names) if answers else []
    seconds: list[Array] = [answers.events.seconds] if answers else []
    values: list[Array] = [answers.events.values] if answers else []
    codes: list[Rows] = [answers.events.codes] if answers else []
    rows = answers.messages if answers else 0
    for signal in found.signals:
        if signal.header not in uses:
            continue
        read = _series(found, signal, uses, draft)
        if read is None:
            continue
        seconds.append(read[0])
        values.append(read[1])
        codes.append(np.full(len(read[0]), len(names), dtype=np.int64))
        names.append(signal.header)
        rows += len(read[0])
    if not seconds:
        raise refusal(
            "a measurement file in which no signal is known by its name and unit",
            source_name,
            next="say which signal is which in the mapping; there are: "
            + ", ".join(h for h in found.headers[:12] if not is_position(h)),
        )
    order = np.arange(len(seconds[0]))
    if len(seconds) > 1:
        order = np.argsort(np.concatenate(seconds), kind="stable")
    events = Events(
        names,
        np.concatenate(seconds)[order],
        np.concatenate(codes)[order],
        np.concatenate(values)[order],
        steps=answers.events.steps if answers else None,
    )
    return events_to_recording(
        events, uses, draft, source_name=source_name, sha256=found.sha256,
        importer=NAME, version=VERSION, rows=rows,
    )  # fmt: skip


def _series(
    found: _Contents, signal: _Signal, uses: dict[str, Use], draft: Draft
) -> tuple[Array, Array] | None:
    """(times, values) of a signal; None, told, where it has no numbers or no times of its own."""
    read = found.mdf.get(group=signal.group, index=signal.index)
    samples = np.asarray(read.samples)
    why = ""
    if samples.ndim != 1 or samples.dtype.kind not in "fiub":
        why = "text, or several numbers at a time, left out"
    times = np.asarray(read.timestamps, dtype=np.float64)
    if not why and len(times) and (not np.all(np.isfinite(times)) or np.any(np.diff(times) < 0)):
        why = "its times run backwards, left out"
    if not why and len(times) == 0:
        why = "no readings, left out"
    if why:
        uses.pop(signal.header)
        draft.mapping.pop(signal.header, None)
        draft.unmapped.append(signal.header)
        draft.repairs.append(f"{signal.header}: {why}")
        return None
    return times, samples.astype(np.float64)
