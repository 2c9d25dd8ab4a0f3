"""Sounds drawn at random, and what the checks by ear say of each: for benchmarks/sound.py.

Pure in its seed. The sounds themselves come from tests/engines_heard, but for two that are here.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from tests.engines_heard import others
from tests.engines_heard.engine import UNEVEN, Engine, Heard, hear
from tests.engines_heard.files import heard as as_read
from tests.engines_heard.imitations import IMITATIONS
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.nasty import spec
from verify.evidence.checks.catalogue import judge
from verify.evidence.sound.speed import speed_by_ear

Row = dict[str, Any]
BY_EAR = ("idle-speed-by-ear", "idle-steady-by-ear", "no-stall-by-ear")
SNR_DB = (-3.0, 0.0, 3.0, 6.0, 10.0, 15.0, 20.0)
# The limits the checks hold against (common practice): written out, so that a check that changed
# its own would be seen here.
TOLERANCE_RPM, SWING_RPM, HUNTING_RPM = 50.0, 50.0, 25.0
TRAPS = (0.5, 2.0, 2.0 / 3.0, 1.5)
STATED = ("in-range", "too-low", "too-high", "near-limit", "no-spec")
ALL_TOLD = "warm, standing, released"
GROUPS = ("engine", "stall", "key", "other")


# ---- sounds --------------------------------------------------------------------------------------


def engine_of(rng: np.random.Generator, snr_db: float, seed: int) -> tuple[Engine, str]:
    """(an engine drawn at random, its kind: even, uneven or dead cylinder)."""
    cylinders = int(rng.choice([2, 3, 4, 5, 6, 8]))
    kind, angles = "even", ()
    if cylinders in (2, 6) and rng.random() < 0.25:
        kind = "uneven"
        angles = next(a for a in UNEVEN.values() if len(a) == cylinders)
    elif rng.random() < 0.05:
        kind = "dead cylinder"
    hunts = rng.random() < 0.4
    pipes = [
        (float(np.exp(rng.uniform(np.log(60), np.log(1200)))), float(rng.uniform(2, 6)))
        for _ in range(rng.integers(2, 6))
    ]
    return Engine(
        rpm=float(rng.uniform(760, 1050) if cylinders < 4 else rng.uniform(580, 950)),
        cylinders=cylinders,
        seconds=62.0,
        rate=int(rng.choice([8000, 16_000, 44_100, 48_000], p=[0.1, 0.5, 0.3, 0.1])),
        seed=seed,
        wander_rpm=float(rng.uniform(1.5, 10.0)),
        hunting_rpm=float(rng.uniform(8.0, 60.0)) if hunts else 0.0,
        hunting_s=float(rng.uniform(1.5, 8.0)),
        unlike=float(rng.uniform(0.04, 0.3)),
        angles=angles,
        snr_db=snr_db,
        noise=str(rng.choice(["pink", "white", "wind"], p=[0.6, 0.2, 0.2])),
        phone=bool(rng.random() < 0.85),
        clip=float(rng.choice([0.0, 0.6, 0.3], p=[0.7, 0.15, 0.15])),
        belt=bool(rng.random() < 0.7),
        clatter=float(rng.uniform(0.1, 0.6)),
        dead_cylinder=kind == "dead cylinder",
        pipes=tuple(pipes),
    ), kind


def compressor(seed: int = 1) -> np.ndarray:
    """A piston compressor on an induction motor: a blow each turn, slip that drifts with load."""
    rng = np.random.default_rng(seed)
    even = Engine(rpm=2.0 * float(rng.uniform(700, 1450)), cylinders=1, seconds=62.0, seed=seed,
                  wander_rpm=float(rng.uniform(3.0, 9.0)), jitter=0.002, unlike=0.0)  # fmt: skip
    return hear(even).sound


def humming(seed: int = 1) -> np.ndarray:
    """Somebody hums one low note: a glottal buzz with vibrato, breaths every few seconds."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(62.0 * others.RATE)) / others.RATE
    drift = np.interp(t, np.arange(0, 64, 0.5), rng.normal(0, 0.006, 128))
    pitch = rng.uniform(85, 140) * (1 + 0.006 * np.sin(2 * np.pi * 5.3 * t) + drift)
    phase = 2 * np.pi * np.cumsum(pitch) / others.RATE
    buzz = sum(np.sin(k * phase + k) / k**1.3 for k in range(1, 25))
    breath = np.mod(t, rng.uniform(4.5, 7.0)) > 0.7
    return others._noisy(buzz * breath, rng, 20.0)


