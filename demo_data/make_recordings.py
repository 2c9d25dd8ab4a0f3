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

TICK_S = 0.05
IDLE_RPM = 752.0
REST_PLATE = 12.5  # what the plate's reading shows at rest; it is no opening of this size
# rpm per km/h and the speed up to which each gear is used
GEARS = ((110.0, 16.0), (60.0, 30.0), (42.0, 46.0), (32.0, 200.0))
COLUMNS = {
    "rpm": ("Engine RPM (rpm)", 0),
    "speed_kmh": ("Vehicle speed (km/h)", 0),
    "coolant_c": ("Coolant temperature (°C)", 0),
    "pedal": ("Accelerator pedal position (%)", 1),
    "throttle": ("Throttle position (%)", 1),
    "load": ("Calculated load (%)", 0),
    "volts": ("Control module voltage (V)", 1),
}


@dataclass(frozen=True)
class Moment:
    time_s: float
    rpm: float
    speed_kmh: float
    coolant_c: float
    pedal: float
    throttle: float
    load: float
    volts: float


class Engine:
    """hunts_rpm: how far the idle swings to either side; 0 once the closed position is learned."""

    def __init__(self, seed: int, *, hunts_rpm: float = 0.0, coolant_c: float = 89.0) -> None:
        self.chance = random.Random(seed)
        self.hunts_rpm = hunts_rpm
        self.coolant_c = coolant_c
        self.rpm = IDLE_RPM
        self.wander = 0.0
        self.foot = 0.0
        self.plate = REST_PLATE
        self.time_s = 0.0

    def run(self, seconds: float, *, pedal: float = 0.0, speed: float = 0.0,
            to_speed: float | None = None) -> Iterator[Moment]:  # fmt: skip
        """So many seconds with the pedal held, while the speed goes evenly to `to_speed`."""
        ticks = round(seconds / TICK_S)
        climbs = 0.0 if to_speed is None else (to_speed - speed) / seconds
        for tick in range(ticks):
            self.time_s += TICK_S
            yield self._moment(pedal, max(0.0, speed + climbs * (tick + 1) * TICK_S), climbs)

    def _moment(self, pedal: float, speed: float, climbs: float) -> Moment:
        # Noise that forgets itself in about a second, as the load of an engine does.
        self.wander += -TICK_S * self.wander + self.chance.gauss(0.0, 1.85)
        # The swing keeps no perfect time and no perfect width either.
        width = self.hunts_rpm * (1.0 + 0.12 * math.sin(self.time_s / 7.0))
        swing = width * math.sin(
            2 * math.pi * self.time_s / 3.9 + 0.3 * math.sin(self.time_s / 11.0)
        )
        # A foot takes a quarter of a second for a third of the way, and holds nearly still.
        wanted_foot = pedal + self.chance.uniform(-0.4, 0.4) if pedal > 0.0 else 0.0
        before = self.foot
        self.foot += max(-7.0, min(7.0, wanted_foot - self.foot))
        idle = IDLE_RPM + swing + self.wander
        wanted = idle
        if speed >= 6.0:
            ratio = next(r for r, top in GEARS if speed <= top)
            wanted = max(idle, ratio * speed) + self.wander
        elif self.foot > 0.0:
            wanted = max(idle, 750.0 + 36.0 * self.foot) + 2.0 * self.wander
        # Revs rise and fall with a lag of some tenths of a second; idle control is quicker.
        lag = 0.5 if self.foot > 0.0 or self.rpm > wanted + 200.0 else 0.15
        if speed >= 20.0:
            lag = 0.1  # in gear the wheels hold them
        self.rpm += (wanted - self.rpm) * min(1.0, TICK_S / lag)
        self.coolant_c += (90.5 - self.coolant_c) * 0.0002
        # The plate is a motor's work: a twentieth of a second late, then most of the way at once.
        aim = REST_PLATE + 0.75 * before + 0.012 * swing
        self.plate += (aim - self.plate) * 0.5
        pull = 0.32 * speed + 22.0 * max(climbs, 0.0) if self.foot > 0.0 else 0.0
        load = min(95.0, 19.0 + pull + 0.12 * self.wander)
        # What the start took is put back first.
        volts = 14.0 + 0.3 * math.exp(-self.time_s / 60.0) + self.chance.gauss(0.0, 0.03)
        return Moment(
            self.time_s, self.rpm, speed, self.coolant_c, self.foot, self.plate, load, volts
        )


def presses(engine: Engine, times: int, pedal: float = 32.0) -> Iterator[Moment]:
    """To one depth, hold five seconds or so, release, hold as long."""
    for _ in range(times):
        yield from engine.run(engine.chance.uniform(4.8, 5.6), pedal=pedal)
        yield from engine.run(engine.chance.uniform(5.0, 6.0))


def stairs(engine: Engine, times: int) -> Iterator[Moment]:
    """A quarter, a half, three quarters and back the same way, each held; parked."""
    for _ in range(times):
        for pedal in (25.0, 50.0, 75.0, 50.0, 25.0):
            yield from engine.run(engine.chance.uniform(5.0, 6.0), pedal=pedal)
        yield from engine.run(6.0)


