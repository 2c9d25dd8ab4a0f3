"""Drives on the road: long enough for the car's own monitors or not, in the same conditions or not.

For these a short drive is no fault of the car: open is the right answer to it, and only a pass is
wrong. The share counts how many times the asked-for time exceeds what was driven.
"""

from __future__ import annotations

import numpy as np

from tests.vehicle.case import Case, specs_of, truth_of
from tests.vehicle.road import Drive, Leg, driven
from tests.vehicle.scenarios_throttle import pedal_at_rest

FAST_KMH = 25.0 * 1.609344
ASKED_S = {"since start": 600.0, "fast": 300.0, "idle": 30.0}


def _longest(where: np.ndarray, step_s: float) -> float:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], where.astype(int), [0]])))
    lengths = edges[1::2] - edges[::2]
    return float(lengths.max() * step_s) if len(lengths) else 0.0


def road_coverage(rng: np.random.Generator, cars: int) -> list[Case]:
    """The law's adequate drive: 600 s since start, 300 s at 25 mph or more, an idle of 30 s."""
    cases = []
    step = 0.05
    for car in range(cars):
        bad = car % 2 == 0
        short = ("since start", "fast", "idle")[int(rng.integers(3))] if bad else ""
        share = float(rng.uniform(1.0, 2.0))
        fast = 300.0 / share if short == "fast" else float(rng.uniform(400.0, 700.0))
        total = 600.0 / share if short == "since start" else float(rng.uniform(800.0, 1200.0))
        idle = 30.0 / share - 1.0 if short == "idle" else float(rng.uniform(45.0, 80.0))
        if short == "since start":
            fast = float(rng.uniform(310.0, 340.0)) if total > 420.0 else 0.62 * total
        legs = [Leg(0.0, idle), Leg(float(rng.uniform(60.0, 90.0)), max(fast - 8.0, 5.0), 6.0)]
        spent = idle + fast + 25.0
        while spent < total:
            stay = float(min(rng.uniform(30.0, 60.0), max(total - spent - 12.0, 2.0)))
            legs += [Leg(float(rng.uniform(22.0, 34.0)), stay, 5.0), Leg(0.0, 6.0, 6.0)]
            spent += stay + 18.0
        legs.append(Leg(0.0, min(idle, 20.0)))
        drive = Drive(start_c=70.0, pedal_rest=pedal_at_rest(rng))
        made = driven(rng, drive, legs=legs, step_s=step)
        speed = made.values["vehicle_speed"]
        got = {
            "since start": made.seconds + 5.0,
            "fast": float(np.sum(speed >= FAST_KMH) * step),
            "idle": _longest(
                (speed <= 1.6) & (made.values["pedal_d"] <= drive.pedal_rest + 1.0), step
            ),
        }
        worst = max(ASKED_S[n] / got[n] for n in ASKED_S)
        cases.append(
            Case(
                "road-coverage",
                f"short: {short}" if short else "well",
                worst,
                truth_of(worst),
                float("nan"),
                [made],
                ("vehicle_speed", "engine_speed", "pedal_d", "run_time", "ambient"),
                specs_of(),
            )
        )
    return cases
