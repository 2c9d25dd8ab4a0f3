"""Whether a recording repeats another one: by what it says, whatever its bytes are."""

from __future__ import annotations

import io
import random
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import nasty
from tests.conftest import real_recording
from tests.outside.test_real_judge import ROUND_ROBIN, WIDE, WIDE_MAP
from verify.evidence import likeness
from verify.evidence.importers.port import read_recording
from verify.evidence.likeness import (
    LEAST_BITS,
    LEAST_S,
    SKETCH_LEAST,
    SKETCHED,
    shared_stretch,
    sketch,
)
from verify.evidence.recording import Recording

NAMES = (
    "engine_speed_rpm",
    "vehicle_speed_kmh",
    "coolant_degC",
    "accelerator_pedal_percent",
    "module_voltage_V",
)
Row = tuple[float, ...]


def drive(seed: int, seconds: int = 240) -> list[Row]:
    """An invented drive at 2 Hz, each channel a walk of its own."""
    rng = random.Random(seed)
    speed, pedal, coolant, volts, rows = 0.0, 0.0, 60.0, 14.1, []
    for i in range(2 * seconds):
        if rng.random() < 0.1:
            pedal = rng.choice((0.0, 0.0, 12.0, 25.0, 31.0)) + rng.randint(0, 9)
        speed = max(0.0, speed + pedal / 12 - 0.8 + rng.gauss(0, 0.4))
        coolant = min(90.0, coolant + 0.05)
        volts = round(14.1 + 0.1 * rng.randint(0, 1), 1)
        rpm = 750 + 30 * speed + 8 * pedal + rng.gauss(0, 6)
        rows.append((i / 2, round(rpm), round(speed), round(coolant), round(pedal), volts))
    return rows


def written(
    rows: list[Row],
    *,
    order: tuple[int, ...] = (0, 1, 2, 3, 4),
    end: str = "\n",
    blank: int = 0,
    digits: int | None = None,
    comma: bool = False,
) -> bytes:
    """The rows as a file; blank: an empty line after every so many rows."""

    def number(value: float) -> str:
        text = f"{value:g}" if digits is None else f"{value:.{digits}f}"
        return text.replace(".", ",") if comma else text

    between = ";" if comma else ","
    lines = [between.join(["time_s", *(NAMES[i] for i in order)])]
    for place, row in enumerate(rows, start=1):
        lines.append(between.join([number(row[0]), *(number(row[1 + i]) for i in order)]))
        if blank and place % blank == 0:
            lines.append("")
    return (end.join(lines) + end).encode()


def read(data: bytes) -> Recording:
    return read_recording(io.BytesIO(data), "drive.csv")


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    order=st.permutations(range(5)).map(tuple),
    end=st.sampled_from(["\n", "\r\n"]),
    blank=st.sampled_from([0, 7, 100]),
    digits=st.sampled_from([None, 1, 3]),
    comma=st.booleans(),
    front=st.integers(0, 48),
    back=st.integers(0, 48),
    at=st.integers(0, 380),
)
def test_another_form_of_the_same_drive_is_recognised(
    seed: int,
    order: tuple[int, ...],
    end: str,
    blank: int,
    digits: int | None,
    comma: bool,
    front: int,
    back: int,
    at: int,
) -> None:
    """Columns in another order, other line ends and numbers, up to a tenth cut off at either end,
    one reading changed."""
    rows = drive(seed)
    kept = rows[front : len(rows) - back]
    first = kept[0][0]
    moved = [(row[0] - first, *row[1:]) for row in kept]
    moved[at] = (moved[at][0], moved[at][1] + 3, *moved[at][2:])
    again = written(moved, order=order, end=end, blank=blank, digits=digits, comma=comma)
    stretch = shared_stretch(read(written(rows)), read(again))
    assert stretch is not None
    assert stretch.seconds > 0.8 * (moved[-1][0] - moved[0][0])


@settings(max_examples=25, deadline=None)
@given(seeds=st.tuples(st.integers(0, 10**6), st.integers(0, 10**6)))
def test_two_drives_are_two(seeds: tuple[int, int]) -> None:
    if seeds[0] != seeds[1]:
        one, other = (read(written(drive(seed))) for seed in seeds)
        assert shared_stretch(one, other) is None


def test_a_piece_of_an_old_drive_within_a_new_one_is_found() -> None:
    old, new = drive(1), drive(2)
    piece = [(120 + row[0] - 50, *row[1:]) for row in old[100:220]]
    pieced = [*new[:240], *piece, *((row[0] + 60, *row[1:]) for row in new[240:])]
    stretch = shared_stretch(read(written(old)), read(written(pieced)))
    assert stretch is not None
    assert (stretch.begin_s, stretch.end_s) == pytest.approx((120, 180), abs=3)


def test_rounded_and_in_other_units_it_is_the_same() -> None:
    rows = [(t, rpm, v + 0.3 * (i % 3), *rest) for i, (t, rpm, v, *rest) in enumerate(drive(3))]
    miles = [(t, round(rpm, -1), round(v / 1.609344, 1), *rest) for t, rpm, v, *rest in rows]
    data = written(miles).replace(b"vehicle_speed_kmh", b"vehicle_speed_mph")
    assert shared_stretch(read(written(rows)), read(data)) is not None


