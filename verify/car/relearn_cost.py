"""Who does the relearn, and what it is likely to cost: for the owner, at the end of a close-out.

Four ways: drive on and let it learn, drive to a shop, a mobile technician, a tow to a shop. Prices
and times are the user's; nothing is built in. Safety comes first and rules ways out; then each way
has an expected cost. It advises; the person decides.

    cost of a way, once        c = price + hours · value of an hour
    a professional relearn     E = c + (1 - p) · Z            Z: what a diagnosis costs if it fails
    driving on                 E = c + (1 - p) · (x + B)      B: the cheapest E of the others
                                                              x: what a failure costs besides

Once a relearn done by the book has failed, the cause lies elsewhere, so no second one is counted.
What would be paid on a failure is F (Z, or x + B). A way with success p costs less than a rival R
exactly when c + (1 - p) · F < R, that is when p > 1 - (R - c) / F: the flip.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import StrEnum

from verify.values import dataclass


class Way(StrEnum):
    """The ways to get it learned."""

    DRIVE_ON = "drive on and let it learn"
    SHOP = "drive to a shop"
    MOBILE = "mobile technician"
    TOW = "tow to a shop"

    @property
    def on_own_wheels(self) -> bool:
        return self in (Way.DRIVE_ON, Way.SHOP)


# Common practice, no source.
READERS_CANNOT = (
    "A simple code reader usually reads and clears codes and shows live data. It usually cannot "
    "command a throttle relearn, reset learned values, code or program a module, or read the brake "
    "and body modules. Some engines learn by themselves over key cycles and idle: the service "
    "information says so. (common practice, no source)"
)
# One question asks for both, so the reason names both.
BRAKE = "a red brake warning is on or the brake pedal is hard"
YOU_DECIDE = "This is advice from the numbers you entered; you decide."


@dataclass(frozen=True, slots=True)
class Offer:
    """What one way costs, as the user entered it.

    price: in the user's currency, all told; hours: of the user's own time; success: probability in
    [0, 1] that it cures, None where the user has no idea; if_it_fails: what a failure costs besides
    what comes next (a tow home, a lost day). Raises ValueError outside.
    """

    price: float
    hours: float = 0.0
    success: float | None = None
    if_it_fails: float = 0.0

    def __post_init__(self) -> None:
        for value in (self.price, self.hours, self.if_it_fails):
            if not (math.isfinite(value) and value >= 0):
                raise ValueError("prices and times are finite and not negative")
        if self.success is not None and not 0.0 <= self.success <= 1.0:
            raise ValueError("a probability lies between 0 and 1")

    def cost(self, hour_value: float) -> float:
        return self.price + self.hours * hour_value


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known of the car and the way; None means nobody has looked, which is not "no".

    red_brake_warning: a red brake warning is on, or the brake pedal is hard.
    """

    pedal_answers: bool | None
    stalls: bool | None
    red_brake_warning: bool | None
    limp_home: bool | None
    fast_road: bool | None
    revs_stay_up: bool | None
    relearn_required: bool | None


@dataclass(frozen=True, slots=True)
class Flip:
    """way costs less than `rival` exactly when its success is more probable than `at`.

    at ≤ 0: it costs less even if it is sure to fail; at ≥ 1: it never does.
    """

    way: Way
    rival: Way
    at: float

    def sentence(self) -> str:
        if self.at <= 0:
            return f"{self.way.value} costs less than {self.rival.value}, whatever its chances"
        if self.at >= 1:
            return f"{self.way.value} does not cost less than {self.rival.value}, however likely"
        return (
            f"{self.way.value} costs less than {self.rival.value} if it works in more than "
            f"{100 * self.at:.0f} % of such cases"
        )


@dataclass(frozen=True, slots=True)
class Advice:
    """best: the way with the least expected cost among those safety leaves; None where a chance is
    unknown that could change it, or nothing is left. expected: cost a way. ruled_out: way → why.
    flips: where the choice turns. why: sentences, the last one that the person decides."""

    best: Way | None
    expected: Mapping[Way, float]
    ruled_out: Mapping[Way, tuple[str, ...]]
    flips: tuple[Flip, ...]
    why: tuple[str, ...]


