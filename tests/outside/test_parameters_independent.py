"""Parameters and frames against two libraries written elsewhere, used in tests only.

scapy (a general packet library, GPL-2.0): its own table of service 01, of code bytes, and its own
reassembly of ISO 15765-2. can-isotp (a transport library, MIT): sends and receives what we cut and
join.
"""

from __future__ import annotations

import random
from collections import deque
from typing import Any

import isotp
import pytest
from scapy.contrib.automotive.obd.obd import OBD
from scapy.contrib.isotp.isotp_packet import ISOTP
from scapy.layers.can import CAN

from verify.car.answers import code_from_pair
from verify.car.frames import Reassembly, payload_to_frames
from verify.car.parameters import Parameter, by_pid, parameters, raw_to_value, supported

ONE_BYTE = tuple(p for p in parameters() if p.kind == "number" and p.size == 1)
TWO_BYTES = tuple(p for p in parameters() if p.kind == "number" and p.size == 2)
# The library keeps three digits of a step: 0.0000305 for 2/65536, 0.000122 for 8/65536.
COARSE_STEP = 6e-4
# The library cuts mass air flow to one byte of its two (its field has no length of its own).
ONE_BYTE_THERE = {0x10}


def there(pid: int, body: bytes) -> Any:
    """The library's reading of one parameter's bytes."""
    record, *more = OBD(bytes([0x41, pid]) + body).data_records
    assert record.pid == pid
    assert bool(more) == (pid in ONE_BYTE_THERE)
    return record.payload


def number_there(p: Parameter, body: bytes) -> float:
    packet = there(p.pid, body)
    place = [q.at for q in by_pid()[p.pid]].index(p.at)
    return float(packet.getfieldval(packet.fields_desc[place].name))


def body_with(p: Parameter, raw: int) -> bytes:
    size = max(q.at + q.size for q in by_pid()[p.pid])
    data = bytearray(size)
    data[p.at : p.at + p.size] = raw.to_bytes(p.size, "big", signed=p.signed)
    return bytes(data)


@pytest.mark.parametrize("p", ONE_BYTE, ids=lambda p: f"{p.pid:02X}-{p.key}")
def test_every_value_of_every_one_byte_parameter_is_the_library_s(p: Parameter) -> None:
    for raw in range(256):
        # The library rounds to three decimals.
        assert abs(number_there(p, body_with(p, raw)) - raw_to_value(p, raw)) <= 0.000501, raw


@pytest.mark.parametrize("p", TWO_BYTES, ids=lambda p: f"{p.pid:02X}-{p.key}")
def test_values_of_two_byte_parameters_are_the_library_s(p: Parameter) -> None:
    if p.pid in ONE_BYTE_THERE:
        assert number_there(p, b"\x01\x00") == 0.01, "the library has been mended: compare it"
        return
    steps = {p.raw_low, p.raw_high, -1 if p.signed else 1, *range(p.raw_low, p.raw_high, 641)}
    for raw in sorted(steps):
        value = raw_to_value(p, raw)
        coarse = abs(value) * (COARSE_STEP if "ratio" in p.key or "wide" in p.key else 0)
        assert abs(number_there(p, body_with(p, raw)) - value) <= 0.000501 + coarse, raw


def test_all_numbers_of_the_table_were_compared() -> None:
    compared = len(ONE_BYTE) + len(TWO_BYTES)
    assert compared == sum(p.kind == "number" for p in parameters()) >= 90


@pytest.mark.parametrize("base", [0x00, 0x20, 0x40, 0x60])
def test_bitmaps_name_the_same_parameters(base: int) -> None:
    seeded = random.Random(base)
    for _ in range(60):
        bits = seeded.randbytes(4)
        flags = str(there(base, bits).supported_pids)
        theirs = {int(name[3:], 16) for name in flags.split("+") if name}
        assert set(supported(base, bits)) == theirs


def test_fuels_have_the_same_numbers() -> None:
    (ours,) = by_pid()[0x51]
    theirs = there(0x51, b"\x01").fields_desc[0].i2s
    for raw, words in ours.states.items():
        said = theirs[raw].casefold().replace("gasoline", "petrol")
        assert words.casefold().replace("two fuels, on", "bifuel running") == said


def test_fuel_system_states_have_the_same_numbers() -> None:
    """The library calls 00 what the standard calls 01 and has no 01; the others agree."""
    ours = by_pid()[0x03][0].states
    theirs = there(0x03, b"\x02\x00").fields_desc[0].i2s
    shared = {0x02: "ClosedLoop", 0x04: "OpenLoop", 0x08: "OpenLoop", 0x10: "ClosedLoop"}
    for raw, start in shared.items():
        assert theirs[raw].startswith(start)
        assert ours[raw].replace(" ", "").casefold().startswith(start.casefold())
    assert set(ours) - set(theirs) == {0x01}


