"""Cars whose throttle is well or not, parked, with the pedal pressed and held as asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tests.vehicle import engine
from tests.vehicle.case import Case, failing, specs_of, truth_of
from tests.vehicle.hands import Hold, padded, parked_presses, staircase, to_the_floor
from tests.vehicle.logger import Signals
from tests.vehicle.measure import held_levels, presses_of, releases_of
from tests.vehicle.throttle import KEEP, STEP_S, Plates, plate_for, sound_plates

Array = NDArray[np.float64]
FINE_S = STEP_S * KEEP
REST = 3.0  # plate at released pedal, % of its travel
PARKED = ("pedal_d", "throttle", "engine_speed", "vehicle_speed")
# The readings' own scales: PID 11 at idle reads 10 to 20 %, a pedal at rest 12 to 20 %.
THROTTLE_AT_0, THROTTLE_SLOPE = 12.0, 0.75
PEDAL_SLOPE = 0.72


def pedal_at_rest(rng: np.random.Generator) -> float:
    """What a released pedal reads: 12 to 20 % (common practice). Where that happens to lie between
    two steps of the number, the reading flickers by one step."""
    return float(rng.uniform(13.0, 18.0))


SPAN = 100.0  # "% of span": of the reading's own full scale


class Parked:
    """Many cars at once: the pedal, what it commands, and (once computed) the plate."""

    def __init__(
        self,
        rng: np.random.Generator,
        cars: int,
        foot: Callable[[np.random.Generator], tuple[Array, list[Hold]]] = parked_presses,
        bend: float = 0.3,
        same: Parked | None = None,
    ) -> None:
        """same: the same cars once more (their maps, plates and pedals), with other presses."""
        played = [foot(rng) for _ in range(cars)]
        self.rng, self.cars = rng, cars
        self.lengths = [len(p) for p, _ in played]
        self.holds: list[list[Hold]] = [h for _, h in played]
        self.pedal = padded([p for p, _ in played])
        self.power = np.exp(rng.uniform(-bend, bend, cars))[:, None] if same is None else same.power
        self.reach = rng.uniform(0.6, 0.9, cars)[:, None] if same is None else same.reach
        self.plates = sound_plates(rng, cars) if same is None else same.plates
        self.pedal_rest = (
            [pedal_at_rest(rng) for _ in range(cars)] if same is None else same.pedal_rest
        )
        share = np.minimum(self.pedal, 100.0) / 100.0
        self.commanded = REST + self.reach * 100.0 * share**self.power
        self.rate_down: Array | None = None

    def steps(self, car: int, start_s: float, end_s: float) -> slice:
        return slice(round(start_s / STEP_S), round(end_s / STEP_S))

    def releases(self, car: int) -> list[tuple[Hold, Hold]]:
        holds = self.holds[car]
        return [(a, b) for a, b in pairwise(holds) if b.level < a.level]

    def presses(self, car: int) -> list[tuple[Hold, Hold]]:
        holds = self.holds[car]
        return [(a, b) for a, b in pairwise(holds) if b.level > a.level]

    def travel(self, car: int, hold: Hold) -> float:
        """How far the command of this hold lies above rest, % of travel."""
        middle = round((hold.start_s + hold.end_s) / 2.0 / STEP_S)
        return float(self.commanded[car, middle] - REST)

    def run(self) -> Array:
        return plate_for(self.plates, self.commanded, rate_down=self.rate_down)

    def signals(self, car: int, plate: Array, **more: Array) -> Signals:
        """What the car's channels carry: 250 Hz, in the readings' own scales."""
        count = self.lengths[car] // KEEP
        times = np.arange(count) * FINE_S
        pedal = self.pedal[car, ::KEEP][:count]
        commanded = self.commanded[car, ::KEEP][:count]
        leaf = plate[car, :count]
        idle = engine.Idle(700.0, float(self.rng.uniform(3.0, 8.0)))
        slow = np.arange(0.0, count * FINE_S, engine.STEP_S)
        speed = engine.revs(self.rng, idle, np.interp(slow, times, leaf), REST)
        noise = dict.fromkeys(("pedal_d", "throttle", "throttle_b", "pedal_e"), 0.06)
        values = {
            "pedal_d": self.pedal_rest[car] + PEDAL_SLOPE * pedal,
            "throttle": THROTTLE_AT_0 + THROTTLE_SLOPE * leaf,
            "throttle_commanded": THROTTLE_AT_0 + THROTTLE_SLOPE * commanded,
            "engine_speed": np.interp(times, slow, speed),
            "vehicle_speed": np.zeros(count),
            "coolant": np.full(count, 90.0),
            **more,
        }
        return Signals(FINE_S, values, noise)

    def times(self, car: int) -> Array:
        return np.arange(self.lengths[car] // KEEP) * FINE_S

    def at_fine(self, car: int, values: Array) -> Array:
        return values[car, ::KEEP][: self.lengths[car] // KEEP]


def _shares(rng: np.random.Generator, cars: int) -> Array:
    """Half of the cars 1.0 to 2.0 × the limit, half 0 to 0.8."""
    bad = np.arange(cars) % 2 == 0
    return np.where(bad, rng.uniform(*failing(), cars), rng.uniform(0.0, 0.8, cars))


def pedal_response(rng: np.random.Generator, cars: int) -> list[Case]:
    """Late (dead time, slow motor) or overshooting plates: median over ten presses."""
    made = Parked(rng, cars)
    shares = _shares(rng, cars)
    p: Plates = made.plates
    kinds = []
    for car in range(cars):
        kind = ("dead time", "slow motor", "overshoot")[int(rng.integers(3))]
        if shares[car] < 0.8 and rng.uniform() < 0.4:
            kind = "well"
        delay = 0.3 * max(shares[car], 0.3)
        if kind == "dead time":
            p.dead_s[car] = max(0.0, delay - 1.7 / p.natural_rad_s[car])
        elif kind == "slow motor":
            p.natural_rad_s[car] = 1.9 / delay
            p.damping[car] = rng.uniform(0.9, 1.4)
            p.coulomb[car] = p.breakaway[car] = rng.uniform(2.0, 10.0)
            p.integral[car] = 0.0
        elif kind == "overshoot" and shares[car] > 1.0:
            p.natural_rad_s[car] = np.exp(rng.uniform(np.log(6.0), np.log(14.0)))
            size = 0.1 * shares[car] * rng.uniform(1.0, 1.9)
            p.damping[car] = np.sqrt(np.log(size) ** 2 / (np.pi**2 + np.log(size) ** 2))
            p.coulomb[car] = p.breakaway[car] = rng.uniform(2.0, 8.0)
            p.integral[car] = 0.0
        kinds.append(kind)
    plate = made.run()
    cases = []
    for car in range(cars):
        t, pedal = made.times(car), made.at_fine(car, made.pedal)
        presses = presses_of(made.holds[car], t, pedal, plate[car, : len(t)])
        delay = float(np.median([x["delay_s"] for x in presses]))
        over = float(np.median([x["overshoot"] for x in presses]))
        share = max(delay / 0.3, over / 0.1)
        cases.append(_case("pedal-response", kinds[car], share, delay, made, car, plate))
    return cases


def throttle_return(rng: np.random.Generator, cars: int) -> list[Case]:
    """Slow releases: all of them or one of ten; slow all the way, late, or hanging open.

    Bad beyond 1 s, good up to 0.5 s: the shares of good cars count against the latter.
    """
    made = Parked(rng, cars)
    made.rate_down = np.full(made.pedal.shape, 2000.0)
    shares = _shares(rng, cars)
    kinds = []
    for car in range(cars):
        bad = shares[car] > 0.8
        seconds = shares[car] * (1.0 if bad else 0.5)
        if rng.uniform() < 0.1:
            seconds = rng.uniform(0.55, 0.95)  # legal, not healthy
        releases = made.releases(car)
        once = bool(rng.uniform() < 0.5)
        way = ("slow", "late", "hangs")[int(rng.choice(3, p=(0.45, 0.4, 0.15)))]
        if way == "hangs" and seconds <= 1.0:
            way = "slow"
        for held, rest in [releases[int(rng.integers(len(releases)))]] if once else releases:
            stretch = made.steps(car, rest.leaves_s, rest.end_s)
            lasts = rest.start_s - rest.leaves_s
            far = made.travel(car, held)
            if way == "slow":
                made.rate_down[car, stretch] = 0.8 * far / max(seconds + 0.6 * lasts, 0.02)
            elif way == "late":
                late = round(max(0.0, seconds + lasts - 0.08) / STEP_S)
                at = round(rest.leaves_s / STEP_S)
                made.commanded[car, at : at + late] = made.commanded[car, at - 1]
            else:
                hang = REST + far * rng.uniform(0.3, 0.7)
                until = made.steps(car, rest.leaves_s, rest.end_s - 0.6)
                made.commanded[car, until] = np.maximum(made.commanded[car, until], hang)
        kinds.append(f"{way}, {'one of ten' if once else 'all'}" if seconds > 0.1 else "well")
    plate = made.run()
    cases = []
    for car in range(cars):
        t = made.times(car)
        slowest = max(releases_of(made.holds[car], t, plate[car, : len(t)]))
        share = slowest
        # Of a plate that hangs the tool can only tell a bound.
        value = float("nan") if kinds[car].startswith("hangs") else slowest
        case = _case("throttle-return", kinds[car], share, value, made, car, plate)
        truth = "bad" if slowest > 1.0 else "good" if slowest <= 0.5 else "between"
        cases.append(replace(case, truth=truth))
    return cases


def throttle_follow(rng: np.random.Generator, cars: int) -> list[Case]:
    """Staircases: offset and gain errors (seen against the command), play, a fixed opening."""
    made = Parked(rng, cars, staircase)
    shares = _shares(rng, cars)
    limit = 0.05 * SPAN / THROTTLE_SLOPE
    kinds, with_command = [], rng.uniform(size=cars) < 0.5
    asked = made.commanded.copy()
    for car in range(cars):
        size = limit * shares[car]
        kind = ("play", "offset", "gain", "fixed")[int(rng.choice(4, p=(0.4, 0.25, 0.25, 0.1)))]
        if not with_command[car] and kind in ("offset", "gain"):
            kind = "play"  # a wrong map that is always the same shows against the command only
        if kind == "fixed" and shares[car] < 0.8:
            kind = "well"
        if kind == "play":
            made.plates.play[car] = size
        elif kind == "offset":
            made.commanded[car] += size
        elif kind == "gain":
            top = made.commanded[car].max() - REST
            made.commanded[car] = REST + (made.commanded[car] - REST) * (1.0 - size / top)
        elif kind == "fixed":
            made.plates.stuck_at[car] = rng.uniform(2.0, 12.0)
        kinds.append(kind)
    plate = made.run()
    made.commanded = asked
    cases = []
    for car in range(cars):
        t = made.times(car)
        leaf = plate[car, : len(t)]
        command = made.at_fine(car, asked)
        error = [e for _, e, _ in held_levels(made.holds[car], t, leaf - command)]
        ups = [e for _, e, way in held_levels(made.holds[car], t, leaf - command) if way > 0]
        downs = [
            e
            for level, e, way in held_levels(made.holds[car], t, leaf - command)
            if way < 0 and level > 0.0
        ]
        hysteresis = abs(float(np.mean(downs)) - float(np.mean(ups)))
        steady = max(abs(e) for e in error) if with_command[car] else 0.0
        share = max(hysteresis, steady) / limit
        if kinds[car] == "fixed":
            share = float("inf")
        value = max(hysteresis, steady) * THROTTLE_SLOPE
        if kinds[car] == "fixed" or (with_command[car] and kinds[car] == "play"):
            value = float("nan")  # which of several errors is told is the check's to say
        kind = f"{kinds[car]}, {'command logged' if with_command[car] else 'no command'}"
        channels = ("throttle_commanded", *PARKED) if with_command[car] else PARKED
        case = _case("throttle-follow", kind, share, value, made, car, plate, channels)
        if with_command[car]:
            case = _command_told(rng, case, command)
        cases.append(case)
    return cases


def _command_told(rng: np.random.Generator, case: Case, command: Array) -> Case:
    """The command as cars tell it: 0 to 100 % of the plate's travel, or on the reading's own scale;
    and what the reading shows closed and fully open, looked up or not."""
    kind, specs, signals = case.kind, case.specs, case.recordings[0]
    travel = rng.uniform() < 0.6
    if travel:
        values = {**signals.values, "throttle_commanded": command}
        signals = Signals(signals.step_s, values, signals.noise)
    kind += " in % of travel" if travel else " on the reading's scale"
    if rng.uniform() < (0.7 if travel else 0.2):
        kind += ", scale given"
        specs = specs_of(throttle_closed="12 %", throttle_open="87 %")
    return replace(case, kind=kind, specs=specs, recordings=[signals])


def no_response(rng: np.random.Generator, cars: int) -> list[Case]:
    """One to three of ten presses without an answer, or with one that comes late."""
    made = Parked(rng, cars)
    kinds = []
    for car in range(cars):
        bad = car % 2 == 0
        presses = made.presses(car)
        dead = rng.choice(len(presses), int(rng.integers(1, 4)), replace=False) if bad else []
        late = bool(rng.uniform() < 0.4)
        for place in dead:
            _, held = presses[int(place)]
            half_foot = (held.start_s - held.leaves_s) / 2.0
            waits = held.end_s - held.leaves_s + 0.5
            if late:
                waits = half_foot + 0.7 * rng.uniform(*failing()) - 0.03
            until = min(held.leaves_s + waits, held.end_s + 0.5)
            made.commanded[car, made.steps(car, held.leaves_s, until)] = REST
        kinds.append("well" if not bad else "late answer" if late else "no answer")
        if not bad:
            made.plates.dead_s[car] = rng.uniform(0.01, 0.15)
    plate = made.run()
    cases = []
    for car in range(cars):
        t, pedal = made.times(car), made.at_fine(car, made.pedal)
        presses_found = presses_of(made.holds[car], t, pedal, plate[car, : len(t)])
        slowest = max(x["answer_s"] for x in presses_found)
        share = slowest / 0.7
        cases.append(_case("no-response", kinds[car], share, float("nan"), made, car, plate))
    return cases


def throttle_pair(rng: np.random.Generator, cars: int) -> list[Case]:
    return _pairs(rng, cars, "throttle-pair")


def pedal_pair(rng: np.random.Generator, cars: int) -> list[Case]:
    return _pairs(rng, cars, "pedal-pair")


def _pairs(rng: np.random.Generator, cars: int, check: str) -> list[Case]:
    """Key on, engine off, down to the floor in steps.

    A worn spot at a held place, or an offset that comes for some seconds.
    """
    made = Parked(rng, cars, to_the_floor)
    shares = _shares(rng, cars)
    plate = made.run()
    cases = []
    for car in range(cars):
        t = made.times(car)
        place = made.at_fine(car, made.pedal) if check == "pedal-pair" else plate[car, : len(t)]
        rest = made.pedal_rest[car]
        first = (
            rest + PEDAL_SLOPE * place
            if check == "pedal-pair"
            else THROTTLE_AT_0 + THROTTLE_SLOPE * place
        )
        slope, start = ((0.5, 0.0), (1.0, 0.4), (-0.95, 98.0), (0.8, 6.0))[int(rng.integers(4))]
        second = start + slope * first
        # Of the second track's own span, which is that of its line.
        size = 0.05 * SPAN * abs(slope) * shares[car] * rng.choice((-1.0, 1.0))
        kind = ("worn spot", "comes and goes")[int(rng.integers(2))]
        if kind == "worn spot":
            held = made.holds[car][1 + int(rng.integers(4))]
            middle = float(np.median(place[(t > held.start_s + 1.0) & (t < held.end_s)]))
            wide = rng.uniform(4.0, 10.0)
            off = size * np.exp(-(((place - middle) / wide) ** 2))
        else:
            began, lasts = rng.uniform(9.0, 27.0), rng.uniform(4.0, 10.0)
            off = size * ((t > began) & (t < began + lasts))
        share = float(np.max(np.abs(off))) / (0.05 * SPAN * abs(slope))
        names = ("pedal_e",) if check == "pedal-pair" else ("throttle_b",)
        channels = (
            ("pedal_d", "pedal_e", "throttle")
            if check == "pedal-pair"
            else ("throttle", "throttle_b", "pedal_d")
        )
        more = {names[0]: second + off, "engine_speed": np.zeros(len(t))}
        if check == "pedal-pair":
            more["pedal_d"] = first
        signals = made.signals(car, plate, **more)
        cases.append(
            Case(
                check,
                kind,
                share,
                truth_of(share),
                share * 5.0,
                [signals],
                (*channels, "engine_speed"),
                specs_of(),
            )
        )
    return cases


def _case(
    check: str,
    kind: str,
    share: float,
    value: float,
    made: Parked,
    car: int,
    plate: Array,
    channels: Sequence[str] = PARKED,
) -> Case:
    signals = made.signals(car, plate)
    return Case(check, kind, share, truth_of(share), value, [signals], channels, specs_of())
