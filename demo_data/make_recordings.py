"""Makes the demo's recordings: invented, seeded, the same bytes every time.

    python demo_data/make_recordings.py [FOLDER]

A crude engine (an idle with noise, revs that follow the pedal with a lag, fixed ratios) read the
way a cheap adapter reads: a few channels, a few times a second, whole numbers. Nothing here was
measured, and nothing of the program reads this file.
"""

from __future__ import annotations

import math
import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

TICK_S = 0.1
IDLE_RPM = 752.0
HEADER = (
    "Time (s),Engine RPM (rpm),Vehicle speed (km/h),Coolant temperature (°C),"
    "Accelerator pedal position (%),Throttle position (%)"
)
# rpm per km/h and the speed up to which each gear is used
GEARS = ((110.0, 16.0), (60.0, 30.0), (42.0, 46.0), (32.0, 200.0))


@dataclass(frozen=True)
class Moment:
    time_s: float
    rpm: float
    speed_kmh: float
    coolant_c: float
    pedal: float
    throttle: float


class Engine:
    """hunts_rpm: how far the idle swings to either side; 0 once the closed position is learned."""

    def __init__(self, seed: int, *, hunts_rpm: float = 0.0, coolant_c: float = 89.0) -> None:
        self.chance = random.Random(seed)
        self.hunts_rpm = hunts_rpm
        self.coolant_c = coolant_c
        self.rpm = IDLE_RPM
        self.wander = 0.0
        self.time_s = 0.0

    def run(self, seconds: float, *, pedal: float = 0.0, speed: float = 0.0,
            to_speed: float | None = None) -> Iterator[Moment]:  # fmt: skip
        """So many seconds with the pedal held, while the speed goes evenly to `to_speed`."""
        ticks = round(seconds / TICK_S)
        for tick in range(ticks):
            share = (tick + 1) / ticks
            now = speed if to_speed is None else speed + (to_speed - speed) * share
            self.time_s += TICK_S
            yield self._moment(pedal, max(0.0, now))

    def _moment(self, pedal: float, speed: float) -> Moment:
        # Noise that forgets itself in about a second, as the load of an engine does.
        self.wander += -0.1 * self.wander + self.chance.gauss(0.0, 2.6)
        # The swing keeps no perfect time and no perfect width either.
        width = self.hunts_rpm * (1.0 + 0.12 * math.sin(self.time_s / 7.0))
        swing = width * math.sin(
            2 * math.pi * self.time_s / 3.9 + 0.3 * math.sin(self.time_s / 11.0)
        )
        idle = IDLE_RPM + swing + self.wander
        wanted = idle
        if speed >= 6.0:
            ratio = next(r for r, top in GEARS if speed <= top)
            wanted = max(idle, ratio * speed) + self.wander
        elif pedal > 0.0:
            wanted = max(idle, 750.0 + 36.0 * pedal) + 2.0 * self.wander
        # Revs rise and fall with a lag of some tenths of a second; idle control is quicker.
        lag = 0.5 if pedal > 0.0 or self.rpm > wanted + 200.0 else 0.15
        self.rpm += (wanted - self.rpm) * min(1.0, TICK_S / lag)
        self.coolant_c += (90.5 - self.coolant_c) * 0.0004
        if pedal > 0.0:
            pedal += self.chance.uniform(-0.8, 0.8)  # no foot holds quite still
        throttle = 12.5 + 0.75 * pedal + 0.012 * swing
        return Moment(self.time_s, self.rpm, speed, self.coolant_c, pedal, throttle)


def presses(engine: Engine, times: int) -> Iterator[Moment]:
    """A third of the way, hold five seconds, release, hold five seconds."""
    for _ in range(times):
        yield from engine.run(5.2, pedal=32.0)
        yield from engine.run(6.0)


def hunting_idle() -> list[Moment]:
    return list(Engine(11, hunts_rpm=110.0).run(150.0))


def settled_idle(seed: int, coolant_c: float) -> list[Moment]:
    engine = Engine(seed, coolant_c=coolant_c)
    return [*engine.run(125.0), *presses(engine, 5)]


def town_drive() -> list[Moment]:
    """Thirteen minutes through a small town: many stops, one stretch out and back at 60 km/h."""
    engine = Engine(31, coolant_c=86.0)
    chance = random.Random(32)
    moments = [*engine.run(20.0), *presses(engine, 5)]
    tops = [24, 34, 37, 31, 38, 62, 36, 33, 58, 37, 30, 38, 35, 28, 36]
    for top in tops:
        cruise = 62.0 if top > 50 else chance.uniform(15.0, 24.0)
        moments += engine.run(top / 5.5, pedal=30.0, speed=0.0, to_speed=float(top))
        moments += engine.run(cruise, pedal=13.0, speed=float(top))
        moments += engine.run(top / 6.0, pedal=0.0, speed=float(top), to_speed=0.0)
        moments += engine.run(chance.uniform(4.0, 14.0))
    moments += engine.run(45.0)
    return moments


def wide(moments: list[Moment], every_s: float, seed: int) -> str:
    """All channels in each row; the adapter is now and then a little late."""
    chance = random.Random(seed)
    lines, due = [HEADER], 0.0
    for m in moments:
        if m.time_s + 1e-9 < due:
            continue
        due = m.time_s + every_s + (TICK_S if chance.random() < 0.1 else 0.0)
        lines.append(
            f"{m.time_s:.1f},{m.rpm:.0f},{m.speed_kmh:.0f},{m.coolant_c:.0f},"
            f"{m.pedal:.1f},{m.throttle:.1f}"
        )
    return "\n".join(lines) + "\n"


def in_turn(moments: list[Moment], every_s: float) -> str:
    """One channel in each row, engine speed every other time: how a slow adapter keeps up."""
    order = (1, 2, 1, 4, 1, 2, 1, 5, 1, 2, 1, 3)
    lines, due, turn = [HEADER], 0.0, 0
    for m in moments:
        if m.time_s + 1e-9 < due:
            continue
        due = m.time_s + every_s
        cells = [f"{m.time_s:.1f}", "", "", "", "", ""]
        texts = {1: f"{m.rpm:.0f}", 2: f"{m.speed_kmh:.0f}", 3: f"{m.coolant_c:.0f}",
                 4: f"{m.pedal:.1f}", 5: f"{m.throttle:.1f}"}  # fmt: skip
        column = order[turn % len(order)]
        cells[column] = texts[column]
        turn += 1
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


def main(folder: Path) -> None:
    files = {
        "idle-hunting.csv": wide(hunting_idle(), 0.4, 12),
        "idle-settled.csv": wide(settled_idle(21, 89.0), 0.4, 22),
        "road.csv": in_turn(town_drive(), 0.2),
        "hot-idle.csv": wide(settled_idle(41, 95.0), 0.4, 42),
    }
    for name, text in files.items():
        (folder / name).write_bytes(text.encode("utf-8"))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