def test_code_bytes_are_the_library_s() -> None:
    for number in [*range(1, 0x10000, 37), 0x2111, 0x2112, 0xFFFF]:
        pair = number.to_bytes(2, "big")
        (dtc,) = OBD(b"\x43\x01" + pair).dtcs
        letter = dtc.locations[dtc.location][0].replace("N", "U")
        theirs = f"{letter}{dtc.code1}{dtc.code2:X}{dtc.code3:X}{dtc.code4:X}"
        assert code_from_pair(*pair) == theirs


# --- ISO 15765-2 ----------------------------------------------------------------------------------


class Bus:
    """Two ends of the transport library in this process, without threads or clocks of ours.

    What one end sends lies in `sent` until the other is given it.
    """

    def __init__(self, **params: Any) -> None:
        self.inbox: deque[Any] = deque()
        self.sent: list[bytes] = []
        self.errors: list[Exception] = []
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E8, txid=0x7E0)
        self.end = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self.inbox.popleft() if self.inbox else None,
            txfn=lambda message: self.sent.append(bytes(message.data)),
            address=address,
            error_handler=self.errors.append,
            params={"stmin": 0, "blocksize": 0, **params},
        )

    def give(self, frame: bytes) -> None:
        self.inbox.append(isotp.CanMessage(arbitration_id=0x7E8, data=frame))
        self.end.process()

    def send(self, payload: bytes) -> list[bytes]:
        """All frames of a message, the other side's flow control answered at once."""
        self.end.send(payload)
        self.end.process()
        if len(payload) > 7:
            self.give(b"\x30\x00\x00")
        while self.end.transmitting():
            self.end.process()
        return self.sent


LENGTHS = [1, 2, 6, 7, 8, 12, 13, 14, 20, 21, 62, 111, 112, 113, 118, 119, 255, 256, 1000, 4095]


@pytest.mark.parametrize("length", LENGTHS)
def test_the_transport_library_joins_what_we_cut(length: int) -> None:
    payload = random.Random(length).randbytes(length)
    for pad in (None, 0xAA):
        bus = Bus()
        for frame in payload_to_frames(payload, pad=pad):
            bus.give(frame)
        assert bus.errors == []
        assert bytes(bus.end.recv()) == payload


@pytest.mark.parametrize("length", LENGTHS)
def test_we_join_what_the_transport_library_cuts(length: int) -> None:
    payload = random.Random(length).randbytes(length)
    for params in ({}, {"tx_padding": 0x55}, {"tx_padding": 0x00, "tx_data_min_length": 8}):
        frames = Bus(**params).send(payload)
        work = Reassembly("7E8")
        messages = [m for n, f in enumerate(frames, 1) for m in work.add(n, f)]
        assert [(m.payload, m.complete) for m in messages] == [(payload, True)]
        assert work.remarks == []


@pytest.mark.parametrize("length", [80, 200, 1200])
def test_longer_frames_of_the_transport_library_are_joined_too(length: int) -> None:
    payload = random.Random(length).randbytes(length)
    frames = Bus(can_fd=True, tx_data_length=64).send(payload)
    assert max(map(len, frames)) == 64
    work = Reassembly("7E8")
    messages = [m for n, f in enumerate(frames, 1) for m in work.add(n, f)]
    assert [(m.payload, m.complete) for m in messages] == [(payload, True)]


def test_where_the_transport_library_gives_a_message_up_we_do_not_call_it_whole() -> None:
    """Frames lost: both say so. Frames swapped: the library, which listens live, gives up; a log
    can be put in order by the numbers, and is then the message that was sent."""
    payload = bytes(range(1, 41))
    first, *rest = payload_to_frames(payload)
    for lost in range(len(rest)):
        bus, work = Bus(), Reassembly("7E8")
        frames = [first, *rest[:lost], *rest[lost + 1 :]]
        messages = []
        for n, frame in enumerate(frames, 1):
            bus.give(frame)
            messages += work.add(n, frame)
        messages += work.close()
        assert bus.end.recv() is None
        assert [m.complete for m in messages] == [False]
        assert work.remarks


@pytest.mark.parametrize("pad", [None, 0x00, 0xFF])
def test_the_packet_library_joins_what_we_cut(pad: int | None) -> None:
    for length in LENGTHS:
        payload = random.Random(length).randbytes(length)
        frames = [
            CAN(identifier=0x7E8, data=frame) for frame in payload_to_frames(payload, pad=pad)
        ]
        joined = ISOTP.defragment(frames, use_extended_addressing=False)
        assert bytes(joined.data) == payload, length
