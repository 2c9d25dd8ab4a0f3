"""On the road: tip-ins in one gear, and a drive that comes through a freeze frame's conditions."""

from __future__ import annotations

import numpy as np

from tests.vehicle import engine
from tests.vehicle.case import Case, failing, specs_of, truth_of
from tests.vehicle.hands import wandering
from tests.vehicle.logger import Signals
from tests.vehicle.road import Drive, Leg, driven
from tests.vehicle.scenarios_throttle import pedal_at_rest

STEP_S = 0.02
DELAY_S, SAG = 1.0, 0.025  # the limits: mean delay, fall of engine speed before the rise
SECONDS, NEAR_RPM, NEAR_LOAD, WARM_C = 10.0, 375.0, 20.0, 71.1


def hesitation(rng: np.random.Generator, cars: int) -> list[Case]:
    """Ten tip-ins at about 50 km/h: a third of pedal more, held 4 s, and back to steady.

    Bad ones begin to pull 1 to 2 s late, or sag by 2.5 to 5 % before they pull.
    """
    cases = []
    for car in range(cars):
        share = float(rng.uniform(*failing()) if car % 2 == 0 else rng.uniform(0.05, 0.8))
        sags = bool(rng.uniform() < 0.4)
        late = float(rng.uniform(0.1, 0.3)) if sags else DELAY_S * share
        sag = SAG * share if sags else 0.0
        kmh, rpm_per_kmh = float(rng.uniform(45.0, 60.0)), float(rng.choice([34.0, 46.0]))
        rate = float(rng.uniform(3.0, 6.0))
        pace, foot = [np.zeros(round(10.0 / STEP_S))], [np.full(round(10.0 / STEP_S), 0.0)]
        delays, now = [], 0.0
        for _ in range(10):
            takes = float(rng.uniform(0.1, 0.3))
            hold = max(4.0 * float(rng.uniform(0.9, 1.2)), 1.5 + late)
            wait = late + float(rng.normal(0.0, 0.03))
            count = round((takes + hold) / STEP_S)
            since = np.arange(count) * STEP_S - takes / 2.0
            pulls = np.maximum(since - wait, 0.0)
            # The pull builds up within a quarter of a second.
            gained = rate * (pulls - 0.12 * (1.0 - np.exp(-pulls / 0.12)))
            if sags:
                dip_s = 0.7
                inside = (since > 0.0) & (since < dip_s)
                gained = np.where(since < dip_s, 0.0, rate * (since - dip_s))
                gained = gained - sag * kmh * np.sin(np.pi * since / dip_s) * inside
                wait = dip_s
            pace.append(now + gained)
            foot.append(33.0 * np.clip((since + takes / 2.0) / takes, 0.0, 1.0))
            delays.append(wait)
            now = float(pace[-1][-1])
            back = np.linspace(now, 0.0, max(2, round(now / 2.0 / STEP_S)))
            steady = round(float(rng.uniform(6.0, 8.0)) / STEP_S)
            pace += [back, np.zeros(steady)]
            foot += [np.full(len(back), -9.0), np.zeros(steady)]
            now = 0.0
        count = sum(len(p) for p in pace)
        lead = round(15.0 / STEP_S)
        speed = np.concatenate([np.linspace(0.0, kmh, lead), kmh + np.concatenate(pace)])
        rpm = np.maximum(speed * rpm_per_kmh, 750.0) + wandering(rng, len(speed), 4.0, 0.3, STEP_S)
        level = 14.0 + np.concatenate([np.full(lead, 12.0), np.concatenate(foot)])
        pedal = engine.first_order(level, 0.04, STEP_S)
        pedal = np.maximum(pedal + wandering(rng, len(speed), 0.15, 1.5, STEP_S), 0.0)
        mean_delay = float(np.mean(delays))
        true = max(mean_delay / DELAY_S, sag / SAG)
        rest = pedal_at_rest(rng)
        values = {
            "engine_speed": rpm,
            "vehicle_speed": speed,
            "pedal_d": rest + 0.72 * pedal,
            "throttle": 14.0 + 0.55 * pedal,
        }
        cases.append(
            Case(
                "hesitation",
                "sags" if sags else "late",
                true,
                truth_of(true),
                float("nan") if sags else mean_delay,
                [Signals(STEP_S, values, {"pedal_d": 0.04})],
                ("engine_speed", "vehicle_speed", "pedal_d"),
                specs_of(),
            )
        )
    return cases


def same_conditions(rng: np.random.Generator, cars: int) -> list[Case]:
    """A drive that comes to the frame's speed for some seconds, and stays warm."""
    cases = []
    for car in range(cars):
        bad = car % 2 == 0
        there = float(rng.uniform(0.0, 5.0) if bad else rng.uniform(10.0, 60.0))
        kmh = float(rng.uniform(95.0, 120.0))
        legs = [Leg(0.0, 20.0)]
        legs += [Leg(float(rng.uniform(30.0, 50.0)), 20.0, 4.0), Leg(0.0, 8.0, 6.0)]
        legs += [Leg(70.0, 20.0, 5.0), Leg(kmh, there, float(rng.uniform(4.0, 9.0)))]
        legs += [Leg(60.0, 20.0, 7.0), Leg(0.0, 20.0, 6.0)]
        drive = Drive(start_c=88.0, pedal_rest=pedal_at_rest(rng))
        made = driven(rng, drive, legs=legs, step_s=0.04)
        v = made.values
        frame = {"rpm": kmh * 27.0 + 150.0, "load": float(rng.uniform(30.0, 40.0)), "c": 90.0}
        near = (
            (np.abs(v["engine_speed"] - frame["rpm"]) <= NEAR_RPM)
            & (np.abs(v["load"] - frame["load"]) <= NEAR_LOAD)
            & (v["coolant"] >= WARM_C)
        )
        seconds = float(np.sum(near) * made.step_s)
        share = SECONDS / seconds if seconds > 0.0 else float("inf")
        cases.append(
            Case(
                "same-conditions",
                "short" if share > 1.0 else "well",
                share,
                truth_of(share),
                seconds,
                [made],
                ("engine_speed", "load", "coolant", "vehicle_speed"),
                specs_of(
                    frame_engine_speed=f"{frame['rpm']:.0f} rpm",
                    frame_load=f"{frame['load']:.1f} %",
                    frame_coolant=f"{frame['c']:.0f} °C",
                ),
            )
        )
    return cases
