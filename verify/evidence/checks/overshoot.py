"""Whether the plate shoots past where it settles, as far as readings at any rate can show it.

Part of `pedal-response`. Where the plate is read often, the height of each overshoot is seen, and
their median is measured. Where it is not, a reading falls into an overshoot only by chance. What is
asked then is this: had every press overshot by the limit or more, for `LASTS_S` or longer, how
probable were so few high readings? Presses come at any phase of the logger, so a reading falls into
the upper part of an overshoot with the chance that this part lasts / interval; presses add up. Only
where so few are improbable is an overshoot beyond the limit ruled out.

How much of it counts as its upper part is settled by the rate and the presses alone, before any
height is looked at: as little as will do, since a held foot moves the plate a little, too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from verify.evidence import spans as sp
from verify.evidence.checks.kind import COMMON_PRACTICE
from verify.evidence.checks.parked_presses import Piece
from verify.evidence.plate import PEAK_S, Answers, answers
from verify.evidence.presses import Mask
from verify.evidence.recording import Array, Channel
from verify.evidence.stretches import reduced
from verify.evidence.verdict import Limits, Measurement
from verify.values import dataclass

OVERSHOOT_PCT = 10.0
LIMIT = Limits(None, OVERSHOOT_PCT, "%", COMMON_PRACTICE)
# Half a hump of 0.2 s must hold two readings for its height to be seen to within a tenth of it.
SHOWS_S = 0.055  # 20 readings a second, with some jitter
LEAST_MEASURED = 3
# An overshoot of a plate lasts 0.2 s or more (common practice). Of half a sine, 1 − 2·asin(h)/π
# lies above the share h of its height: 0.51 above 0.7, 0.74 above 0.4.
LASTS_S = 0.2
SEEN_SHARES = (0.7, 0.55, 0.4)


@dataclass(frozen=True, slots=True)
class Overshoot:
    """What is seen of it.

    measurement: median in % of the step, None where the rate does not show it. presses: timed ones.
    seen_above: those in which a reading surely lies above the limit; short_above: of them, those
    that were seen to be over soon, and were not commanded. share: of the limit, from which on a
    reading counts as high; high: presses with such a reading. unseen: P(so few are high, if every
    press overshot by the limit or more).
    presses_needed: how many would make that improbable with none high; inf where none would.
    expected: how many would be high then.
    """

    measurement: Measurement | None
    presses: int
    seen_above: int
    short_above: int
    high: int
    unseen: float
    presses_needed: float
    expected: float = 0.0
    share: float = SEEN_SHARES[0]

    def ruled_out(self, improbable: float) -> bool:
        """Whether so few high readings are improbable, and fewer than half of those expected: how
        long an overshoot lasts is known only about, so a share of most is no share of few."""
        return self.unseen <= improbable and 2 * self.high <= self.expected


def overshoot(pieces: Sequence[Piece], which: Sequence[Mask], improbable: float) -> Overshoot:
    """which: for each piece the presses that are timed. improbable: a probability, as 0.05.

    A hump that is not over after 0.6 s is a governor's doing, and one that the commanded position
    makes too is wanted: neither counts.
    """
    share, chances = _upper_part(pieces, which, improbable)
    shares: list[float] = []
    doubts: list[float] = []
    above = short_above = high = total = 0
    for p, w, chance in zip(pieces, which, chances, strict=True):
        own = p.did.only(w)
        way = own.travel
        past = 100.0 * (own.peak - own.level) / way
        doubt = 100.0 * own.noise / way
        total += len(way)
        surely = past - doubt > OVERSHOOT_PCT
        above += int(np.sum(surely))
        past = past - _commanded(p, w)
        flat = own.level + 0.01 * OVERSHOOT_PCT * way + own.noise
        short = own.after_peak <= flat
        short_above += int(np.sum(surely & short & (past - doubt > OVERSHOOT_PCT)))
        lasting = own.after_peak > flat
        high += int(np.sum((chance > 0.0) & (past >= share * OVERSHOOT_PCT) & ~lasting))
        if not p.plate.interval_s <= SHOWS_S:
            continue
        good = short & np.isfinite(past)
        shares += np.maximum(past, 0.0)[good].tolist()
        doubts += doubt[good].tolist()
    every = np.concatenate(chances) if chances else np.empty(0)
    unseen = at_most(high, every)
    needed = _needed(every, improbable)
    measured = _median(shares, doubts) if len(shares) >= LEAST_MEASURED else None
    expected = float(every.sum())
    return Overshoot(measured, total, above, short_above, high, unseen, needed, expected, share)


def _upper_part(
    pieces: Sequence[Piece], which: Sequence[Mask], improbable: float
) -> tuple[float, list[Array]]:
    """The share of the limit from which readings count as high, and for each piece the chances of
    its presses to have one: the highest share with which none high would be improbable."""
    chances: list[Array] = []
    for share in SEEN_SHARES:
        chances = [
            _chance(p.plate, p.did.only(w), share) for p, w in zip(pieces, which, strict=True)
        ]
        if math.prod(float(np.prod(1.0 - c)) for c in chances) <= improbable:
            return share, chances
    return SEEN_SHARES[-1], chances


def _median(shares: Sequence[float], doubts: Sequence[float]) -> Measurement:
    values = np.array(shares)
    # Standard error of a median of normal numbers, and the unrest of the reading itself.
    scatter = 1.2533 * float(np.std(values, ddof=1)) / np.sqrt(len(values))
    doubt = max(float(np.hypot(scatter, 0.5 * np.median(doubts))), 1e-3)
    return Measurement(float(np.median(values)), "%", doubt, samples=len(values))


def seen_s(share: float) -> float:
    """For how long half a sine of `LASTS_S` lies above this share of its height, s."""
    return LASTS_S * (1.0 - 2.0 * math.asin(share) / math.pi)


def _chance(plate: Channel, own: Answers, share: float) -> Array:
    """For each press the chance that a reading falls into the upper part of an overshoot, (n,).

    None where the step of the reading, or its unrest, could hide what lies between that part and
    the limit.
    """
    t = plate.time_s
    if not len(own.base) or len(t) < 2:
        return np.zeros(len(own.base))
    at = np.searchsorted(t, own.half[:, 1]).clip(1, len(t) - 1)
    last = np.searchsorted(t, t[at] + PEAK_S, side="right") - 1
    widest = reduced(np.maximum, sp.steps_s(t), at - 1, np.maximum(last, at))
    hides = 0.5 * np.maximum(plate.resolution, own.noise - plate.resolution)
    shows = hides <= 0.01 * (1.0 - share) * OVERSHOOT_PCT * own.travel
    seen = np.minimum(1.0, seen_s(share) / np.maximum(widest, 1e-9))
    result: Array = np.where(shows, seen, 0.0)
    return result


def at_most(high: int, chances: Array) -> float:
    """P(no more than `high` of independent events with these chances), 1 with no event at all.

    Source: the Poisson binomial distribution, built up event by event; oracle in the tests:
    scipy.stats.binom for equal chances.
    """
    count = np.zeros(high + 2)
    count[0] = 1.0
    for chance in chances.tolist():
        count[1:] = count[1:] * (1.0 - chance) + count[:-1] * chance
        count[0] *= 1.0 - chance
    return min(float(count[: high + 1].sum()), 1.0)


def _needed(chances: Array, improbable: float) -> float:
    """Presses like these of which none high would be improbable."""
    usual = float(np.mean(chances)) if len(chances) else 0.0
    if usual <= 0.0:
        return math.inf
    return 1.0 if usual >= 1.0 else float(math.ceil(math.log(improbable) / math.log1p(-usual)))


def _commanded(p: Piece, which: Mask) -> Array:
    """Overshoot of the commanded position in %, 0 where it is not recorded."""
    none = np.zeros(int(which.sum()))
    commanded = p.recording.channels.get("throttle_commanded")
    if commanded is None or len(commanded.values) < 2:
        return none
    channels = {**p.recording.channels, "throttle": commanded}
    own = answers(replace(p.recording, channels=channels), p.foot).only(which)
    with np.errstate(invalid="ignore", divide="ignore"):
        past = 100.0 * (own.peak - own.level) / own.travel
    result: Array = np.where(np.isfinite(past) & own.clear, np.maximum(past, 0.0), 0.0)
    return result


def overshoot_note(over: Overshoot) -> str:
    if over.measurement is not None:
        m = over.measurement
        return f"overshoot {m.value:.1f} ± {2 * m.uncertainty:.1f} % of the step (k = 2)"
    said = (
        f"{over.high} of {over.presses} presses have a reading {over.share * OVERSHOOT_PCT:.2g} % "
        "or more above where the throttle settles"
    )
    if over.unseen >= 1.0:
        return f"overshoot is not shown: {said}"
    return (
        f"overshoot is not measured at this rate; {said}, and if each overshot by more than "
        f"{OVERSHOOT_PCT:g} % for {LASTS_S:g} s, so few would have a probability of "
        f"{over.unseen:.2g}"
    )
