"""Where the mixture may be judged: closed loop, warm idle, and 2,500 rpm held.

A pedal is not asked for as strictly as by the idle checks: what counts is that the engine takes
little air, or an even amount of it.
"""

from __future__ import annotations

import math

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.recording import Array, Recording
from verify.evidence.windows import (
    FAST_CAP_S,
    PEDAL_REST_AT_MOST,
    Condition,
    at_rest,
    held,
    idle_windows,
    rest_level,
    running,
    standing,
    too_slow,
    warm,
)

HELD_FROM_RPM, HELD_TO_RPM = 2200.0, 2800.0
# 30 s are asked for; finding the speed and letting it go cost the first and last few.
LEAST_HELD_S = 25.0
SETTLING_S, LEAVING_S = 5.0, 1.0
# Standing below this an engine takes little air whatever the foot does.
IDLE_AT_MOST_RPM = 1100.0
CLOSED_LOOP = 2.0  # PID 03: closed loop, oxygen sensor in use
STATUS_CAP_S = 15.0
# Pressed further, an engine may leave closed loop for full load.
PART_THROTTLE_POINTS = 40.0

SETTLE_HELD = "with the engine warm, hold 2,500 rpm for 30 s, parked or in steady driving"
SETTLE_IDLE = "let the warm engine idle for 60 s, standing, foot off the pedal"


def closed_loop(recording: Recording) -> Condition:
    """Where the engine says that it regulates; everywhere, as implied, where it does not say."""
    status = recording.channels.get("fuel_status")
    if status is None:
        everywhere = np.array([[-math.inf, math.inf]])
        return Condition(
            everywhere,
            implied="no fuel status channel: closed loop is taken from a warm engine at a steady "
            "speed",
        )
    if too_slow(status, STATUS_CAP_S):
        return Condition(
            sp.EMPTY,
            "too-slow-to-tell",
            "fuel status was read too seldom to say when the engine regulated",
            "record fewer channels",
        )
    closed = held(status, np.round(status.values) == CLOSED_LOOP, recording, STATUS_CAP_S)
    return Condition(
        closed,
        why="fuel status shows closed loop (2) at no suitable time",
        settle="drive until the engine is warm, then record again",
    )


def warm_idle(recording: Recording, warm_from_c: float) -> Condition:
    """Warm idle; without any pedal channel a standing engine below 1,100 rpm stands in for it."""
    found = idle_windows(recording, warm_from_c)
    implied = "; ".join(found.implied)
    if len(found.spans) or any(n in recording.channels for n in PEDAL_REST_AT_MOST):
        return Condition(found.spans, found.lack, found.why, found.settle, implied)
    conditions = (running(recording), standing(recording), warm(recording, warm_from_c))
    for condition in conditions:
        if condition.lack:
            return condition
    channel = recording.channels["engine_speed"]
    spans = held(channel, channel.values <= IDLE_AT_MOST_RPM, recording, FAST_CAP_S)
    for condition in conditions:
        spans = sp.intersect(spans, condition.spans)
    spans = sp.at_least(sp.trim(spans, 2.0 * SETTLING_S, LEAVING_S), SETTLING_S)
    return Condition(
        spans,
        why=f"no warm idle below {IDLE_AT_MOST_RPM:.0f} rpm is in it",
        settle=SETTLE_IDLE,
        implied="no pedal channel: idle is taken from an engine that turns at no more than "
        f"{IDLE_AT_MOST_RPM:.0f} rpm while the car stands",
    )


def held_speed(recording: Recording, warm_from_c: float) -> Condition:
    """2,500 rpm held, parked or in steady driving.

    Rolling with the foot off, the fuel is cut; under full load it is enriched. Fuel status shows
    both. Where it is not recorded, driving counts only with the pedal pressed a part of its way.
    """
    conditions = [running(recording), warm(recording, warm_from_c)]
    for condition in conditions:
        if condition.lack:
            return condition
    channel = recording.channels["engine_speed"]
    inside = (channel.values >= HELD_FROM_RPM) & (channel.values <= HELD_TO_RPM)
    spans = held(channel, inside, recording, FAST_CAP_S)
    for condition in conditions:
        spans = sp.intersect(spans, condition.spans)
    if "fuel_status" not in recording.channels:
        parked = sp.intersect(spans, standing(recording).spans)
        pressed = sp.intersect(spans, _part_throttle(recording))
        road = sp.at_least(sp.without(pressed, parked), LEAST_HELD_S)
        both = np.concatenate([sp.at_least(parked, LEAST_HELD_S), road])
        spans = both[np.argsort(both[:, 0])]
    spans = sp.trim(sp.at_least(spans, LEAST_HELD_S), SETTLING_S, LEAVING_S)
    return Condition(
        spans,
        "" if len(spans) else "held-speed-missing",
        f"the warm engine was not held between {HELD_FROM_RPM:.0f} and {HELD_TO_RPM:.0f} rpm for "
        "30 s",
        SETTLE_HELD,
    )


def _part_throttle(recording: Recording) -> Array:
    for name, at_most in PEDAL_REST_AT_MOST.items():
        pedal = recording.channels.get(name)
        if pedal is None or too_slow(pedal, FAST_CAP_S):
            continue
        rest = rest_level(pedal, at_most)
        if rest is None:
            return sp.EMPTY
        part = ~at_rest(pedal, rest) & (pedal.values <= rest + PART_THROTTLE_POINTS)
        return held(pedal, part, recording, FAST_CAP_S)
    return sp.EMPTY
