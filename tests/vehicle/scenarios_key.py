"""Key on, engine off: the plate tests itself once and comes to rest, or does not."""

from __future__ import annotations

import numpy as np

from tests.vehicle.case import Case, specs_of, truth_of
from tests.vehicle.hands import wandering
from tests.vehicle.logger import Signals
from tests.vehicle.scenarios_throttle import (
    FINE_S,
    THROTTLE_AT_0,
    THROTTLE_SLOPE,
    _shares,
    pedal_at_rest,
)
from tests.vehicle.throttle import KEEP, STEP_S, plate_for, sound_plates

SECONDS = 22.0


def key_on(rng: np.random.Generator, cars: int) -> list[Case]:
    """At rest within 2.5 s, or still hammering, or creeping to its place."""
    shares = _shares(rng, cars)
    plates = sound_plates(rng, cars)
    steps = round(SECONDS / STEP_S)
    times = np.arange(steps) * STEP_S
    commanded, powered = np.empty((cars, steps)), np.zeros((cars, steps))
    keys, kinds = [], []
    for car in range(cars):
        key = rng.uniform(3.0, 6.0)
        rest = rng.uniform(3.0, 8.0)
        last = 2.5 * shares[car]
        hammers = last > 2.5 and rng.uniform() < 0.5
        lasts = last + rng.uniform(0.0, 6.0) * hammers
        since = times - key
        wave = rest + rng.uniform(6.0, 25.0) * (np.sin(2 * np.pi * since / 0.8) > 0)
        commanded[car] = np.where((since >= 0) & (since < max(lasts - 0.1, 0.0)), wave, rest)
        powered[car] = since >= 0
        plates.limp_home[car] = rest + rng.uniform(4.0, 8.0)
        keys.append(key)
        kinds.append("hammers" if hammers else "late" if last > 2.5 else "well")
    plate = plate_for(plates, commanded, powered=powered)
    fine = times[::KEEP]
    cases = []
    for car in range(cars):
        leaf = plate[car]
        settled = float(np.median(leaf[-500:]))
        moves = np.abs(leaf - settled) * THROTTLE_SLOPE >= 2.0
        last_move = float(fine[np.flatnonzero(moves & (fine > keys[car]))[-1]]) - keys[car]
        on = fine >= keys[car]
        volts = np.where(on, 12.3, 0.3) + wandering(rng, len(fine), 0.02, 0.3, FINE_S)
        values = {
            "throttle": np.where(on, THROTTLE_AT_0 + THROTTLE_SLOPE * leaf, 0.0),
            "pedal_d": np.where(on, pedal_at_rest(rng), 0.0),
            "engine_speed": np.zeros(len(fine)),
            "module_voltage": volts,
            "vehicle_speed": np.zeros(len(fine)),
        }
        share = last_move / 2.5
        cases.append(
            Case(
                "key-on-rest",
                kinds[car],
                share,
                truth_of(share),
                last_move,
                [Signals(FINE_S, values, {"throttle": 0.05})],
                ("throttle", "pedal_d", "engine_speed", "module_voltage"),
                specs_of(),
            )
        )
    return cases
