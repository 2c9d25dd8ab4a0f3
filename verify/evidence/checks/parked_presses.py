"""The presses that pedal-response, throttle-return and no-response may judge, or why none may be.

On the road torque control, gear shifts, cruise control and limiters move the plate against the
pedal in healthy cars, so only presses of a parked car with its engine running count.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from verify.evidence.answers_in_time import Brackets
from verify.evidence.plate import Answers, Following, answers, following
from verify.evidence.presses import Mask, Presses, percent, presses
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.releases import hidden_releases
from verify.evidence.sharing import shared
from verify.evidence.verdict import Window
from verify.evidence.windows import running, standing
from verify.values import dataclass
from verify.words import Verdict

# Slower than this a press held 5 s is seen by two or three readings, and nothing can be timed.
SLOWEST_S = 1.6
PARKED_FOR = (
    "park, engine idling, and press the pedal a third down and hold it 5 s, let it go and wait 5 s"
)
TEN_TIMES = f"{PARKED_FOR}, ten times"
FEWER_CHANNELS = (
    "record fewer channels at once (pedal, throttle, engine speed and vehicle speed are enough) "
    f"and {TEN_TIMES}"
)

# Undecided findings that all three share.
SHARED_FINDINGS: Mapping[str, Verdict] = {
    "too-few-presses": Verdict.UNDECIDED,
    "not-following": Verdict.UNDECIDED,
    "too-slow-to-tell": Verdict.UNDECIDED,
    "not-parked": Verdict.UNDECIDED,
    "channel-missing": Verdict.UNDECIDED,
}
SHARED_SETTLES: Mapping[str, str] = {
    "too-few-presses": TEN_TIMES,
    "not-parked": TEN_TIMES,
    "too-slow-to-tell": FEWER_CHANNELS,
}
CHANNELS = (
    "pedal, pedal_d or pedal_e",
    "throttle (shown to follow the pedal in this recording)",
    "engine_speed (the engine runs)",
    "vehicle_speed (the car stands)",
)
LOOK_ALIKES = (
    "a diesel's intake flap, which does not follow the pedal: it rests wide open, and nothing is "
    "judged",
    "a rev limiter that closes the plate of a parked car while the pedal is held: a press in which "
    "the plate falls back below half before the foot leaves is not timed",
    "torque control, shifts, cruise control and limiters on the road: only a parked car is judged",
    "a hybrid whose pedal moves nothing while parked: not judged unless the engine is shown to be "
    "throttled",
)


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """The parked presses of one recording. place: of the recording among those judged."""

    place: int
    recording: Recording
    pedal: Channel
    plate: Channel
    foot: Presses
    did: Answers


@dataclass(frozen=True, slots=True, eq=False)
class Parked:
    """What can be judged of all recordings together; lack, why, settle as in `windows.Idle`.

    elsewhere: presses while driving. hidden: releases of a parked car that a gap hides.
    """

    pieces: tuple[Piece, ...]
    follow: Following
    lack: str = ""
    why: str = ""
    settle: str = ""
    elsewhere: int = 0
    hidden: int = 0

    def windows(self) -> tuple[Window, ...]:
        return tuple(
            Window(p.place, float(p.foot.start[0, 0]), float(_seen_until(p.foot)))
            for p in self.pieces
            if len(p.foot)
        )

    @property
    def samples(self) -> int:
        return sum(int(p.did.readings.sum()) for p in self.pieces)


def _seen_until(foot: Presses) -> float:
    ends = foot.back[:, 1]
    seen = ends[np.isfinite(ends)]
    return float(seen[-1]) if len(seen) else float(foot.half[-1, 1])


_NOTHING = Following("too-few")


@shared
def gather(recordings: Sequence[Recording]) -> Parked:
    """All parked presses of all recordings. One recording that lacks a channel does not spoil the
    others; where none can be judged, the first one says why."""
    pieces: list[Piece] = []
    lacks: list[tuple[str, str, str]] = []
    elsewhere = hidden = 0
    for place, recording in enumerate(recordings):
        lack = _lacking(recording)
        foot = presses(recording)
        if lack is not None:
            lacks.append(lack)
            continue
        parked = foot.only(foot.parked)
        elsewhere += len(foot) - len(parked)
        hidden += hidden_releases(recording, foot)
        if not len(parked):
            lacks.append(_no_press(foot))
            continue
        plate = percent(recording.channels["throttle"])
        pedal = percent(recording.channels[foot.channel])
        pieces.append(Piece(place, recording, pedal, plate, parked, answers(recording, parked)))
    if not pieces:
        first = lacks[0] if lacks else ("channel-missing", "there is no recording", TEN_TIMES)
        return Parked((), _NOTHING, *first, elsewhere=elsewhere)
    found = [following(p.recording, p.foot, p.did) for p in pieces]
    order = ("follows", "flap", "unknown", "dead", "too-few")
    best = min(found, key=lambda f: order.index(f.kind))
    lack_, why, settle = "", "", ""
    if best.kind in ("flap", "unknown"):
        lack_, why, settle = "not-following", best.why, best.settle
    elif best.kind == "too-few":
        lack_, why, settle = "too-few-presses", best.why, best.settle
    return Parked(tuple(pieces), best, lack_, why, settle, elsewhere, hidden)


def _no_press(foot: Presses) -> tuple[str, str, str]:
    if not len(foot):
        return "too-few-presses", foot.why or "the pedal was never pressed", TEN_TIMES
    why = f"the pedal was pressed {len(foot)} times, and never with the car shown to be parked"
    return "not-parked", f"{why} and its engine running", TEN_TIMES


def _lacking(recording: Recording) -> tuple[str, str, str] | None:
    foot = presses(recording)
    if foot.lack:
        lack = "too-few-presses" if foot.lack == "no-rest" else foot.lack
        return lack, foot.why, foot.settle
    plate = recording.channels.get("throttle")
    if plate is None:
        return (
            "channel-missing",
            "the recording has no throttle channel",
            f"record the throttle position as well: {TEN_TIMES}",
        )
    for channel in (recording.channels[foot.channel], plate):
        if not channel.interval_s <= SLOWEST_S:
            words = channel.name.replace("_", " ")
            every = (
                f"once every {channel.interval_s:.2g} s"
                if channel.interval_s > 0
                else "less than twice"
            )
            return "too-slow-to-tell", f"{words} was read {every}, too seldom", FEWER_CHANNELS
    if len(percent(plate).values) < 2:
        return (
            "not-following",
            "the throttle reads no position between 0 and 100 %",
            "record again, and leave out channels the car does not answer",
        )
    for condition in (running(recording), standing(recording)):
        if condition.lack:
            lack = "too-slow-to-tell" if condition.lack == "frozen" else condition.lack
            return lack, condition.why, condition.settle
    return None


def joined(
    pieces: Sequence[Piece], cause: str, answer: Sequence[Array], which: Sequence[Mask]
) -> Brackets:
    """Brackets of all pieces together. cause: name of the press's bracket; answer: shape (n, 2) of
    each piece; which: shape (n,), those that are wanted.

    Where recordings differ in the age of their readings, the greatest counts for all.
    """
    causes = [
        getattr(p.foot, cause)[w] + np.array([p.pedal.skew_s, 0.0])
        for p, w in zip(pieces, which, strict=True)
    ]
    a = np.concatenate(causes) if causes else np.empty((0, 2))
    wanted = [x[w] for x, w in zip(answer, which, strict=True)]
    b = np.concatenate(wanted) if wanted else np.empty((0, 2))
    return Brackets(
        a[:, 0], a[:, 1], b[:, 0], b[:, 1],
        max((p.pedal.skew_s for p in pieces), default=0.0),
        max((p.plate.skew_s for p in pieces), default=0.0),
    )  # fmt: skip
