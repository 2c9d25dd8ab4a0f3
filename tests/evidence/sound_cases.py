"""One recording for every finding of the checks of sound: channels as the importer makes them.

Written out by plain arithmetic, so that the checks are tested apart from what hears; whole files
are heard in tests/evidence/sound/.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from fractions import Fraction

import numpy as np

from tests.nasty import spec
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.sound.cycles import SPACINGS, spacing_name
from verify.evidence.sound.orders import RATIOS
from verify.quantity import SpecValue

Specs = Mapping[str, SpecValue]
Make = Callable[[], Recording]

ALL_TOLD = "warm, standing, released"
UNITS = {"note": "Hz", "note_strength": "dB", "click": "dB", "click_floor": "dB",
         "sound_level": "dB", "sound_clipped": "%", "sound_bad": "%",
         "note_varies_round_s": "s"}  # fmt: skip


def made(
    channels: Mapping[str, tuple[Array, Array]], seconds: float, mapping: Mapping[str, str]
) -> Recording:
    digest = hashlib.sha256(repr(sorted(mapping.items())).encode())
    found = {}
    for name, (time_s, values) in channels.items():
        digest.update(name.encode() + time_s.tobytes() + values.tobytes())
        interval = float(np.median(np.diff(time_s))) if len(time_s) > 1 else float("nan")
        found[name] = Channel(name, UNITS.get(name, "1"), time_s.copy(), values.copy(), 0.0,
                              interval)  # fmt: skip
    return Recording("a sound", digest.hexdigest(), "sound", 1, int(seconds * 8000), seconds,
                     found, mapping=dict(mapping))  # fmt: skip


def idling(
    rpm: float = 700.0,
    *,
    seconds: float = 80.0,
    swing_rpm: float = 0.0,
    swing_s: float = 4.0,
    wander_rpm: float = 5.0,
    sure: float = 0.99,
    half: float = 0.0,
    lines: float = 20.0,
    cycle: int = 4,
    swell: float = 0.9,
    told: str = ALL_TOLD,
    until_s: float = 1e9,
    softer_db: float = 0.0,
    cylinders: int = 4,
    scatter: float = 0.2,
    bad: float = 0.0,
) -> Recording:
    """An engine heard through. sure: odds of the note being the firing; half: odds of half of it;
    until_s: when its note ends, by softer_db softer; cycle: how many firings are heard to lie in
    one of the engine, 0 for none; swell: how far the hiss swells with it;
    scatter: of its blows, as a share of their sound; bad: per cent of the samples that are no
    sound."""
    t = np.arange(0.3, seconds - 0.3, 0.1)
    t = t[t < until_s]
    beat = np.sin(1.9 * t) + 0.6 * np.sin(5.3 * t) + 0.7 * np.cos(0.37 * t) + np.sin(0.93 * t)
    speed = rpm + 0.55 * wander_rpm * beat + swing_rpm * np.sin(2 * np.pi * t / swing_s)
    blocks = np.arange(0.0, seconds, 20.0)
    odds = {r: (1.0 - sure - half) / (len(RATIOS) - 2) for r in RATIOS}
    odds[1, 1], odds[1, 2] = sure, half
    every = np.ones(len(blocks))
    second = np.arange(0.5, seconds, 1.0)
    return made(
        {
            "sound_level": (second, np.where(second < until_s, -20.0, -20.0 - softer_db)),
            "sound_clipped": (np.zeros(1), np.zeros(1)),
            "sound_bad": (np.zeros(1), np.full(1, bad)),
            "note": (t, speed * cylinders / 120.0),
            "note_strength": (t, np.full(len(t), 7.0)),
            "note_lines": (blocks, lines * every),
            **{f"note_odds_{a}_{b}": (blocks, odds[a, b] * every) for a, b in RATIOS},
            **{spacing_name(s): (blocks, _heard(s, cycle) * every) for s in SPACINGS},
            "note_varies_square": (blocks, scatter**2 * every),
            "note_varies_error": (blocks, 0.001 * every),
            "note_varies_repeats": (blocks, 0.02 * every),
            "note_varies_round_s": (blocks, 1.0 + 0.7 * np.cos(blocks)),
            "note_swell": (blocks, swell * every),
        },
        seconds,
        {"(told)": told} if told else {},
    )


def _heard(spacing: Fraction, cycle: int) -> float:
    """Evidence of 20 s: 30 for the spacing that is heard, less for finer ones, none for others."""
    if spacing == 1:
        return 0.0
    if not cycle or (Fraction(1, cycle) / spacing).denominator != 1:
        return -3.0
    return 30.0 if spacing == Fraction(1, cycle) else 12.0


def keyed(
    keys: tuple[float, ...] = (3.0, 22.0),
    *,
    seconds: float = 40.0,
    ticking_s: float = 0.0,
    ticks_hz: float = 10.0,
    uneven: bool = False,
    before: bool = False,
    own_db: float = -20.0,
    floor_db: float = -55.0,
    later: tuple[float, ...] = (),
    bad: float = 0.0,
) -> Recording:
    """Key-ons with the relay and a chirp of 0.4 s, and what ticks after it; later: single clicks so
    long after each."""
    times: list[float] = []
    for key in keys:
        times += [key, *(key + 0.25 + 0.05 * np.arange(8))]
        ticks = int(ticking_s * ticks_hz)
        gaps = np.full(ticks, 1.0 / ticks_hz)
        if uneven:
            gaps = gaps * np.resize([0.3, 1.9, 0.4, 2.8, 0.2, 0.6, 1.2, 0.35], ticks)
        times += (key + 0.7 + np.cumsum(gaps)).tolist()
        times += [key + at for at in later]
    if before:
        times += np.arange(0.05, seconds - 0.1, 1.0 / ticks_hz).tolist()
    at = np.unique(np.round(times, 3))
    half = np.arange(0.25, seconds, 0.5)
    return made(
        {
            "sound_level": (half, np.full(len(half), -30.0)),
            "sound_bad": (np.zeros(1), np.full(1, bad)),
            "click": (at, np.full(len(at), own_db) - 0.5 * np.cos(at)),
            "click_floor": (half, floor_db + 0.4 * np.sin(2.3 * half)),
            **({"key_on": (np.array(keys), np.ones(len(keys)))} if keys else {}),
        },
        seconds,
        {},
    )


FOUR: Specs = {"cylinders": spec("4")}
BOTH: Specs = {**FOUR, "idle_speed": spec("700 rpm")}


def _common(check: str, specs: Specs) -> dict[tuple[str, str], tuple[Make, Specs]]:
    less = {n: v for n, v in specs.items() if n != "cylinders"}
    return {
        (check, "channel-missing"): (lambda: _of_a_car(), specs),
        (check, "no-engine-heard"): (lambda: idling(lines=3.0), specs),
        (check, "has-gaps"): (lambda: idling(bad=2.0), specs),
        (check, "too-even"): (lambda: idling(wander_rpm=0.1), specs),
        (check, "octave-open"): (lambda: idling(1000.0, sure=0.6, half=0.38, cycle=0), specs),
        (check, "cycle-not-heard"): (lambda: idling(cycle=0), specs),
        (check, "no-cylinders"): (idling, less),
        (check, "spec-implausible"): (idling, {**specs, "cylinders": spec("3.5")}),
    }


def _of_a_car() -> Recording:
    from dataclasses import replace

    return replace(idling(), importer="made", channels={})


def _told_cases(check: str, specs: Specs) -> dict[tuple[str, str], tuple[Make, Specs]]:
    return {
        (check, "cylinders-doubtful"): (lambda: idling(cycle=3), specs),
        (check, "not-told"): (lambda: idling(told="warm"), specs),
        (check, "too-short"): (lambda: idling(seconds=14.0), specs),
    }


CASES: Mapping[tuple[str, str], tuple[Make, Specs]] = {
    **_common("idle-speed-by-ear", BOTH),
    **_told_cases("idle-speed-by-ear", BOTH),
    ("idle-speed-by-ear", "in-range"): (idling, BOTH),
    ("idle-speed-by-ear", "too-low"): (lambda: idling(600.0), BOTH),
    ("idle-speed-by-ear", "too-high"): (lambda: idling(820.0), BOTH),
    ("idle-speed-by-ear", "near-limit"): (lambda: idling(749.5), BOTH),
    ("idle-speed-by-ear", "no-spec"): (idling, FOUR),
    ("idle-speed-by-ear", "racing"): (
        lambda: idling(1400.0),
        {**FOUR, "idle_speed": spec("1400 rpm")},
    ),
    **_common("idle-steady-by-ear", FOUR),
    **_told_cases("idle-steady-by-ear", FOUR),
    ("idle-steady-by-ear", "steady"): (idling, FOUR),
    ("idle-steady-by-ear", "racing"): (lambda: idling(1400.0), FOUR),
    ("idle-steady-by-ear", "hunting"): (lambda: idling(swing_rpm=60.0), FOUR),
    ("idle-steady-by-ear", "maybe-hunting"): (lambda: idling(swing_rpm=25.0, swing_s=5.0), FOUR),
    ("idle-steady-by-ear", "unsteady"): (
        lambda: idling(swing_rpm=110.0, swing_s=15.0, seconds=400.0),
        FOUR,
    ),
    ("idle-steady-by-ear", "near-limit"): (
        lambda: idling(swing_rpm=41.0, swing_s=14.0),
        FOUR,
    ),
    **_common("no-stall-by-ear", FOUR),
    **_told_cases("no-stall-by-ear", FOUR),
    ("no-stall-by-ear", "none-heard"): (idling, FOUR),
    ("no-stall-by-ear", "racing"): (lambda: idling(1400.0), FOUR),
    ("no-stall-by-ear", "stalled"): (
        lambda: idling(until_s=50.0, softer_db=20.0, told="left-on"),
        FOUR,
    ),
    ("no-stall-by-ear", "stop-unclear"): (lambda: idling(until_s=50.0, softer_db=20.0), FOUR),
    ("no-stall-by-ear", "not-one-idle"): (
        lambda: idling(rpm=760.0, swing_rpm=170.0, swing_s=60.0, wander_rpm=1.0),
        FOUR,
    ),
    ("key-on-ticking", "quiet"): (keyed, {}),
    ("key-on-ticking", "ticking"): (lambda: keyed(ticking_s=4.0), {}),
    ("key-on-ticking", "near-limit"): (lambda: keyed(ticking_s=0.3, ticks_hz=24.0), {}),
    ("key-on-ticking", "other-clicks"): (lambda: keyed(ticking_s=4.0, uneven=True), {}),
    ("key-on-ticking", "clicks-anyway"): (lambda: keyed(before=True), {}),
    ("key-on-ticking", "goes-on"): (lambda: keyed(later=(3.0, 4.5, 6.0, 7.5)), {}),
    ("key-on-ticking", "would-not-be-heard"): (lambda: keyed(floor_db=-30.0), {}),
    ("key-on-ticking", "too-few-key-ons"): (lambda: keyed((3.0,)), {}),
    ("key-on-ticking", "too-short"): (lambda: keyed(seconds=25.0), {}),
    ("key-on-ticking", "has-gaps"): (lambda: keyed(bad=2.0), {}),
    ("key-on-ticking", "no-key-on"): (lambda: keyed(()), {}),
    ("key-on-ticking", "channel-missing"): (_of_a_car, {}),
}

# What each of these checks cannot do without, in the recording that earns a pass.
REQUIRED: Mapping[str, tuple[Make, Specs, tuple[str, ...]]] = {
    "idle-speed-by-ear": (idling, BOTH, ("note",)),
    "idle-steady-by-ear": (idling, FOUR, ("note",)),
    "no-stall-by-ear": (idling, FOUR, ("note",)),
    "key-on-ticking": (keyed, {}, ("key_on",)),
}
