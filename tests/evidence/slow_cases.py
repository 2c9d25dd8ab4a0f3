"""One recording for every finding of the checks of slow quantities and of the key."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from tests.evidence.slow_cars import less, made, spoiled
from tests.evidence.slow_drives import (
    charging_car,
    hammers,
    keyed_car,
    mixture_car,
    sweeps,
    warming_car,
)
from tests.nasty import spec
from verify.evidence.recording import Recording
from verify.quantity import SpecValue

Specs = Mapping[str, SpecValue]

# What each of these checks cannot do without, in the recording that earns a pass.
REQUIRED: Mapping[str, tuple[Callable[[], Recording], tuple[str, ...]]] = {
    "fuel-trim": (
        mixture_car,
        ("fuel_trim_short", "fuel_trim_long", "engine_speed", "vehicle_speed", "coolant"),
    ),
    "warm-up": (warming_car, ("coolant", "engine_speed", "vehicle_speed")),
    "charging": (charging_car, ("module_voltage", "engine_speed")),
    "key-on-rest": (keyed_car, ("throttle", "pedal_d", "engine_speed")),
}


def _slower(base: Recording, name: str, every: int) -> Recording:
    c = base.channels[name]
    slow = replace(
        c,
        time_s=c.time_s[::every],
        values=c.values[::every],
        interval_s=float(np.median(np.diff(c.time_s[::every]))),
    )
    return replace(base, channels={**base.channels, name: slow})


def _raised_only() -> Recording:
    t = np.arange(0.0, 120.0, 1.0)
    engine = 2000.0 + 9.0 * np.sin(t)
    return made({"engine_speed": (t, engine), "module_voltage": (t, 14.2 + 0.05 * np.sin(3.0 * t))})


def _gave_up() -> Recording:
    sound = charging_car(idle_s=400.0)
    volts = sound.channels["module_voltage"]
    late = np.where(volts.time_s > volts.time_s[-1] - 60.0, 12.6, volts.values)
    others = {n: (c.time_s, c.values) for n, c in sound.channels.items()}
    return made(others | {"module_voltage": (volts.time_s, late)})


def _coarse() -> Recording:
    base = keyed_car()
    channels = dict(base.channels)
    channels["throttle"] = replace(channels["throttle"], resolution=1.5)
    return replace(base, channels=channels)


def _twitching() -> Recording:
    return keyed_car(lambda s: sweeps(s) + np.where((s > 6.0) & (s < 6.5), 1.7, 0.0))


CASES: dict[tuple[str, str], tuple[Callable[[], Recording], Specs]] = {
    ("fuel-trim", "within"): (mixture_car, {}),
    ("fuel-trim", "leak-likely"): (lambda: mixture_car(20.0, 3.0), {}),
    ("fuel-trim", "lean-everywhere"): (lambda: mixture_car(18.0, 16.0), {}),
    ("fuel-trim", "lean"): (lambda: mixture_car(2.0, 16.0), {}),
    ("fuel-trim", "rich"): (lambda: mixture_car(-17.0, -16.0), {}),
    ("fuel-trim", "near-limit"): (lambda: mixture_car(10.0, 2.0), {}),
    ("fuel-trim", "held-speed-missing"): (lambda: mixture_car(held_s=10.0), {}),
    ("fuel-trim", "no-idle"): (lambda: mixture_car(idle_s=7.0), {}),
    ("fuel-trim", "too-short"): (lambda: mixture_car(idle_s=18.0), {}),
    ("fuel-trim", "not-warm"): (mixture_car, {"warm_coolant": spec("95 °C")}),
    ("fuel-trim", "open-loop"): (lambda: mixture_car(status=1.0), {}),
    ("fuel-trim", "sum-unknown"): (lambda: less(mixture_car(), "fuel_trim_long"), {}),
    ("fuel-trim", "frozen"): (lambda: spoiled(mixture_car(), "fuel_trim_short")["constant"], {}),
    ("fuel-trim", "drops-out"): (
        lambda: spoiled(mixture_car(14.0, 13.0), "fuel_trim_short")["flickering"],
        {},
    ),
    ("fuel-trim", "too-slow-to-tell"): (
        lambda: _slower(mixture_car(), "fuel_trim_short", 20),
        {},
    ),
    ("fuel-trim", "channel-missing"): (lambda: less(mixture_car(), "coolant"), {}),
    ("fuel-trim", "spec-implausible"): (mixture_car, {"trim_limit": spec("90 %")}),
    ("warm-up", "regulates"): (warming_car, {}),
    ("warm-up", "overheats"): (lambda: warming_car(110.0), {}),
    ("warm-up", "too-cold"): (lambda: warming_car(66.0), {}),
    ("warm-up", "falls-on-the-road"): (
        lambda: warming_car(62.0, idles_at_c=92.0, road_from_s=900.0),
        {},
    ),
    ("warm-up", "still-warming"): (lambda: warming_car(minutes=5.0, tau_s=400.0), {}),
    ("warm-up", "near-limit"): (lambda: warming_car(105.0), {}),
    ("warm-up", "too-short"): (lambda: warming_car(start_c=88.0, minutes=4.5), {}),
    ("warm-up", "not-driven"): (lambda: warming_car(road_from_s=1e9), {}),
    ("warm-up", "ambient-unknown"): (lambda: warming_car(66.0, outside_c=None), {}),
    ("warm-up", "frost"): (lambda: warming_car(66.0, outside_c=-20.0), {}),
    ("warm-up", "frozen"): (lambda: spoiled(warming_car(), "coolant")["constant"], {}),
    ("warm-up", "implausible"): (lambda: spoiled(warming_car(), "coolant")["huge"], {}),
    ("warm-up", "no-running"): (lambda: spoiled(warming_car(), "engine_speed")["zero"], {}),
    ("warm-up", "too-slow-to-tell"): (lambda: _slower(warming_car(), "coolant", 90), {}),
    ("warm-up", "channel-missing"): (lambda: less(warming_car(), "coolant"), {}),
    ("warm-up", "spec-implausible"): (warming_car, {"coolant_most": spec("150 °C")}),
    ("charging", "charges"): (charging_car, {}),
    ("charging", "charges-smart"): (
        lambda: charging_car(12.9, 12.9, first_v=14.4, first_s=40.0, idle_s=200.0),
        {},
    ),
    ("charging", "not-charging"): (lambda: charging_car(12.1, 12.0), {}),
    ("charging", "barely-above-rest"): (lambda: charging_car(12.75, 12.75, rest_v=12.7), {}),
    ("charging", "overcharges"): (lambda: charging_car(15.6, 15.6), {}),
    ("charging", "below-usual"): (lambda: charging_car(13.1, 13.2), {}),
    ("charging", "above-usual"): (lambda: charging_car(14.9, 14.9), {}),
    ("charging", "low-at-the-end"): (_gave_up, {}),
    ("charging", "raised-speed-missing"): (lambda: charging_car(raised_s=0.0), {}),
    ("charging", "idle-missing"): (_raised_only, {}),
    ("charging", "fed-without-engine"): (lambda: charging_car(14.3, 14.3, rest_v=13.9), {}),
    ("charging", "implausible"): (lambda: charging_car(times=0.1), {}),
    ("charging", "frozen"): (lambda: spoiled(charging_car(), "module_voltage")["constant"], {}),
    ("charging", "too-short"): (lambda: charging_car(idle_s=10.0, raised_s=0.0), {}),
    ("charging", "too-slow-to-tell"): (
        lambda: _slower(charging_car(), "module_voltage", 20),
        {},
    ),
    ("charging", "channel-missing"): (lambda: less(charging_car(), "engine_speed"), {}),
    ("key-on-rest", "at-rest"): (keyed_car, {}),
    ("key-on-rest", "no-self-test"): (lambda: keyed_car(lambda s: 15.0 + 0.0 * s), {}),
    ("key-on-rest", "hammering"): (lambda: keyed_car(lambda s: hammers(s, 60.0)), {}),
    ("key-on-rest", "keeps-moving"): (lambda: keyed_car(lambda s: sweeps(s, 4.0)), {}),
    ("key-on-rest", "small-movement"): (_twitching, {}),
    ("key-on-rest", "near-limit"): (
        lambda: keyed_car(lambda s: sweeps(s, 2.8), skew_s=0.4),
        {},
    ),
    ("key-on-rest", "too-short"): (lambda: keyed_car(start_s=3.5), {}),
    ("key-on-rest", "too-coarse"): (_coarse, {}),
    ("key-on-rest", "too-slow-to-tell"): (lambda: keyed_car(rate_hz=10.0), {}),
    ("key-on-rest", "no-key-on"): (lambda: keyed_car(sign="none"), {}),
    ("key-on-rest", "frozen"): (lambda: spoiled(keyed_car(), "throttle")["constant"], {}),
    ("key-on-rest", "implausible"): (lambda: spoiled(keyed_car(), "throttle")["negative"], {}),
    ("key-on-rest", "channel-missing"): (lambda: less(keyed_car(), "pedal_d"), {}),
}
