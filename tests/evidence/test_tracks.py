"""Pairs of two tracks, their slope and their groups, against loops over every reading."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verify.evidence import stretches
from verify.evidence.recording import Channel, Recording
from verify.evidence.sharing import shared_answers
from verify.evidence.tracks import (
    JUMP_NOISE,
    PIECE_S,
    Pairs,
    bracketed,
    described,
    grouped,
    parted,
    quiet,
    rough_slope,
)


def made(seed: int, n: int) -> tuple[Pairs, np.ndarray]:
    chance = np.random.default_rng(seed)
    t = np.cumsum(chance.choice([0.1, 0.2, 4.0], n, p=[0.6, 0.35, 0.05]))
    x = np.repeat(chance.choice([0.0, 20.0, 21.0, 50.0], n), chance.integers(1, 9, n))[:n]
    x = x + chance.choice([0.0, 0.4], n)
    y = 0.5 * x + 8.0 + chance.choice([0.0, 0.4, 5.0], n, p=[0.7, 0.25, 0.05])
    low, high = x - chance.choice([0.0, 0.4], n), x + chance.choice([0.0, 0.4, 9.0], n)
    follows = chance.random(n) < 0.95
    follows[:1] = False
    pairs = Pairs(t, np.zeros(n, dtype=np.intp), x, y, low, high, np.full(n, 0.2), follows)
    return pairs, chance.random(n) < chance.choice([0.2, 0.9, 1.0])


@pytest.fixture(autouse=True)
def few_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that what is done part by part has parts to do."""
    monkeypatch.setattr(stretches, "AT_ONCE", 7)


@settings(deadline=None, max_examples=150)
@given(st.integers(0, 10_000), st.integers(1, 80), st.booleans())
def test_groups_are_those_of_a_loop(seed: int, n: int, flat: bool) -> None:
    pairs, take = made(seed, n)
    slope, steps, width = 0.5, (0.4, 0.4), 4.0
    linked = [i > 0 and take[i] and take[i - 1] and pairs.follows[i] for i in range(n)]
    change = [0.0, *np.abs(np.diff(pairs.y - slope * pairs.x)).tolist()]
    inside = [c for c, own in zip(change, linked, strict=True) if own]
    usual = 1.4826 * float(np.median(inside)) if inside else 0.0
    moved = (pairs.high - pairs.low).tolist()
    wanted: dict[tuple[int, int, int], list[int]] = {}
    stretch, begun = 0, 0.0
    for i in range(n):
        rounding = 1.5 * steps[1] + slope * (steps[0] + 0.5 * max(moved[i], moved[i - 1]))
        if not linked[i] or change[i] > rounding + JUMP_NOISE * usual + 1e-12:
            stretch, begun = stretch + 1, float(pairs.t[i])
        if take[i]:
            part = math.floor((float(pairs.t[i]) - begun) / PIECE_S)
            level = math.floor(float(pairs.x[i]) / width)
            wanted.setdefault((stretch, part, level), []).append(i)
    own = [rows for _, rows in sorted(wanted.items())]
    found = grouped(pairs, take, width, slope, steps, flat=flat)
    assert found.samples.tolist() == [len(rows) for rows in own]
    assert found.start_s.tolist() == [float(pairs.t[rows[0]]) for rows in own]
    assert found.end_s.tolist() == [float(pairs.t[rows[-1]]) for rows in own]
    assert np.allclose(found.x, [np.median(pairs.x[rows]) for rows in own])
    off = 0.0 if flat else slope
    level_y = [pairs.y[r] - off * (pairs.x[r] - np.median(pairs.x[r])) for r in own]
    assert np.allclose(found.y, [np.median(y) for y in level_y])
    scatter = [1.4826 * np.median(np.abs(y - np.median(y))) for y in level_y]
    assert np.allclose(found.scatter, scatter)
    assert np.allclose(found.motion, [np.mean(np.array(moved)[rows]) for rows in own])


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10_000), st.integers(2, 80), st.lists(st.integers(0, 200), max_size=9))
def test_groups_that_are_asked_for_are_those_of_all(seed: int, n: int, asked: list[int]) -> None:
    pairs, take = made(seed, n)
    parts = parted(pairs, take, 4.0, 0.5, (0.4, 0.4))
    every = described(parts, np.arange(len(parts.start)), 0.5)
    which = np.array([a % len(every) for a in asked if len(every)], dtype=np.intp)
    some = described(parts, which, 0.5)
    for f in fields(some):
        assert getattr(some, f.name).tolist() == getattr(every, f.name)[which].tolist()


@settings(deadline=None, max_examples=150)
@given(st.integers(0, 10_000), st.integers(0, 60), st.sampled_from([-2.0, 0.0, 1e-12, 0.7]))
def test_the_rough_slope_is_that_of_all_readings_at_once(seed: int, n: int, slope: float) -> None:
    pairs, take = made(seed, n)
    pairs = replace(pairs, y=12.0 + slope * pairs.x + (0.0 if seed % 2 else 1e-13 * pairs.t))
    x, y = pairs.x[take], pairs.y[take]
    wanted = 0.0
    if len(x) > 1 and np.ptp(x) > 0.0:
        wanted = np.ptp(y) / np.ptp(x) * np.sign(np.sum((x - x.mean()) * (y - y.mean())))
    assert rough_slope(pairs, take) == wanted
    assert quiet(pairs, 80.0, 0.4).tolist() == (pairs.high - pairs.low <= 1.2 + 0.404).tolist()


@settings(deadline=None, max_examples=80)
@given(
    st.integers(0, 10_000),
    st.integers(1, 60),
    st.sampled_from([0.0, 0.1, 0.25]),
    st.booleans(),
    st.booleans(),
)
def test_a_pair_has_the_readings_around_it(
    seed: int, n: int, skew_s: float, same: bool, jitter: bool
) -> None:
    chance = np.random.default_rng(seed)
    t = np.cumsum(chance.uniform(0.05, 0.15, n) if jitter else np.full(n, 0.125))
    x = Channel("throttle", "%", t, chance.normal(30, 9, n), 0.4, 0.125, "", skew_s)
    t_y = t if same else t + 0.03
    y = Channel("throttle_b", "%", t_y, chance.normal(40, 9, n), 0.4, 0.125, "", skew_s)
    gaps = ((float(t[n // 2]), float(t[n // 2]) + 0.01),) if seed % 3 == 0 else ()
    recording = Recording("made", "", "made", 1, n, 9.0, {}, gaps)
    with shared_answers():
        found = bracketed(recording, x, y)
        again = bracketed(recording, x, y)
    reach = max(0.0, skew_s - 0.15 * 0.125)
    rows = []
    for i, at in enumerate(y.time_s.tolist()):
        before = [j for j in range(n) if t[j] < at - reach]
        after = [j for j in range(n) if t[j] > at + reach]
        if not before or not after:
            continue
        if not any(t[before[-1]] < end and begin < t[after[0]] for begin, end in gaps):
            rows.append((i, before[-1], after[0]))
    assert found.t.tolist() == [float(y.time_s[i]) for i, _, _ in rows]
    assert found.y.tolist() == [float(y.values[i]) for i, _, _ in rows]
    assert found.low.tolist() == [float(x.values[a : b + 1].min()) for _, a, b in rows]
    assert found.high.tolist() == [float(x.values[a : b + 1].max()) for _, a, b in rows]
    assert np.allclose(found.x, np.interp(found.t, t, x.values))
    assert [getattr(again, f.name).tolist() for f in fields(again)] == [
        getattr(found, f.name).tolist() for f in fields(found)
    ]
