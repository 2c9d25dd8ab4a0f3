"""Windows that are left out of a closer look are never among those with the largest spread."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verify.evidence.checks import surge
from verify.evidence.checks.in_gear import Driving
from verify.evidence.checks.restless import restless
from verify.evidence.recording import Channel

SECONDS, FINEST_S = surge.WINDOW_S, surge.FINEST_S


def spans(start: np.ndarray) -> np.ndarray:
    return np.column_stack([start, start + SECONDS])


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.sampled_from([0.05, 0.1, 0.3, 1.0]), st.integers(1, 30))
def test_the_most_restless_are_all_kept(seed: int, every_s: float, most: int) -> None:
    chance = np.random.default_rng(seed)
    t = np.cumsum(chance.uniform(0.5, 1.5, round(700.0 / every_s)) * every_s)
    noise = np.repeat(chance.choice([0.0, 3.0, 30.0], 71), len(t) // 70)[: len(t)]
    v = 1500.0 + 3.0 * (t % 15.0) ** 2 + noise * chance.normal(0.0, 1.0, len(t))
    gone = chance.random(len(t)) < 0.3 * (np.floor(t / 40.0) % 2)
    engine = Channel("engine_speed", "rpm", t[~gone], v[~gone], 1.0, every_s)
    start = np.arange(0.0, 690.0, SECONDS)
    kept = restless(engine, spans(start), most=most, least=12, finest_s=FINEST_S)
    drive = Driving(engine, engine, engine)
    every = {s: surge._swing(0, drive, s, s + SECONDS) for s in start.tolist()}
    bounds = {s: own.bound for s, own in every.items() if own is not None}
    largest = sorted(bounds, key=lambda s: -bounds[s])[:most]
    assert set(largest) <= set(start[kept].tolist())
    if len(bounds) > most and bounds[largest[-1]] > 0.01:
        assert np.count_nonzero(kept) == sum(bounds[s] >= bounds[largest[-1]] for s in bounds)


@pytest.mark.parametrize("most", [1, 40])
def test_still_windows_are_all_alike_and_all_kept(most: int) -> None:
    t = np.arange(0.0, 300.0, 0.5)
    engine = Channel("engine_speed", "rpm", t, np.full(len(t), 800.0), 1.0, 0.5)
    kept = restless(engine, spans(np.arange(0.0, 280.0, 15.0)), most=most, least=12, finest_s=0.25)
    assert kept.all()
