"""How many sound cars any test could pass at slow rates: what the readings themselves allow.

Not of keysback's checks, but of the best possible one. It is told what no check knows: how soon
this car's answers come (`QUICK_S`, each the same), how slow the fault is, and that one press is bad
or none (for `pedal-response` all or none). What it sees is what a logger writes: between which two
of its readings the foot pressed, and at which one the plate had answered. By Neyman and Pearson's
lemma no test with as few wrong passes passes more sound cars than one that orders recordings by
their likelihood ratio; here 1 in 100 faults of 1.1 times the limit may pass. Half of the cars of
`truth.py` are sound, so no more than (1 + the share told here) / 2 of them can be decided.

Loggers: "own": each channel on its own clock. "turn": one after the other, a quarter of a round
apart, each with its own time. "row": one time for the row, and nothing says in which order its
values were read: the plate's may be up to a row older or younger than the pedal's. The best test
averages over these orders; a check may not, since the order is the logger's habit and its owner
meets it every day.

    python benchmarks/truth_bound.py [--seed N] [--series N]
"""

from __future__ import annotations

import argparse

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
QUICK_S = 0.1
WRONG = 0.01
# What the fault takes: 1.1 times the limit of no-response (0.7 s), of throttle-return (1 s) and of
# pedal-response (0.3 s). The first two are spoiled by one press, the third by the usual one.
FAULTS = {
    "no-response": (0.77, False),
    "throttle-return": (1.1, False),
    "pedal-response": (0.33, True),
}
LOGGERS = ("own", "turn", "row")
LAGS = 41  # of a row: as many lags of the plate's reading behind the pedal's are held possible


def chance(seen: Array, lag_s: Array, takes_s: float, every_s: float) -> Array:
    """P(the plate is first seen moved at its reading number `seen`), all shapes broadcast.

    Readings of the pedal come at 0 and `every_s`, the press lies evenly in between; those of the
    plate come at `lag_s` + j · `every_s`.
    """
    end = lag_s + seen * every_s - takes_s
    lies = np.minimum(end, every_s) - np.maximum(end - every_s, 0.0)
    return np.asarray(np.maximum(lies, 0.0) / every_s)


def ratio(
    seen: Array, lag_s: Array, fault_s: float, every_s: float, *, every_press: bool, logger: str
) -> Array:
    """Likelihood of a fault over that of none for each recording, shape (series,).

    seen, lag_s: shape (series, presses).
    """
    tried = np.linspace(-every_s, every_s, LAGS) if logger == "row" else np.zeros(1)
    sound, spoiled = np.zeros(len(seen)), np.zeros(len(seen))
    for lag in tried:
        own = np.full_like(seen, lag) if logger == "row" else lag_s
        quick = chance(seen, own, QUICK_S, every_s)
        slow = chance(seen, own, fault_s, every_s)
        sound += np.prod(quick, axis=1)
        if every_press:
            spoiled += np.prod(slow, axis=1)
            continue
        for i in range(seen.shape[1]):
            rest = np.prod(np.delete(quick, i, axis=1), axis=1)
            spoiled += slow[:, i] * rest / seen.shape[1]
    with np.errstate(divide="ignore"):
        return np.asarray(np.where(sound > 0.0, spoiled / np.maximum(sound, 1e-300), np.inf))


def best(
    rng: np.random.Generator, check: str, rate_hz: float, presses: int, logger: str, series: int
) -> float:
    """The share of sound cars that the best test passes."""
    every_s, (fault_s, every_press) = 1.0 / rate_hz, FAULTS[check]
    told = []
    for bad in (False, True):
        takes = np.full((series, presses), QUICK_S)
        if bad:
            takes[:, slice(None) if every_press else slice(0, 1)] = fault_s
        if logger == "own":
            lag = rng.uniform(0.0, every_s, (series, presses))
        elif logger == "turn":
            lag = np.full((series, presses), 0.25 * every_s)
        else:
            lag = np.repeat(rng.uniform(-every_s, every_s, (series, 1)), presses, axis=1)
        pressed = rng.uniform(0.0, every_s, (series, presses))
        seen = np.ceil((pressed + takes - lag) / every_s)
        told.append(ratio(seen, lag, fault_s, every_s, every_press=every_press, logger=logger))
    sound, spoiled = told
    # The bound lies where one fault in a hundred would pass; on a tie, by lot.
    levels = np.unique(np.concatenate([sound, spoiled]))
    low = np.searchsorted(np.sort(spoiled), levels, side="right") / series
    place = int(np.searchsorted(low, WRONG, side="right"))
    passed = float(np.mean(sound < levels[place])) if place < len(levels) else 1.0
    if place < len(levels):
        tie = float(np.mean(spoiled == levels[place]))
        left = WRONG - float(np.mean(spoiled < levels[place]))
        passed += float(np.mean(sound == levels[place])) * (left / tie if tie > 0 else 1.0)
    return passed


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--series", type=int, default=4000)
    args = p.parse_args()
    rng = np.random.default_rng(args.seed)
    print("sound cars that the best possible test passes, of 100")
    for check in FAULTS:
        for presses in (10, 30):
            for logger in LOGGERS:
                shares = [
                    f"{r:g} Hz {100 * best(rng, check, r, presses, logger, args.series):3.0f}"
                    for r in (1.0, 1.5, 2.0, 3.0, 5.0)
                ]
                print(f"  {check:15s} {presses} presses, {logger:4s}  " + "   ".join(shares))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