def test_files_in_which_hardly_anything_moves_are_never_the_same() -> None:
    """Key on, engine off: two looks at one car may well be alike by chance."""

    def key_on(seed: int) -> Recording:
        rng = random.Random(seed)
        volts = [12.3 + 0.1 * (rng.random() < 0.1) for _ in range(120)]
        return read(written([(i / 2, 0, 0, 24, 0, round(v, 1)) for i, v in enumerate(volts)]))

    for one, other in combinations(range(12), 2):
        assert shared_stretch(key_on(one), key_on(other)) is None


def test_how_much_must_agree() -> None:
    """The least of an agreement that is taken, shown by shortening one: 64 bits over 10 s."""
    rows = drive(5)
    least = next(
        n for n in range(4, 200) if shared_stretch(read(written(rows)), read(written(rows[:n])))
    )
    assert rows[least - 1][0] >= LEAST_S
    assert least < 100


def real(sha256: str) -> Recording:
    how = {"mapping": WIDE_MAP} if sha256 == WIDE else {}
    return read_recording(io.BytesIO(real_recording(sha256).read_bytes()), sha256[:12], **how)  # type: ignore[arg-type]


def part(recording: Recording, begin: float, end: float) -> Recording:
    """Shares of its time, as times from there on."""
    last = max(c.time_s[-1] for c in recording.channels.values())
    channels = {}
    for name, c in recording.channels.items():
        within = (c.time_s >= begin * last) & (c.time_s <= end * last)
        times = c.time_s[within] - begin * last
        channels[name] = replace(c, time_s=times, values=c.values[within])
    return replace(recording, channels=channels, seconds=(end - begin) * last)


def test_six_real_drives_of_one_car_are_six(monkeypatch: pytest.MonkeyPatch) -> None:
    """And what is left of the threshold: the best that chance does among them is below half."""
    found = [real(sha256) for sha256 in ROUND_ROBIN]
    monkeypatch.setattr(likeness, "LEAST_BITS", LEAST_BITS / 2)
    monkeypatch.setattr(likeness, "LEAST_S", 0.0)
    for one, other in combinations(found, 2):
        assert shared_stretch(one, other) is None
    for one in found:
        assert shared_stretch(part(one, 0, 0.5), part(one, 0.5, 1)) is None


@pytest.mark.parametrize("sha256", [ROUND_ROBIN[1], ROUND_ROBIN[5], WIDE])
def test_a_real_drive_cut_by_a_tenth_is_the_same(sha256: str) -> None:
    whole = real(sha256)
    stretch = shared_stretch(whole, part(whole, 0.1, 1))
    assert stretch is not None
    assert stretch.seconds > 0.8 * stretch.newer_s


def test_one_byte_of_a_real_file_changed() -> None:
    data = real_recording(ROUND_ROBIN[1]).read_bytes()
    at = data.index(b"\n", len(data) // 2) - 1
    other = data[:at] + (b"1" if data[at : at + 1] != b"1" else b"2") + data[at + 1 :]
    stretch = shared_stretch(real(ROUND_ROBIN[1]), read(other))
    assert stretch is not None
    assert stretch.seconds > 1000


def test_no_channel_and_no_reading_is_no_agreement() -> None:
    one = read(written(drive(1)))
    none = replace(one, channels={})
    empty = {
        n: replace(c, time_s=np.zeros(0), values=np.zeros(0), interval_s=float("nan"))
        for n, c in one.channels.items()
    }
    for other in (none, replace(one, channels=empty)):
        assert shared_stretch(one, other) is None
        assert shared_stretch(other, one) is None


def test_nasty_recordings_are_no_agreement_and_no_error() -> None:
    plain = read(written(drive(1)))
    for name, made in nasty.zoo().items():
        shared_stretch(made, made)
        assert shared_stretch(plain, made) is None, name
        assert shared_stretch(made, plain) is None, name


# ---- found again among many ---------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6), front=st.integers(0, 48), at=st.integers(0, 380))
def test_a_sketch_is_mostly_that_of_the_same_drive_in_another_form(
    seed: int, front: int, at: int
) -> None:
    rows = drive(seed)
    kept = [(row[0] - front / 2, *row[1:]) for row in rows[front:]]
    kept[at] = (kept[at][0], kept[at][1] + 3, *kept[at][2:])
    own, other = set(sketch(read(written(rows)))), sketch(read(written(kept, end="\r\n", digits=1)))
    assert len(own) == SKETCHED
    assert len(own.intersection(other)) >= SKETCH_LEAST


def test_sketches_of_real_drives_of_one_car_share_nothing() -> None:
    sketches = [set(sketch(real(sha256))) for sha256 in ROUND_ROBIN]
    for one, other in combinations(sketches, 2):
        assert not one & other
    for sha256, whole in zip(ROUND_ROBIN, sketches, strict=True):
        assert len(whole.intersection(sketch(part(real(sha256), 0.1, 1)))) >= SKETCH_LEAST


def test_where_hardly_anything_moves_there_is_no_sketch() -> None:
    rows = [(i / 2, 0.0, 0.0, 24.0, 0.0, 12.3 + 0.1 * (i % 2)) for i in range(200)]
    assert sketch(read(written(rows))) == ()
    for made in nasty.zoo().values():
        assert len(sketch(made)) <= SKETCHED


def test_a_sketch_stays_as_it_was() -> None:
    """It stands in entries: a changed hash would lose what was written before."""
    assert sketch(read(written(drive(1))))[:2] == ("01446675a27b4ae5", "014aba755bf536d8")
