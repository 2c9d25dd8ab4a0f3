"""Engine speed in the idle windows of all recordings: what the idle checks share."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from verify.evidence import spans as sp
from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.series import Spread, mean_with_effective_size
from verify.evidence.sharing import shared
from verify.evidence.usual import POSSIBLE
from verify.evidence.verdict import CheckResult, Limits, Window
from verify.evidence.windows import WARM_FROM_C, Idle, idle_windows
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

UNDECIDED_WINDOWS: Mapping[str, Verdict] = {
    "channel-missing": Verdict.UNDECIDED,
    "too-slow-to-tell": Verdict.UNDECIDED,
    "not-warm": Verdict.UNDECIDED,
    "frozen": Verdict.UNDECIDED,
    "no-idle": Verdict.UNDECIDED,
    "too-short": Verdict.UNDECIDED,
    "spec-implausible": Verdict.UNDECIDED,
}
TOLERANCE_RPM = 50.0
SETTLE_SPEC = "look the number up in the service information of this vehicle and give it again"
SETTLE_LONGER = "let the warm engine idle 60 s more, standing, foot off the pedal, loads off"
REQUIRED = (
    "engine_speed",
    "vehicle_speed",
    "coolant (or oil)",
    "pedal, pedal_d or pedal_e (or a throttle shown to follow the pedal)",
)


@dataclass(frozen=True, slots=True)
class IdleReadings:
    """Engine speed in the idle windows of all recordings together.

    pieces: (times, values), one per window, aligned with `windows`. channels: recording → its
    engine speed. lacking: why one of the recordings has no windows, None where all have.
    """

    windows: tuple[Window, ...]
    pieces: tuple[tuple[Array, Array], ...]
    channels: Mapping[int, Channel]
    implied: tuple[str, ...]
    lacking: Idle | None

    @property
    def seconds(self) -> float:
        return sum(w.seconds for w in self.windows)

    @property
    def resolution(self) -> float:
        return max((c.resolution for c in self.channels.values()), default=0.0)

    @property
    def interval_s(self) -> float:
        return max((c.interval_s for c in self.channels.values()), default=math.nan)

    def only(self, recordings: Collection[int]) -> IdleReadings:
        """The same from some of the recordings alone."""
        if all(r in recordings for r in self.channels):
            return self
        kept = [i for i, w in enumerate(self.windows) if w.recording in recordings]
        return replace(
            self,
            windows=tuple(self.windows[i] for i in kept),
            pieces=tuple(self.pieces[i] for i in kept),
            channels={r: c for r, c in self.channels.items() if r in recordings},
        )


def implausible(check: Check, specs: Mapping[str, SpecValue]) -> CheckResult | None:
    """The result where a number of the vehicle that this check uses cannot be meant."""
    for name in check.uses:
        r = POSSIBLE[name]
        value = spec_number(specs, name, r.unit)
        if value is not None and not r.low <= value <= r.high:
            return check.result(
                "spec-implausible",
                f"{value:.4g} {r.unit} cannot be meant as {r.words}, which lies between "
                f"{r.low:.0f} and {r.high:.0f} {r.unit}.",
                settle=SETTLE_SPEC,
            )
    return None


def idle_limits(target: float, specs: Mapping[str, SpecValue]) -> Limits:
    """The vehicle's idle speed ± its own tolerance, or the usual one."""
    own = spec_number(specs, "idle_tolerance", "rpm")
    tolerance = TOLERANCE_RPM if own is None else own
    band = COMMON_PRACTICE if tolerance == TOLERANCE_RPM else specs["idle_tolerance"].source
    source = f"idle speed: {specs['idle_speed'].source}; ±{tolerance:.0f} rpm: {band}"
    return Limits(target - tolerance, target + tolerance, "rpm", source)


@shared
def gather(recordings: Sequence[Recording], specs: Mapping[str, SpecValue]) -> IdleReadings:
    """All idle windows that can be judged; `lacking` says why there are none."""
    warm_from = spec_number(specs, "warm_coolant", "°C")
    windows: list[Window] = []
    pieces: list[tuple[Array, Array]] = []
    channels: dict[int, Channel] = {}
    implied: list[str] = []
    lacking: Idle | None = None
    for place, recording in enumerate(recordings):
        idle = idle_windows(recording, WARM_FROM_C if warm_from is None else warm_from)
        if idle.lack:
            lacking = lacking or idle
            continue
        channel = recording.channels["engine_speed"]
        channels[place] = channel
        implied += [text for text in idle.implied if text not in implied]
        for span, piece in zip(idle.spans.tolist(), sp.pieces(channel, idle.spans), strict=True):
            if len(piece[1]) >= 2:
                windows.append(Window(place, span[0], span[1]))
                pieces.append(piece)
    return IdleReadings(tuple(windows), tuple(pieces), channels, tuple(implied), lacking)


@shared
def spread_of(readings: IdleReadings) -> Spread:
    """What all readings together are worth."""
    return mean_with_effective_size([v for _, v in readings.pieces])


def no_windows(check: Check, readings: IdleReadings) -> CheckResult:
    idle = readings.lacking
    if idle is None:
        return check.result("no-idle", "there is no recording to look at.", settle=SETTLE_LONGER)
    return check.result(idle.lack, f"{idle.why}.", settle=idle.settle, notes=idle.implied)


def too_short(check: Check, readings: IdleReadings, need: str) -> CheckResult:
    """need: what would be enough, as \"20 s are\"."""
    return check.result(
        "too-short",
        f"only {readings.seconds:.0f} s of idle can be used, in {len(readings.windows)} "
        f"{'window' if len(readings.windows) == 1 else 'windows'}; {need} needed.",
        settle=SETTLE_LONGER,
        windows=readings.windows,
        samples=sum(len(v) for _, v in readings.pieces),
        notes=readings.implied,
    )