def ruled_out(way: Way, now: Situation) -> tuple[str, ...]:
    """Why safety forbids this way; () where it does not. What nobody has looked at forbids too."""
    reasons: list[str] = []
    if way.on_own_wheels:
        for fact, bad, words, unknown in (
            (now.pedal_answers, False, "the engine does not answer the pedal", "the engine answers "
             "the pedal"),
            (now.stalls, True, "it stalls", "it stalls"),
            (now.red_brake_warning, True, BRAKE, BRAKE),
            (now.revs_stay_up, True, "the revs stay up by themselves", "the revs stay up"),
        ):  # fmt: skip
            if fact is bad:
                reasons.append(f"{words}: do not drive")
            elif fact is None:
                reasons.append(f"nobody has looked whether {unknown}: find out first")
        if now.limp_home is None:
            reasons.append("nobody has looked whether it is in limp-home: find out first")
        elif now.limp_home and now.fast_road is None:
            reasons.append("limp-home, and the road is not known: only slow roads will do")
        elif now.limp_home and now.fast_road:
            reasons.append("limp-home on a fast road: others would run into it")
    if way is Way.DRIVE_ON:
        if now.relearn_required:
            reasons.append("the service information requires the relearn: it will not learn alone")
        elif now.relearn_required is None:
            reasons.append("whether it can learn by itself is not known: see its service "
                           "information")  # fmt: skip
    return tuple(reasons)


def flip_at(cost: float, paid_on_failure: float, rival: float) -> float:
    """The probability of success above which a way costs less than a rival: 1 - (rival - cost) / F.

    cost: paid in any case; paid_on_failure: F, in addition if it fails; rival: expected cost of the
    other way. With F = 0 the chances do not matter: 0 where it is cheaper, else infinity.
    Raises ValueError where a number is negative or not finite.
    """
    if not all(math.isfinite(x) and x >= 0 for x in (cost, paid_on_failure, rival)):
        raise ValueError("costs are finite and not negative")
    if paid_on_failure == 0:
        return 0.0 if cost < rival else math.inf
    return 1.0 - (rival - cost) / paid_on_failure


def advise(
    offers: Mapping[Way, Offer], now: Situation, *, hour_value: float, diagnosis: float
) -> Advice:
    """The expected cost of each way that safety leaves, the best, and where the choice flips.

    offers: the ways the user can get; hour_value: what an hour of the user's time is worth;
    diagnosis: what it costs to find the cause once a proper relearn has failed. One currency.
    Raises ValueError where a number is negative or not finite.
    """
    if not all(math.isfinite(x) and x >= 0 for x in (hour_value, diagnosis)):
        raise ValueError("costs are finite and not negative")
    out = {way: reasons for way in offers if (reasons := ruled_out(way, now))}
    open_ = {way: offer for way, offer in offers.items() if way not in out}
    expected: dict[Way, float] = {}
    cost: dict[Way, float] = {way: offer.cost(hour_value) for way, offer in open_.items()}
    on_failure: dict[Way, float] = {}
    for way, offer in open_.items():
        if way is not Way.DRIVE_ON:
            on_failure[way] = diagnosis + offer.if_it_fails
            _expect(expected, way, offer, cost, on_failure)
    fallback = _cheapest(expected)
    if Way.DRIVE_ON in open_:
        # With no other way priced, what follows a failure is the diagnosis itself.
        others = [w for w in open_ if w is not Way.DRIVE_ON]
        if fallback is not None or not others:
            after = expected[fallback] if fallback is not None else diagnosis
            on_failure[Way.DRIVE_ON] = open_[Way.DRIVE_ON].if_it_fails + after
            _expect(expected, Way.DRIVE_ON, open_[Way.DRIVE_ON], cost, on_failure)
    flips = tuple(
        Flip(way, rival, flip_at(cost[way], on_failure[way], expected[rival]))
        for way in open_
        for rival in open_
        # Driving on falls back on a rival, so a rival's own chances move both: only its own count.
        if way is not rival
        and way in on_failure
        and rival in expected
        and rival is not Way.DRIVE_ON
    )
    unknown = [way for way in open_ if way not in expected]
    best = _cheapest(expected)
    why: list[str] = []
    if not open_:
        why.append("no way is left that is safe and that you can get: have it towed")
    # A way whose chances are unknown may still be the cheapest, unless it never can be.
    rivals = [way for way in unknown if best is None or cost[way] < expected[best]]
    if rivals:
        names = ", ".join(way.value for way in rivals)
        why.append(f"undecided: how likely it is to work is not known of: {names}")
        best = None
    elif best is not None:
        why.append(f"least expected cost: {best.value}, about {expected[best]:.0f}")
    why += [flip.sentence() for flip in flips if flip.way in rivals or flip.way is Way.DRIVE_ON]
    why.append(YOU_DECIDE)
    return Advice(best, expected, out, flips, tuple(why))


def _expect(
    expected: dict[Way, float],
    way: Way,
    offer: Offer,
    cost: Mapping[Way, float],
    on_failure: Mapping[Way, float],
) -> None:
    if offer.success is not None:
        expected[way] = cost[way] + (1.0 - offer.success) * on_failure[way]


def _cheapest(expected: Mapping[Way, float]) -> Way | None:
    # A tie goes to the one listed first in Way, so that the advice does not depend on typing order.
    ways = [way for way in Way if way in expected]
    return min(ways, key=lambda way: expected[way]) if ways else None