def hunting_idle() -> list[Moment]:
    return list(Engine(11, hunts_rpm=110.0).run(150.0))


def settled_idle(seed: int, coolant_c: float, held: int = 0) -> list[Moment]:
    """held: presses by a third, of half a minute in all or more, to raise the speed as well."""
    engine = Engine(seed, coolant_c=coolant_c)
    return [*engine.run(125.0), *presses(engine, 5 + held)]


def pedal_steps() -> list[Moment]:
    engine = Engine(51, coolant_c=89.0)
    return [*engine.run(8.0), *presses(engine, 10), *stairs(engine, 2)]


def drive() -> list[Moment]:
    """Through the town, out on the road at 62 km/h and a little more, and back, with the foot
    firmly down once; a long roll, half a minute of idle at the end."""
    engine = Engine(31, coolant_c=86.0)
    chance = random.Random(32)
    moments = [*engine.run(25.0)]

    def street(tops: list[int]) -> None:
        nonlocal moments
        for top in tops:
            moments += engine.run(top / 5.5, pedal=30.0, speed=0.0, to_speed=float(top))
            moments += engine.run(chance.uniform(15.0, 24.0), pedal=13.0, speed=float(top))
            moments += engine.run(top / 6.0, pedal=0.0, speed=float(top), to_speed=0.0)
            moments += engine.run(chance.uniform(5.0, 14.0))

    street([24, 34, 37, 31, 38, 36])
    moments += engine.run(38.0 / 5.5, pedal=30.0, speed=0.0, to_speed=38.0)
    moments += engine.run(6.0, pedal=13.0, speed=38.0)
    moments += engine.run(6.0, pedal=58.0, speed=38.0, to_speed=62.0)
    moments += engine.run(140.0, pedal=19.0, speed=62.0)
    for _ in range(4):
        # Behind somebody slower, and past: out of steady driving, in one gear.
        moments += engine.run(3.0, pedal=8.0, speed=62.0, to_speed=60.5)
        moments += engine.run(12.0, pedal=18.0, speed=60.5)
        moments += engine.run(5.0, pedal=38.0, speed=60.5, to_speed=70.0)
        moments += engine.run(25.0, pedal=22.0, speed=70.0)
        moments += engine.run(6.0, pedal=8.0, speed=70.0, to_speed=62.0)
        moments += engine.run(12.0, pedal=19.0, speed=62.0)
    moments += engine.run(14.0, pedal=0.0, speed=62.0, to_speed=38.0)
    moments += engine.run(8.0, pedal=0.0, speed=38.0, to_speed=0.0)
    moments += engine.run(10.0)
    street([33, 37, 30, 35, 28])
    moments += engine.run(45.0)
    return moments


def wide(moments: list[Moment], every_s: float, seed: int, *names: str) -> str:
    """All channels in each row; the adapter is now and then a little late."""
    chance = random.Random(seed)
    lines, due = [head(*names)], 0.0
    for m in moments:
        if m.time_s + 1e-9 < due:
            continue
        due = m.time_s + every_s + (0.1 if chance.random() < 0.1 else 0.0)
        lines.append(",".join([f"{m.time_s:.2f}", *(text(m, name) for name in names)]))
    return "\n".join(lines) + "\n"


def in_turn(moments: list[Moment], every_s: float, seed: int, *order: str) -> str:
    """One channel in each row, some oftener than others: how a slow adapter keeps up."""
    chance = random.Random(seed)
    names = tuple(name for name in COLUMNS if name in order)
    lines, due, turn = [head(*names)], 0.0, 0
    for m in moments:
        if m.time_s + 1e-9 < due:
            continue
        due = m.time_s + every_s + (TICK_S if chance.random() < 0.2 else 0.0)
        now = order[turn % len(order)]
        turn += 1
        cells = (text(m, name) if name == now else "" for name in names)
        lines.append(",".join([f"{m.time_s:.2f}", *cells]))
    return "\n".join(lines) + "\n"


def head(*names: str) -> str:
    return ",".join(["Time (s)", *(COLUMNS[name][0] for name in names)])


def text(moment: Moment, name: str) -> str:
    return f"{getattr(moment, name):.{COLUMNS[name][1]}f}"


def main(folder: Path) -> None:
    idle = ("rpm", "speed_kmh", "coolant_c", "pedal", "throttle")
    fast = ("pedal", "throttle", "rpm", "pedal", "throttle", "speed_kmh")
    road = ("rpm", "pedal", "speed_kmh", "rpm", "load", "pedal",
            "rpm", "coolant_c", "speed_kmh", "rpm", "pedal", "load")  # fmt: skip
    files = {
        "idle-hunting.csv": wide(hunting_idle(), 0.4, 12, *idle),
        "idle-settled.csv": wide(settled_idle(21, 89.0), 0.4, 22, *idle),
        "pedal-steps.csv": in_turn(pedal_steps(), 0.1, 52, *fast),
        "road.csv": in_turn(drive(), 0.15, 33, *road),
        "hot-idle.csv": wide(settled_idle(41, 95.0, 3), 0.4, 42, *idle, "volts"),
    }
    for name, content in files.items():
        (folder / name).write_bytes(content.encode("utf-8"))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
