"""The electric throttle: a plate on two springs, moved by a motor under a position controller.

    x″ = u − c·x′ − k·(x − x_limp) − friction(x′)          x: plate, % of its travel
    u  = k·(r − x_limp) + Kp·(r − x) − Kd·x′ + Ki·∫(r − x)  r: commanded, after the dead time

Without friction, play and rate limit this is the linear loop with ωn² = k + Kp, 2ζωn = c + Kd and
gain 1 (the integral part wound up no further than ±600 %/s²), which the tests hold against
python-control. Friction is Coulomb with a higher breakaway;
the play lies between the motor (whose place is controlled) and the plate (whose place is read).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
STEP_S = 0.002
KEEP = 2  # every second step is kept: 250 Hz


@dataclass
class Plates:
    """One number a car, shape (cars,). Positions in % of travel, forces as accelerations %/s².

    natural_rad_s, damping: of the linear loop. rate_down, rate_up: fastest movement, %/s.
    play: width of the hysteresis. stuck_at: a plate that does not move (nan: it does).
    """

    natural_rad_s: Array
    damping: Array
    dead_s: Array
    coulomb: Array
    breakaway: Array
    integral: Array
    play: Array
    limp_home: Array
    spring: Array
    rate_up: Array
    rate_down: Array
    stuck_at: Array

    @property
    def cars(self) -> int:
        return len(self.damping)


def sound_plates(rng: np.random.Generator, cars: int) -> Plates:
    """Healthy ones: 10–90 % in 50–110 ms, overshoot under 4 %, steady within about a percent."""

    def between(low: float, high: float) -> Array:
        return rng.uniform(low, high, cars)

    coulomb = between(50.0, 500.0)
    return Plates(
        natural_rad_s=between(25.0, 45.0),
        damping=between(0.75, 1.1),
        dead_s=between(0.01, 0.06),
        coulomb=coulomb,
        breakaway=coulomb * between(1.0, 1.3),
        integral=between(0.0, 4000.0),
        play=between(0.0, 0.4),
        limp_home=between(6.0, 10.0),
        spring=between(50.0, 150.0),
        rate_up=np.full(cars, 2000.0),
        rate_down=np.full(cars, 2000.0),
        stuck_at=np.full(cars, np.nan),
    )


def one(plates: Plates, car: int) -> Plates:
    return Plates(**{f.name: getattr(plates, f.name)[[car]] for f in fields(plates)})


def delayed(commanded: Array, dead_s: Array, step_s: float = STEP_S) -> Array:
    """Each car's command after its dead time, as the controller gets it."""
    shifts = np.round(dead_s / step_s).astype(int)
    places = np.arange(commanded.shape[1])[None, :] - shifts[:, None]
    return np.take_along_axis(commanded, np.maximum(places, 0), axis=1)


def plate_for(
    plates: Plates,
    commanded: Array,
    *,
    powered: Array | None = None,
    rate_down: Array | None = None,
    keep: int = KEEP,
) -> Array:
    """The plate's true position, shape (cars, steps / keep), for a command at full step.

    commanded: (cars, steps), % of travel. powered: the same shape, 0 where the motor has no
    current and the springs alone act. rate_down: (cars, steps), a limit of closing that comes and
    goes (a release that sticks once).
    """
    cars, steps = commanded.shape
    target = delayed(commanded, plates.dead_s)
    stiffness = plates.natural_rad_s**2
    drag = 2.0 * plates.damping * plates.natural_rad_s
    spring_drag = 2.0 * 0.7 * np.sqrt(plates.spring)
    gain = plates.integral
    wound = np.zeros(cars)
    half = plates.play / 2.0
    place = (
        np.where(powered[:, 0] > 0, target[:, 0], plates.limp_home)
        if powered is not None
        else (target[:, 0].copy())
    )
    plate = place.copy()
    speed = np.zeros(cars)
    kept = np.empty((cars, (steps + keep - 1) // keep))
    slide = STEP_S * plates.coulomb
    breakaway = plates.breakaway
    rest = np.zeros(cars)
    for step in range(steps):
        if step % keep == 0:
            kept[:, step // keep] = plate
        wanted = target[:, step]
        middle = place + (STEP_S / 2.0) * speed
        error = wanted - middle
        on = None if powered is None else powered[:, step] > 0
        if on is None:
            wound = np.clip(wound + STEP_S * gain * error, -600.0, 600.0)
            force, resist = stiffness * error + wound, drag
        else:
            wound = np.where(on, np.clip(wound + STEP_S * gain * error, -600.0, 600.0), 0.0)
            force = np.where(
                on, stiffness * error + wound, plates.spring * (plates.limp_home - middle)
            )
            resist = np.where(on, drag, spring_drag)
        half_drag = (STEP_S / 2.0) * resist
        faster = (speed * (1.0 - half_drag) + STEP_S * force) / (1.0 + half_drag)
        size = np.maximum(np.abs(faster) - slide, 0.0)
        held = (speed == 0.0) & (np.abs(force) <= breakaway)
        last = speed
        speed = np.where(held, rest, np.copysign(size, faster))
        lowest = -(plates.rate_down if rate_down is None else rate_down[:, step])
        speed = np.minimum(np.maximum(speed, lowest), plates.rate_up)
        place = place + (STEP_S / 2.0) * (last + speed)  # midpoint rule: second order
        plate = np.minimum(np.maximum(plate, place - half), place + half)
    fixed = ~np.isnan(plates.stuck_at)
    kept[fixed] = plates.stuck_at[fixed, None]
    return np.clip(kept, 0.0, 100.0)
