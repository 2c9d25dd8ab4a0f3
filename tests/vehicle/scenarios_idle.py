"""Cars at warm idle: at the right speed or not, steady or not, still learning, stalling."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.vehicle import engine
from tests.vehicle.case import Case, failing, specs_of, truth_of
from tests.vehicle.engine import STEP_S, Idle, idle_fluctuation
from tests.vehicle.hands import wandering
from tests.vehicle.logger import Signals
from tests.vehicle.measure import half_peak_to_peak, seconds_below
from tests.vehicle.scenarios_throttle import (
    REST,
    THROTTLE_AT_0,
    THROTTLE_SLOPE,
    Parked,
    pedal_at_rest,
)

Array = NDArray[np.float64]
LIMIT_RPM = 50.0
IDLE_CHANNELS = ("engine_speed", "vehicle_speed", "pedal_d", "coolant")


def warm_idle(
    rng: np.random.Generator,
    speed: Array,
    *,
    pedal: Array | None = None,
    plate: Array | None = None,
    pedal_rest: float | None = None,
) -> Signals:
    """Standing, warm, pedal as given (else released): the channels of an idle."""
    count = len(speed)
    times = np.arange(count) * STEP_S
    coolant = 90.0 + rng.uniform(-4.0, 6.0) + 1.5 * np.sin(times / 19.0 + rng.uniform(0, 6))
    leaf = np.full(count, REST) if plate is None else plate
    foot = np.zeros(count) if pedal is None else pedal
    rest = pedal_at_rest(rng) if pedal_rest is None else pedal_rest
    return Signals(
        STEP_S,
        {
            "engine_speed": np.maximum(speed, 0.0),
            "vehicle_speed": np.zeros(count),
            "pedal_d": rest + 0.72 * foot,
            "coolant": coolant,
            "throttle": THROTTLE_AT_0 + THROTTLE_SLOPE * leaf,
        },
        {"pedal_d": 0.04, "throttle": 0.06},
    )


def some_idle(rng: np.random.Generator, target_rpm: float) -> Idle:
    return Idle(
        target_rpm,
        noise_rpm=float(rng.uniform(2.5, 12.0)),
        noise_memory_s=float(np.exp(rng.uniform(np.log(0.1), np.log(2.0)))),
        wander_rpm=float(rng.uniform(1.0, 3.0)) if rng.uniform() < 0.25 else 0.0,
    )


def _share(rng: np.random.Generator, car: int) -> float:
    return float(rng.uniform(*failing()) if car % 2 == 0 else rng.uniform(0.0, 0.8))


def idle_speed(rng: np.random.Generator, cars: int) -> list[Case]:
    """Two minutes of warm idle; what idle control holds lies off its spec by a share of 50 rpm."""
    cases = []
    for car in range(cars):
        share = _share(rng, car)
        spec = float(rng.choice([650.0, 700.0, 750.0, 800.0]))
        mean = spec + share * LIMIT_RPM * float(rng.choice([-1.0, 1.0]))
        idle = some_idle(rng, mean)
        speed = mean + idle_fluctuation(rng, idle, round(rng.uniform(110.0, 130.0) / STEP_S))
        kind = "noisy" if idle.noise_rpm > 7.0 else "calm"
        if idle.wander_rpm:
            kind = "wanders within a minute"
        cases.append(
            Case(
                "idle-speed",
                kind,
                share,
                truth_of(share),
                mean,
                [warm_idle(rng, speed)],
                IDLE_CHANNELS,
                specs_of(spec),
            )
        )
    return cases


def idle_steady(rng: np.random.Generator, cars: int) -> list[Case]:
    """Half hunt (a sine of 25 rpm × share), half are restless (half peak-to-peak 50 × share)."""
    cases = []
    for car in range(cars):
        share = _share(rng, car)
        spec = 700.0
        count = round(rng.uniform(110.0, 130.0) / STEP_S)
        base = some_idle(rng, spec + rng.uniform(-20.0, 20.0))
        if rng.uniform() < 0.5:
            kind = "hunting"
            idle = replace(
                base,
                noise_rpm=float(rng.uniform(2.0, 6.0)),
                hunting_rpm=25.0 * share,
                hunting_s=float(rng.uniform(2.2, 8.0)),
            )
            fluctuation = idle_fluctuation(rng, idle, count)
            size = half_peak_to_peak(fluctuation, STEP_S)
            truth_share = max(share, size / 50.0)
        else:
            kind = "restless"
            fluctuation = wandering(rng, count, 1.0, base.noise_memory_s, STEP_S)
            fluctuation = fluctuation * (
                50.0 * max(share, 0.05) / half_peak_to_peak(fluctuation, STEP_S)
            )
            size = half_peak_to_peak(fluctuation, STEP_S)
            truth_share = size / 50.0
        cases.append(
            Case(
                "idle-steady",
                kind,
                truth_share,
                truth_of(truth_share),
                size,
                [warm_idle(rng, base.target_rpm + fluctuation)],
                IDLE_CHANNELS,
                specs_of(spec),
            )
        )
    return cases


def idle_settling(rng: np.random.Generator, cars: int) -> list[Case]:
    """Six to eight warm idles over two or three starts, with presses and drives in between.

    Bad: constant outside, approaching a value outside, or drifting out. Good: constant or settled
    inside. Between: will settle, but has not yet.
    """
    cases = []
    for car in range(cars):
        share = _share(rng, car)
        spec, side = 700.0, float(rng.choice([-1.0, 1.0]))
        bad = share > 0.8
        kinds = (
            ("constant", "approach", "drift") if bad else ("constant", "approach", "will settle")
        )
        kind = kinds[int(rng.choice(3, p=(0.3, 0.4, 0.3)))]
        plan = [3, 3] if rng.uniform() < 0.5 else [3, 2, 2] if rng.uniform() < 0.5 else [3, 3, 2]
        idle_s, drive_s = rng.uniform(70.0, 100.0), rng.uniform(100.0, 200.0)
        total_min = sum(plan) * (idle_s + drive_s) / 60.0
        asymptote = share * LIMIT_RPM * side
        away = 0.0
        tau_min = float(rng.uniform(2.0, 6.0))
        slope = 0.0
        if kind == "approach":
            away = float(rng.uniform(30.0, 120.0)) * float(rng.choice([-1.0, 1.0]))
            tau_min = total_min / float(rng.uniform(3.0, 6.0))
        elif kind == "will settle":
            tau_min = total_min / float(rng.uniform(0.5, 1.5))
            gone = np.exp(-total_min / tau_min)
            away = side * (LIMIT_RPM * rng.uniform(1.1, 1.6) - share * LIMIT_RPM) / gone
        elif kind == "drift":
            begins = rng.uniform(-0.5, 0.5) * LIMIT_RPM
            slope = (asymptote - begins) / total_min
            asymptote = begins
        run_min, recordings, pedal_rest = 0.0, [], pedal_at_rest(rng)
        for idles in plan:
            recordings.append(
                _start(
                    rng,
                    idles,
                    idle_s,
                    drive_s,
                    Settling(spec + asymptote, away, tau_min, slope, run_min, pedal_rest),
                )
            )
            run_min += recordings[-1].seconds / 60.0
        end = asymptote + away * float(np.exp(-run_min / tau_min)) + slope * run_min
        truth = "bad" if bad else "good"
        if kind == "will settle" or (not bad and abs(end) > 0.85 * LIMIT_RPM):
            truth = "between"
        cases.append(
            Case(
                "idle-settling",
                kind,
                share,
                truth,
                spec + asymptote if kind in ("constant", "approach") else float("nan"),
                recordings,
                (*IDLE_CHANNELS, "throttle", "run_time"),
                specs_of(spec),
            )
        )
    return cases


@dataclass(frozen=True)
class Settling:
    """Idle speed over minutes of running: towards `goal_rpm`, or drifting.

    before_min: the engine ran that long before. pedal_rest: this car's own.
    """

    goal_rpm: float
    away_rpm: float
    tau_min: float
    rpm_per_min: float
    before_min: float
    pedal_rest: float

    def at(self, minutes: Array) -> Array:
        run = self.before_min + minutes
        return self.goal_rpm + self.away_rpm * np.exp(-run / self.tau_min) + self.rpm_per_min * run


def _start(
    rng: np.random.Generator, idles: int, idle_s: float, drive_s: float, settling: Settling
) -> Signals:
    """One start of a warm engine: idle, a short drive, idle …"""
    pieces_speed, pieces_road, pieces_pedal = [], [], []
    noise = some_idle(rng, 0.0)
    noise = replace(noise, noise_rpm=min(noise.noise_rpm, 8.0))
    at = 0.0
    for _ in range(idles):
        for what, seconds in (("idle", idle_s), ("drive", drive_s)):
            count = round(seconds * rng.uniform(0.9, 1.1) / STEP_S)
            minutes = (at + np.arange(count) * STEP_S) / 60.0
            at += count * STEP_S
            if what == "idle":
                pieces_speed.append(settling.at(minutes) + idle_fluctuation(rng, noise, count))
                pieces_road.append(np.zeros(count))
                pieces_pedal.append(np.zeros(count))
            else:
                shape = np.sin(np.pi * np.arange(count) / count) ** 0.5
                drives = (np.arange(count) > 2.0 / STEP_S) & (np.arange(count) < count - 6 / STEP_S)
                pieces_road.append(45.0 * shape * drives)
                pieces_speed.append(
                    np.where(drives, 1200.0 + 900.0 * shape, settling.at(minutes))
                    + wandering(rng, count, 5.0, 0.5, STEP_S)
                )
                pieces_pedal.append(14.0 * (drives & (np.arange(count) < count - 9 / STEP_S)))
    speed = engine.first_order(np.concatenate(pieces_speed), 0.15)
    pedal = engine.first_order(np.concatenate(pieces_pedal), 0.2)
    made = warm_idle(
        rng, speed, pedal=pedal, plate=REST + 0.8 * pedal, pedal_rest=settling.pedal_rest
    )
    times = np.arange(len(speed)) * STEP_S
    road = engine.first_order(np.concatenate(pieces_road), 0.8)
    road[road < 0.3] = 0.0
    return Signals(
        STEP_S, {**made.values, "vehicle_speed": road, "run_time": times + 4.0}, made.noise
    )


def no_stall(rng: np.random.Generator, cars: int) -> list[Case]:
    """Ninety seconds of idle and ten presses; bad ones stall once, at idle or after a lift-off."""
    made = Parked(rng, cars)
    plates = made.run()
    cases = []
    for car in range(cars):
        times = made.times(car)
        count = round(times[-1] / STEP_S)
        slow = np.arange(count) * STEP_S
        leaf = np.interp(slow, times, plates[car, : len(times)])
        pedal = np.interp(slow, times, made.at_fine(car, made.pedal))
        lead = round(rng.uniform(65.0, 90.0) / STEP_S)
        leaf = np.concatenate([np.full(lead, leaf[0]), leaf])
        pedal = np.concatenate([np.zeros(lead), pedal])
        idle = some_idle(rng, 700.0 + float(rng.uniform(-30.0, 30.0)))
        speed = engine.revs(rng, idle, leaf, REST)
        share, kind = 0.0, "well"
        if car % 2 == 0:
            holds = [h for h in made.holds[car] if h.level == 0.0]
            lifted = rng.uniform() < 0.6
            if lifted:
                at = lead * STEP_S + holds[1 + int(rng.integers(len(holds) - 1))].start_s
                at += float(rng.uniform(1.0, 2.0))
            else:
                at = float(rng.uniform(10.0, lead * STEP_S - 12.0))
            again = rng.uniform() < 0.6
            splutters = rng.uniform() < 0.5
            if splutters:
                speed = engine.spluttering(rng, speed, at)
            lasts = float(rng.uniform(1.0, 2.0) if rng.uniform() < 0.4 else rng.uniform(2.0, 8.0))
            speed = engine.stalled(speed, at, lasts, again=again, restart_rpm=idle.target_rpm)
            if not again:
                ends = min(len(speed), round((at + rng.uniform(6.0, 20.0)) / STEP_S))
                speed, pedal, leaf = speed[:ends], pedal[:ends], leaf[:ends]
                if lasts > 0:
                    share = np.inf
            share = max(share, seconds_below(speed, STEP_S, 300.0))
            kind = f"{'lift-off' if lifted else 'idle'}, {'restarts' if again else 'gone'}"
            kind += ", after spluttering" if splutters else ", at once"
        cases.append(
            Case(
                "no-stall",
                kind,
                share,
                truth_of(share),
                float("nan"),
                [warm_idle(rng, speed, pedal=pedal, plate=leaf)],
                ("engine_speed", "vehicle_speed", "pedal_d"),
                specs_of(),
            )
        )
    return cases
