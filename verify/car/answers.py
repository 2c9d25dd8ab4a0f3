"""One whole message of the car → what it says: services 41, 42, 43, 44, 47, 49, 4A and 7F.

Stands between `frames` (bytes → messages) and `decode` (text → everything found in it). A service
byte is the request's plus 40 hex. What cannot be read is said as a remark, and the bytes behind it
are not guessed at.

Source of the forms: SAE J1979 / ISO 15031-5, from memory, but for the scalings (`parameters`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from verify.car import parameters
from verify.car.answer import ANSWERS, MEMORIES, PADDING, Answer, Value, answer, beyond, hexed, say
from verify.car.code_text import word_to_code
from verify.car.frames import Message, Remark

# ISO 14229-1 Annex A / ISO 15031-5, from memory: response codes a car may refuse with.
_REFUSALS: Mapping[int, str] = {
    0x10: "refused, without a reason",
    0x11: "this service is not supported",
    0x12: "this part of the service is not supported, or the request has a wrong form",
    0x13: "the request has a wrong length or form",
    0x21: "busy: ask again",
    0x22: "the conditions are not right, or the order of requests",
    0x31: "the request is out of range",
    0x33: "access is locked",
    0x78: "received, the answer comes later",
}
_INFO: Mapping[int, tuple[str, int]] = {
    0x02: ("vehicle identification number", 17),
    0x04: ("calibration identification", 16),
    0x06: ("calibration verification number", 4),
    0x0A: ("name of the control unit", 20),
}
VIN_LENGTH = 17
_LONGEST = 4095  # bytes, the most that ISO 15765-2 carries on a classic CAN bus
_VIN_SIGNS = frozenset("ABCDEFGHJKLMNPRSTUVWXYZ0123456789")


def message_to_answers(message: Message, bus: str, remarks: list[Remark]) -> list[Answer]:
    """What one message says; what could not be read goes to `remarks`. Never raises.

    bus: "can", "older", or "" where nothing tells (then padding cannot be told from data, and
    what two buses would read differently is not read).
    """
    payload = message.payload
    if not payload:
        return []
    if len(payload) > _LONGEST:
        say(message, remarks, f"{len(payload)} bytes: longer than any answer of these services")
        return []
    service = payload[0]
    if service in (0x41, 0x42):
        return _parameters(message, bus, remarks)
    if service in MEMORIES:
        return _codes(message, bus, remarks)
    if service == 0x44:
        beyond(message, payload[1:], remarks)
        return [answer(message, "cleared", "codes cleared", "the car says that it has cleared")]
    if service == 0x49:
        return _identity(message, remarks)
    if service == 0x7F:
        return _refused(message, remarks)
    if service in ANSWERS:
        text = f"service {service - 0x40:02X} is not read here: {hexed(payload)}"
        return [answer(message, "other", f"answer of service {service - 0x40:02X}", text)]
    say(message, remarks, f"begins with {service:02X}, which is no answer of these services")
    return []


# --- services 01 and 02 ---------------------------------------------------------------------------


def _parameters(message: Message, bus: str, remarks: list[Remark]) -> list[Answer]:
    """Parameters one behind the other; a CAN answer may hold up to six."""
    freeze = message.payload[0] == 0x42
    head = 2 if freeze else 1
    rest = message.payload[1:]
    if len(rest) < head:
        say(message, remarks, "cut off: an answer without its parameter")
    answers: list[Answer] = []
    while len(rest) >= head:
        if answers and not _may_go_on(rest, message, bus, head):
            beyond(message, rest, remarks)
            break
        pid, frame = rest[0], rest[1] if freeze else None
        size = parameters.pid_size(pid)
        body, behind = rest[head : head + (size or 0)], rest[head + (size or 0) :]
        if size is None:
            text = f"not in the table: {hexed(behind)}" if behind else "not in the table"
            answers.append(
                answer(message, "other", f"parameter {pid:02X}", text, pid=pid, freeze_frame=frame)
            )
            break
        if len(body) < size:
            name = parameters.by_pid()[pid][0].name
            say(message, remarks, f"{name} ({pid:02X}): {len(body)} of {size} bytes, so not read")
            break
        answers.append(_parameter(message, pid, frame, body))
        rest = behind
    else:
        if rest and answers:
            beyond(message, rest, remarks)
    return answers


def _may_go_on(rest: bytes, message: Message, bus: str, head: int) -> bool:
    """Whether bytes behind a parameter are another parameter, and not filling or an accident."""
    if bus == "older":
        return False
    if message.declared is not None:
        return True
    if len(set(rest)) == 1 and rest[0] in PADDING:
        return False
    while rest:
        size = parameters.pid_size(rest[0])
        if size is None or len(rest) < head + size:
            return False
        rest = rest[head + size :]
    return True


def _parameter(message: Message, pid: int, frame: int | None, body: bytes) -> Answer:
    rows = parameters.by_pid()[pid]
    values = tuple(_value(row, body[row.at : row.at + row.size]) for row in rows)
    kind, title = "parameter", rows[0].name
    text = ", ".join(v.text for v in values)
    more: dict[str, Any] = {}
    if rows[0].kind == "bitmap":
        kind = "supported"
        more["pids"] = parameters.supported(pid, body)
        text = " ".join(f"{p:02X}" for p in more["pids"]) or "none"
    elif rows[0].kind == "status":
        kind = "status"
        text, more["readiness"] = _status(body, cycle=pid == 0x41)
    elif len(rows) > 1:
        text = "; ".join(f"{v.name.rpartition(': ')[2]} {v.text}" for v in values)
        title = title.rpartition(": ")[0] or f"parameter {pid:02X}"
    return answer(
        message,
        kind,
        title,
        text,
        pid=pid,
        freeze_frame=frame,
        values=values,
        complete=True,
        **more,
    )


def _value(row: parameters.Parameter, data: bytes) -> Value:
    raw = parameters.bytes_to_raw(row, data)
    exact = None
    if row.kind == "number":
        exact = parameters.raw_to_value(row, raw)
        text = parameters.value_text(row, exact)
    elif row.kind == "state":
        text = row.states.get(raw, f"{raw:02X}, which is not defined here")
    elif row.kind == "code":
        text = code_from_pair(data[0], data[1]) or "none"
    else:
        text = hexed(data)
    return Value(row.key, row.name, text, raw, row.unit, exact, row.channel, row.sure)


def _status(body: bytes, *, cycle: bool) -> tuple[str, Mapping[str, object]]:
    from verify.car.readiness import State, status_from_bytes

    status = status_from_bytes(*body, cycle=cycle)
    open_ = [status.monitor(name).title for name in status.named(State.NOT_COMPLETE)]
    parts = []
    if status.lamp_commanded is not None:
        parts.append(f"lamp commanded {'on' if status.lamp_commanded else 'off'}")
        count = status.stored_codes
        parts.append(f"{count} stored code{'' if count == 1 else 's'}")
    parts.append(f"{status.ignition.value} ignition")
    parts.append("not complete: " + ", ".join(open_) if open_ else "all supported tests complete")
    return "; ".join((*parts, *status.notes)), status.to_json()


# --- services 03, 07 and 0A -----------------------------------------------------------------------


def code_from_pair(high: int, low: int) -> str | None:
    """The code in two bytes; None for 00 00, which is padding and no code."""
    if high == low == 0:
        return None
    return word_to_code(high << 8 | low)


def codes_fit(data: bytes) -> bool:
    """Whether bytes behind the service are a count and exactly that many codes (the CAN form)."""
    return len(data) % 2 == 1 and data[0] == len(data) // 2


def _codes(message: Message, bus: str, remarks: list[Remark]) -> list[Answer]:
    data = message.payload[1:]
    title = f"{MEMORIES[message.payload[0]]} codes"
    if not data:
        say(message, remarks, f"{title}: cut off behind the service")
        return []
    if bus == "can":
        return [_counted(message, title, data, remarks)]
    if bus == "older":
        if len(data) % 2:
            say(message, remarks, f"{title}: half a code at the end, not read")
        return [_pairs(message, title, data[: len(data) // 2 * 2])]
    if codes_fit(data):
        return [_counted(message, title, data, remarks)]
    filled = data[1 + 2 * data[0] :]
    padded = len(set(filled)) == 1 and filled[0] in PADDING
    if len(data) == 6:
        counted = data[1 : 1 + 2 * data[0]]
        if padded and any(counted):
            other = _pairs(message, title, counted)
            say(
                message,
                remarks,
                f"{title}: read as the three pairs of an older bus; if it came over CAN with its "
                f"padding, it says {other.text}. Paste the line with its length byte to be sure",
            )
        return [_pairs(message, title, data)]
    if len(data) % 2 and padded:
        return [_counted(message, title, data, remarks)]
    say(
        message,
        remarks,
        f"{title}: neither a count with as many codes behind it nor three pairs, so no code is "
        f"read ({hexed(data)})",
    )
    return []


def _counted(message: Message, title: str, data: bytes, remarks: list[Remark]) -> Answer:
    count = data[0]
    there = min(count, (len(data) - 1) // 2)
    found = _pairs(message, title, data[1 : 1 + 2 * there])
    if there < count:
        said = f"{title}: {count} said, {there} there"
        say(message, remarks, f"{said}: the others are not known")
        text = f"{found.text}; {count - there} more not read" if there else f"{count}, not read"
        return answer(message, "codes", title, text, codes=found.codes, complete=False)
    if len(found.codes) < count:
        say(message, remarks, f"{title}: 00 00 is counted as a code, and is none")
    beyond(message, data[1 + 2 * count :], remarks)
    return found


def _pairs(message: Message, title: str, data: bytes) -> Answer:
    found = (code_from_pair(data[i], data[i + 1]) for i in range(0, len(data) - 1, 2))
    codes = tuple(code for code in found if code is not None)
    return answer(message, "codes", title, ", ".join(codes) or "none", codes=codes)


# --- service 09, refusals -------------------------------------------------------------------------


def _identity(message: Message, remarks: list[Remark]) -> list[Answer]:
    """Information that came in one message, as on CAN: the number of items, then the items."""
    payload = message.payload
    if len(payload) < 2:
        say(message, remarks, "cut off: an answer without its information type")
        return []
    kind, data = payload[1], payload[2:]
    if kind % 0x20 == 0 and len(data) in (4, 5):
        pids = parameters.supported(kind, data[-4:])
        text = " ".join(f"{p:02X}" for p in pids) or "none"
        title = "information types supported"
        return [answer(message, "supported", title, text, pid=kind, pids=pids)]
    if kind not in _INFO:
        text = f"not read here: {hexed(data)}"
        return [answer(message, "other", f"vehicle information {kind:02X}", text, pid=kind)]
    title, size = _INFO[kind]
    if not data:
        say(message, remarks, f"{title}: cut off")
        return []
    count, items = data[0], data[1:]
    answers = []
    for i in range(0, min(len(items), max(count, 1) * size), size):
        part = items[i : i + size]
        whole = len(part) == size
        if not whole:
            say(message, remarks, f"{title}: {len(part)} of {size} bytes")
        answers.append(information(message, kind, part, remarks, whole=whole))
    if len(items) > count * size:
        say(message, remarks, f"{title}: {len(items) - count * size} bytes beyond what was said")
    elif not items:
        say(message, remarks, f"{title}: {count} said, none there")
    return answers


def information(
    message: Message, kind: int, data: bytes, remarks: list[Remark], *, whole: bool
) -> Answer:
    """One item of service 09 (VIN, calibration …) as text."""
    title, _ = _INFO.get(kind, (f"vehicle information {kind:02X}", 0))
    if kind == 0x06 or kind not in _INFO:
        return answer(message, "identity", title, data.hex().upper(), pid=kind, complete=whole)
    bare = data.strip(b"\x00")
    text = "".join(chr(b) if 0x20 <= b < 0x7F and b != 0x5C else f"\\x{b:02x}" for b in bare)
    vin = kind == 0x02
    if vin and whole and (len(bare) != VIN_LENGTH or not set(text) <= _VIN_SIGNS):
        wrong = len(bare) if len(bare) != VIN_LENGTH else "signs that no VIN has"
        what = f"{wrong} signs instead of {VIN_LENGTH}" if isinstance(wrong, int) else wrong
        say(message, remarks, f"{title}: {what}")
        whole = False
    elif "\\x" in text:
        say(message, remarks, f"{title}: bytes that are no text, shown as numbers")
    return answer(message, "identity", title, text, pid=kind, vin=vin, complete=whole)


def information_size(kind: int) -> int | None:
    return _INFO[kind][1] if kind in _INFO else None


def _refused(message: Message, remarks: list[Remark]) -> list[Answer]:
    payload = message.payload
    if len(payload) < 3:
        say(message, remarks, "cut off: a refusal without what it refuses, or why")
        return []
    service = payload[1]
    if len(payload) > 3:
        # Before CAN a refusal repeats the request, so where the reason stands is not certain.
        text = f"reason not read ({hexed(payload[2:])})"
    else:
        text = _REFUSALS.get(payload[2], f"reason {payload[2]:02X}, which is not known here")
    return [answer(message, "refused", f"service {service:02X} refused", text)]


def request_words(payload: Sequence[int]) -> str:
    """What a request asks for, in words."""
    rest = " ".join(f"{b:02X}" for b in payload[1:])
    return f"service {payload[0]:02X}" + (f", {rest}" if rest else "")