# Told apart from the shares: an engine to any ear (who records must know what was recorded), a
# stated blind spot, and clicks in bursts, of which the check judges the longest run alone.
LIKE_ENGINES: dict[str, Callable[..., np.ndarray]] = {"a piston compressor": compressor}
NO_ENGINES = {**others.OTHERS, "somebody humming": humming, **LIKE_ENGINES, **IMITATIONS}
APART = (*LIKE_ENGINES, "soft ticking", "random clicks")


# ---- one sound each → rows -----------------------------------------------------------------------


def row(group: str, kind: str, check: str, truth: str, result: Any, **more: Any) -> Row:
    return {"group": group, "kind": kind, "check": check, "truth": truth,
            "verdict": result.verdict.value, "finding": result.finding, "why": result.why,
            **more}  # fmt: skip


def specs_of(cylinders: int, rpm: float) -> dict[str, Any]:
    return {"cylinders": spec(str(cylinders)), "idle_speed": spec(f"{rpm:.2f} rpm")}


def engine_rows(seed: int, number: int, snr_db: float) -> list[Row]:
    rng = np.random.default_rng([seed, 1, number, (round(10 * snr_db) + 100) % 10_000])
    engine, kind = engine_of(rng, snr_db, int(rng.integers(1 << 30)))
    made = hear(engine)
    recording = as_read(made.sound, engine.rate, {"(told)": ALL_TOLD})
    true, n = made.mean_rpm, engine.cylinders
    facts = {"snr_db": snr_db, "cylinders": n, "true_rpm": true, "rate": engine.rate,
             "number": number}  # fmt: skip
    rows = []
    side = float(rng.choice([-1.0, 1.0])) * TOLERANCE_RPM
    good, bad = float(rng.uniform(0.0, 0.8)), float(rng.uniform(1.0, 2.0))
    asked = [("good", good, true + good * side), ("bad", bad, true + bad * side)]
    asked += [("trap", r, true * r) for r in TRAPS]
    for truth, share, target in asked:
        result = judge([recording], specs_of(n, target), BY_EAR[:1])[0]
        said = result.value if result.finding in STATED else None
        rows.append(
            row("engine", kind, result.check, truth, result, share=share, rpm=said, **facts)
        )
    told = int(rng.choice([c for c in (2, 3, 4, 5, 6, 8) if c != n]))
    result = judge([recording], specs_of(told, true * n / told), BY_EAR[:1])[0]
    rows.append(row("engine", kind, result.check, "miscounted", result, told=told, **facts))
    truth, share = steadiness(made, engine)
    for result in judge([recording], specs_of(n, true), BY_EAR[1:]):
        steady = result.check == BY_EAR[1]
        rows.append(row("engine", kind, result.check, truth if steady else "good", result,
                        share=share, **facts))  # fmt: skip
    return rows


def steadiness(made: Heard, engine: Engine) -> tuple[str, float]:
    """(good, bad or between; multiple of the limit) by the true speed of the crankshaft."""
    wide = np.lib.stride_tricks.sliding_window_view(made.rpm, 200)[::10]
    halves = 0.5 * (wide.max(axis=1) - wide.min(axis=1))
    hunting = engine.hunting_rpm / HUNTING_RPM
    ordinary = max(float(np.median(halves)) / SWING_RPM, hunting)
    if ordinary >= 1.0:
        return "bad", ordinary
    return ("good" if max(float(halves.max()) / SWING_RPM, hunting) <= 0.8 else "between"), ordinary


def stall_rows(seed: int, number: int, snr_db: float) -> list[Row]:
    """An engine that dies within the file; half of them with the key told to be left on."""
    rng = np.random.default_rng([seed, 2, number])
    engine, kind = engine_of(rng, snr_db, int(rng.integers(1 << 30)))
    engine = engine.but(seconds=80.0, stall_at_s=float(rng.uniform(15.0, 76.0)))
    told = ALL_TOLD + (", left-on" if rng.random() < 0.5 else "")
    recording = as_read(hear(engine).sound, engine.rate, {"(told)": told})
    result = judge([recording], specs_of(engine.cylinders, engine.rpm), BY_EAR[2:])[0]
    return [row("stall", kind, result.check, "bad", result, snr_db=snr_db, number=number,
                at_s=engine.stall_at_s)]  # fmt: skip


