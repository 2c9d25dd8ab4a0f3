"""Frames of a bus → readings of service 01: what the control units answered about themselves.

Requests need no reading: an answer repeats what was asked. The length byte alone says how long a
message is; what stands behind it is padding, whatever its value. A message may carry several
parameters one after the other (up to six), and then spreads over several frames.

Whole arrays at a time: `verify.car.frames` reads the few lines that a person pastes and explains
each; here a frame that is missing or out of order costs its message, and that is counted.

Sources: ISO 15765-4:2016, 6.3 (identifiers 7E8 to 7EF, and 18DAF1xx with 29 bits) and
ISO 15765-2:2016, 9.6 (frames), both from memory; SAE J1979 / ISO 15031-5 service 01, by
seeds/parameters.csv.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from verify.car.parameters import Parameter, by_pid, pid_size
from verify.evidence.channels import Proposal
from verify.evidence.genuine import Array, Rows
from verify.evidence.importers.can_frames import EXTENDED, Bytes, Frames
from verify.evidence.importers.events import Events
from verify.values import dataclass

_LOW, _HIGH = 0x7E8, 0x7EF
_LONG = EXTENDED | 0x18DAF100
_ANSWER = 0x41  # service 01, answered
_MOST_PIDS = 6
_MOST_LENGTH = 256  # of a service 01 message: six parameters with the longest data stay far below
_SPEED = 0x0C
_STATUS = 0x03
# What is known by a standard's name, yet counts from another zero than the channel does.
_SIMILAR = {"pedal_relative": "pedal", "throttle_relative": "throttle"}


@dataclass(frozen=True, slots=True, eq=False)
class _Messages:
    """Service 01 messages: number of the sender, payload from its service byte on, length."""

    time_s: Array
    sender: Rows
    payload: Bytes
    size: Rows


@dataclass(frozen=True, slots=True)
class Answers:
    """events: all readings, one signal for each control unit and parameter value, and one without
    name or values for the times of all answers; proposals: what each signal is, in the same order;
    messages: how many answers were read; unknown: control unit and PID of what the table lacks."""

    events: Events
    proposals: tuple[Proposal, ...]
    messages: int
    unknown: tuple[str, ...]
    repairs: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """For each parameter in a message: the message, the PID, and where its data begin."""

    message: Rows
    pid: Rows
    at: Rows


def answers_of(frames: Frames) -> Answers | None:
    """All service 01 answers among the frames, None where there is none."""
    of_engine = (frames.ident >= _LOW) & (frames.ident <= _HIGH)
    long = (frames.ident & ~0xFF) == _LONG
    rows = np.flatnonzero(of_engine | long)
    if len(rows) == 0:
        return None
    # One number for identifier and bus: sorting numbers is ten times faster than sorting pairs.
    keys, sender = np.unique(frames.ident[rows] << 16 | frames.bus[rows], return_inverse=True)
    senders = np.stack((keys >> 16, keys & 0xFFFF))
    repairs: list[str] = []
    messages = _messages(frames, rows, np.asarray(sender, dtype=np.int64), repairs)
    if len(messages.time_s) == 0:
        return None
    found, unknown = _parameters(messages, repairs)
    names = _named(senders)
    return _answers(messages, found, unknown, names, repairs)


def _named(senders: Rows) -> list[str]:
    """ "7E8" for each sender; with its bus where the same identifier is heard on several."""
    idents = [int(i) for i in senders[0]]
    plain = [f"{i & ~EXTENDED:08X}" if i & EXTENDED else f"{i:03X}" for i in idents]
    return [
        f"{name} bus {int(bus)}" if idents.count(ident) > 1 else name
        for name, ident, bus in zip(plain, idents, senders[1], strict=True)
    ]


def _messages(frames: Frames, rows: Rows, sender: Rows, repairs: list[str]) -> _Messages:
    data, size = frames.data[rows], frames.size[rows]
    kind, low = data[:, 0] >> 4, data[:, 0] & 0x0F
    single = (kind == 0) & (low >= 1) & (low <= 7) & (size > 0)
    fast = (kind == 0) & (low == 0) & (size > 8)  # a single frame longer than the classic bus has
    declared = np.where(fast, data[:, 1], low).astype(np.int64)
    start = np.where(fast, 2, 1)
    service = np.where(fast, data[:, 2], data[:, 1])
    alone = (single | fast) & (service == _ANSWER) & (declared >= 3)
    cut = alone & (size - start < declared)
    if np.any(cut):
        repairs.append(f"{int(np.count_nonzero(cut))} answers shorter than they say left out")
    alone &= ~cut
    width = data.shape[1]
    one = np.zeros((int(np.count_nonzero(alone)), width), dtype=np.uint8)
    one[:, : width - 1] = data[alone, 1:]
    two = fast[alone]
    one[two, : width - 2] = data[alone][two][:, 2:]
    many, payload, length = _in_several(data, size, sender, repairs)
    wide = max(width, payload.shape[1])
    both = np.concatenate((
        np.pad(one, ((0, 0), (0, wide - width))),
        np.pad(payload, ((0, 0), (0, wide - payload.shape[1]))),
    ))  # fmt: skip
    at = np.concatenate((np.flatnonzero(alone), many))
    # As in the file: put in the order of time, a clock that starts anew would not be seen any more.
    order = np.argsort(at, kind="stable")
    at = at[order]
    sizes = np.concatenate((declared[alone], length))[order]
    return _Messages(frames.time_s[rows[at]], sender[at], both[order], sizes)


def _in_several(
    data: Bytes, size: Rows, sender: Rows, repairs: list[str]
) -> tuple[Rows, Bytes, Rows]:
    """(rows of the first frames, payloads, lengths) of whole service 01 messages in several frames.

    The frames of one sender that follow the first must carry the numbers 1, 2, 3 … 15, 0 … in
    turn; nothing else of that sender may stand between them, but others may send.
    """
    order = np.argsort(sender, kind="stable")
    order = order[(data[order, 0] >> 4 != 3) & (size[order] > 0)]  # flow control carries nothing
    d, of, n = data[order], sender[order], size[order]
    length = ((d[:, 0] & 0x0F).astype(np.int64) << 8) | d[:, 1]
    begins = (d[:, 0] >> 4 == 1) & (d[:, 2] == _ANSWER) & (n == 8)
    begins &= (length >= 8) & (length <= _MOST_LENGTH)
    first = np.flatnonzero(begins)
    declared = length[first]
    follow = -(-(declared - 6) // 7)
    most = int(np.max(follow, initial=0))
    payload = np.zeros((len(first), 6 + 7 * most), dtype=np.uint8)
    payload[:, :6] = d[first, 2:8]
    whole = np.ones(len(first), dtype=bool)
    for k in range(1, most + 1):
        needed = follow >= k
        at = np.minimum(first + k, len(d) - 1)
        bytes_needed = np.minimum(declared - 6 - 7 * (k - 1), 7)
        fits = (first + k < len(d)) & (of[at] == of[first]) & (d[at, 0] == (0x20 | (k & 0x0F)))
        fits &= n[at] - 1 >= bytes_needed
        whole &= ~needed | fits
        take = needed & fits
        payload[take, 6 + 7 * (k - 1) : 6 + 7 * k] = d[at[take], 1:8]
    lost = int(np.count_nonzero(~whole))
    if lost:
        repairs.append(f"{lost} answers in several frames that are not whole left out")
    return order[first[whole]], payload[whole], declared[whole]


def _parameters(messages: _Messages, repairs: list[str]) -> tuple[_Found, set[tuple[int, int]]]:
    """The parameters in each message, and (sender, PID) of those that the table does not know.

    Behind an unknown PID nothing is read, for its length is not known.
    """
    sizes = np.full(256, -1, dtype=np.int64)
    for known in by_pid():
        sizes[known] = pid_size(known) or -1
    n = len(messages.size)
    at = np.ones(n, dtype=np.int64)
    going = np.arange(n)
    parts: list[tuple[Rows, Rows, Rows]] = []
    unknown: set[tuple[int, int]] = set()
    short = 0
    for _ in range(_MOST_PIDS):
        going = going[at[going] < messages.size[going]]
        if len(going) == 0:
            break
        pid: Rows = messages.payload[going, at[going]].astype(np.int64)
        size: Rows = sizes[pid]
        pairs = np.unique(messages.sender[going[size < 0]] << 8 | pid[size < 0])
        unknown.update((int(pair) >> 8, int(pair) & 0xFF) for pair in pairs)
        fits = (size >= 0) & (at[going] + 1 + size <= messages.size[going])
        short += int(np.count_nonzero((size >= 0) & ~fits))
        going, pid, size = going[fits], pid[fits], size[fits]
        parts.append((going, pid, at[going] + 1))
        at[going] += 1 + size
    if short:
        repairs.append(f"{short} answers with fewer bytes than the parameter has left out")
    return _Found(
        np.concatenate([p[0] for p in parts]),
        np.concatenate([p[1] for p in parts]),
        np.concatenate([p[2] for p in parts]),
    ), unknown


def _answers(
    messages: _Messages,
    found: _Found,
    unknown: set[tuple[int, int]],
    senders: Sequence[str],
    repairs: list[str],
) -> Answers:
    who = messages.sender[found.message]
    seen = {(int(key) >> 8, int(key) & 0xFF) for key in np.unique(who << 8 | found.pid)}
    engines = sorted(s for s, p in seen if p == _SPEED)
    ranked = sorted({s for s, _ in seen}, key=lambda s: (s not in engines[:1], s))
    names: list[str] = []
    proposals: list[Proposal] = []
    steps: dict[str, float] = {}
    places, codes, values = [], [], []
    taken: set[str] = set()
    for sender in ranked:
        for pid in sorted(p for s, p in seen if s == sender):
            here = (who == sender) & (found.pid == pid)
            for parameter in by_pid()[pid]:
                if not _is_read(parameter):
                    continue
                proposal = _proposal(senders[sender], parameter, taken)
                raw = _raw(parameter, messages.payload, found.message[here], found.at[here])
                steps[proposal.header] = _step(parameter)
                places.append(found.message[here])
                codes.append(np.full(len(raw), len(names), dtype=np.int64))
                values.append(_value(parameter, raw))
                names.append(proposal.header)
                proposals.append(proposal)
    # Every answer tells that the car was being asked, whatever it was about: a signal without name.
    places.append(np.arange(len(messages.time_s)))
    codes.append(np.full(len(messages.time_s), len(names), dtype=np.int64))
    values.append(np.full(len(messages.time_s), np.nan))
    names.append("")
    place = np.concatenate(places)
    order = np.argsort(place, kind="stable")
    events = Events(
        names,
        messages.time_s[place[order]],
        np.concatenate(codes)[order],
        np.concatenate(values)[order],
        steps=steps,
    )
    left = tuple(f"{senders[s]} {p:02X}" for s, p in sorted(unknown))
    return Answers(events, tuple(proposals), len(messages.time_s), left, tuple(repairs))


def _is_read(parameter: Parameter) -> bool:
    return parameter.kind == "number" or (parameter.pid == _STATUS and parameter.at == 0)


def _proposal(sender: str, parameter: Parameter, taken: set[str]) -> Proposal:
    header = f"{sender} {parameter.pid:02X} {parameter.name}"
    channel, unit = parameter.channel, parameter.unit
    if parameter.pid == _STATUS:
        channel, unit = "fuel_status", "1"
    if channel in taken:
        return Proposal(header, channel, unit, False, "another control unit answers it, too")
    if channel:
        taken.add(channel)
        return Proposal(header, channel, unit, True)
    similar = _SIMILAR.get(parameter.key, "")
    why = "counts from the learned rest, so its zero is another" if similar else "no check reads it"
    return Proposal(header, similar, unit, False, why if similar else "the name is not known")


def _raw(parameter: Parameter, payload: Bytes, message: Rows, at: Rows) -> Rows:
    """Raw numbers, high byte first: as `parameters.bytes_to_raw`, of a column."""
    raw = np.zeros(len(message), dtype=np.int64)
    for i in range(parameter.size):
        raw = raw << 8 | payload[message, at + parameter.at + i]
    if parameter.signed:
        raw -= (raw >> (8 * parameter.size - 1)) << (8 * parameter.size)
    return raw


def _value(parameter: Parameter, raw: Rows) -> Array:
    """As `parameters.raw_to_value`, rounded once: whole numbers over one denominator."""
    if parameter.scale is None:
        return raw.astype(np.float64)
    below = parameter.scale.denominator * parameter.offset.denominator
    scale = parameter.scale.numerator * parameter.offset.denominator
    offset = parameter.offset.numerator * parameter.scale.denominator
    return np.asarray((raw * scale + offset) / below, dtype=np.float64)


def _step(parameter: Parameter) -> float:
    return float(parameter.scale) if parameter.scale is not None else 1.0