def key_rows(seed: int, number: int, _: float) -> list[Row]:
    """Two key-ons: quiet, ticking as a throttle does, ticking too softly, or clicks at random."""
    rng = np.random.default_rng([seed, 3, number])
    kind = str(rng.choice(["quiet", "ticking", "soft ticking", "random clicks"],
                          p=[0.4, 0.4, 0.1, 0.1]))  # fmt: skip
    chirp = float(rng.uniform(0.3, 0.9))
    # Within 12 dB of the chirp it must be heard; more softly is the check's stated blind spot.
    below = rng.uniform(14.0, 26.0) if kind == "soft ticking" else rng.uniform(0.0, 11.0)
    case = KeyOn(
        seed=int(rng.integers(1 << 30)),
        rate=int(rng.choice([16_000, 44_100])),
        relay=chirp * float(rng.uniform(0.6, 1.3)),
        chirp=chirp,
        ticking_s=0.0 if kind == "quiet" else float(rng.uniform(1.1, 7.0)),
        ticks_hz=float(rng.uniform(5.0, 30.0)),
        tick=chirp * 10.0 ** (-float(below) / 20.0),
        regular=kind != "random clicks",
        noise=float(10.0 ** rng.uniform(-3.5, -1.0)),
        noise_kind=str(rng.choice(["pink", "white", "wind"])),
        only_first=bool(rng.random() < 0.3),
        pump=bool(rng.random() < 0.7),
    )
    marks = ", ".join(f"{k + rng.uniform(-0.3, 0.3):.1f}" for k in case.keys)
    recording = as_read(key_ons(case), case.rate, {"(key-on)": marks})
    result = judge([recording], {}, ["key-on-ticking"])[0]
    return [row("key", kind, result.check, "good" if kind == "quiet" else "bad", result,
                number=number, noise=case.noise, below_db=float(below))]  # fmt: skip


def other_rows(seed: int, number: int, _: float) -> list[Row]:
    """A sound that is no engine, against every speed it might be taken for."""
    names = list(NO_ENGINES)
    name = names[number % len(names)]
    made = NO_ENGINES[name](seed=1000 * seed + number)
    made = np.resize(made, int(62.0 * others.RATE))
    recording = as_read(made, others.RATE, {"(told)": ALL_TOLD})
    note = recording.channels.get("note")
    frames = 0 if note is None else len(note.values)
    rows: list[Row] = []
    for cylinders in (2, 3, 4, 6, 8):
        targets = {round(a.rpm) for a in speed_by_ear(recording, cylinders).alternatives}
        for target in sorted(t for t in targets if 300 < t < 2500) or [720]:
            found = judge([recording], specs_of(cylinders, target), BY_EAR)
            more = {"number": number, "cylinders": cylinders, "spec_rpm": target, "frames": frames}
            rows += [row("other", name, r.check, "bad", r, **more) for r in found]
    keyed = as_read(made, others.RATE, {"(key-on)": "5, 25, 45"})
    result = judge([keyed], {}, ["key-on-ticking"])[0]
    return [*rows, row("other", name, result.check, "bad", result, number=number)]


MAKERS = {"engine": engine_rows, "stall": stall_rows, "key": key_rows, "other": other_rows}


def rows_of(task: tuple[str, int, int, float]) -> list[Row]:
    group, seed, number, snr_db = task
    return MAKERS[group](seed, number, snr_db)


def tasks_for(sounds: int, seed: int) -> list[tuple[str, int, int, float]]:
    found = [("engine", seed, n, snr) for n in range(sounds) for snr in SNR_DB]
    found += [("stall", seed, n, SNR_DB[n % len(SNR_DB)]) for n in range(2 * sounds)]
    found += [("key", seed, n, 0.0) for n in range(5 * sounds)]
    return found + [("other", seed, n, 0.0) for n in range(4 * sounds)]
