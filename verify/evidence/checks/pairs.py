"""Do the two tracks of one sensor agree: `throttle-pair` and `pedal-pair`.

Both tracks are moved by one shaft, so over the whole travel one is a straight function of the
other. The line is that of the majority of levels and stretches (`lines.consensus_lines`), or the
vehicle's own ratio or sum; what lies off it is given in percent of the span.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from verify.evidence.checks.kind import COMMON_PRACTICE, Check, spec_number
from verify.evidence.checks.pair_offsets import Off, held_against
from verify.evidence.checks.pair_words import LIMIT_PERCENT, NAMES, pair_check
from verify.evidence.lines import Line, consensus_lines
from verify.evidence.positions import levels
from verify.evidence.ranks import low_percentile
from verify.evidence.recording import Array, Channel, Recording
from verify.evidence.spans import reach
from verify.evidence.tracks import (
    SINGLE_PERCENT,
    Drop,
    Groups,
    Pairs,
    bracketed,
    described,
    drop_outs,
    grouped,
    joined,
    parted,
    quiet,
    rough_slope,
    singles,
    spread_over_levels,
)
from verify.evidence.verdict import (
    CheckResult,
    Limits,
    Measurement,
    Rule,
    Window,
    decide,
)
from verify.quantity import SpecValue
from verify.words import Verdict

# "Span" is the full scale of the first track's reading, as percent readings are compared in the
# trade, unless the vehicle's own travel is given.
SPAN = 100.0
LEAST_TRAVEL_SHARE, WIDEST_UNSEEN_SHARE = 0.5, 0.4
LEAST_PAIRS, LEAST_LEVELS = 12, 3
SLOWEST_S = 3.0
# A raw track rests at 8 to 20 % and reads 70 to 95 % at the floor; one that rests lower counts
# from its rest to 100 % (common practice).
RAW_REST_FROM, RAW_FLOOR, COUNTED_FLOOR = 8.0, 85.0, 100.0
# Slopes between two tracks of one shaft (common practice: 1, or 1 to 2, rising or falling).
LEAST_SLOPE, MOST_SLOPE = 0.25, 4.0
STILL_SHARE = 0.2
TOLERANCE_SHARE = 0.004
# Where a part of the travel is off, the points cannot always tell which part. Lines with this share
# of the most points must all fail for a fail, and with the lower share must all pass for a pass.
RIVAL_SHARE, OTHER_SHARE = 0.85, 0.5
LEVEL_SHARE = 0.04
# Levels are told apart by gaps of so many points.
LEVEL_GAP = 4.0
MOST_SINGLES_SHARE = 0.02
# More than these are no drop-outs: the columns do not belong together.
MOST_DROPS_SHARE = 0.05
PLAUSIBLE = {"ratio": (0.2, 5.0, "1"), "sum": (40.0, 200.0, "%"), "travel": (20.0, 100.0, "%")}


def _tracks(
    recordings: Sequence[Recording], names: tuple[str, str]
) -> list[tuple[int, Channel, Channel]]:
    return [
        (place, r.channels[names[0]], r.channels[names[1]])
        for place, r in enumerate(recordings)
        if all(n in r.channels and len(r.channels[n].values) >= 2 for n in names)
    ]


def _travelled(channel: Channel) -> float:
    low, high = reach(channel)
    return high - low


def _specs(
    check: Check, specs: Mapping[str, SpecValue], kind: str
) -> tuple[dict[str, float], CheckResult | None]:
    found: dict[str, float] = {}
    for what, (low, high, unit) in PLAUSIBLE.items():
        name = f"{kind}_travel" if what == "travel" else f"{kind}_pair_{what}"
        value = spec_number(specs, name, unit)
        if value is None:
            continue
        found[what] = value
        if not low <= value <= high:
            why = f"{value:.4g} cannot be meant as {name}, which lies between {low:g} and {high:g}."
            return found, check.result("spec-implausible", why)
    if "ratio" in found and "sum" in found:
        why = f"{kind}_pair_ratio and {kind}_pair_sum are both given; a pair has one of them."
        return found, check.result("spec-implausible", why)
    return found, None


def _travel(rest: float, spec: float | None) -> float:
    """Points of x from rest to the floor."""
    usual = (RAW_FLOOR if rest >= RAW_REST_FROM else COUNTED_FLOOR) - rest
    return usual if spec is None else spec


def _limits(span: float) -> Limits:
    return Limits(
        None,
        LIMIT_PERCENT,
        "%",
        f"{LIMIT_PERCENT:.0f} % of span ({span:.0f} points of the first track's reading): "
        f"{COMMON_PRACTICE}",
    )


def run_pair(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    names, kind = NAMES[check.name]
    tracks = _tracks(recordings, names)
    if not tracks:
        lacking = next(
            (n for n in names if not any(n in r.channels for r in recordings)), names[1]
        ).replace("_", " ")
        return check.result(
            "channel-missing", f"the recording has no {lacking} channel to compare.",
            settle=f"record {names[0].replace('_', ' ')} and {names[1].replace('_', ' ')}",
        )  # fmt: skip
    known, refusal = _specs(check, specs, kind)
    if refusal is not None:
        return refusal
    slowest = max(max(a.interval_s, b.interval_s) for _, a, b in tracks)
    if not slowest <= SLOWEST_S:
        return check.result("too-slow-to-tell", f"a track was read once every {slowest:.3g} s.")
    # The track with the longer travel is x: a position is told by it more finely.
    first = max(_travelled(a) for _, a, _ in tracks)
    second = max(_travelled(b) for _, _, b in tracks)
    turned = second > 1.2 * first
    ordered = [(p, b, a) if turned else (p, a, b) for p, a, b in tracks]
    result = _judged(check, recordings, ordered, turned, known, rule, strict=False)
    aged = any(c.skew_s > 0.0 for _, x, y in ordered for c in (x, y))
    if result.verdict is not Verdict.FAIL or result.finding == "one-still" or not aged:
        return result
    # A fail must stand even where both readings were as old as they can be.
    sure = _judged(check, recordings, ordered, turned, known, rule, strict=True)
    if sure.verdict is not Verdict.PASS:
        return sure
    return check.result(
        "near-limit",
        f"{result.why} But the readings may be too old to say so.",
        windows=result.windows,
        samples=result.samples,
    )


def _judged(
    check: Check,
    recordings: Sequence[Recording],
    tracks: Sequence[tuple[int, Channel, Channel]],
    turned: bool,
    known: Mapping[str, float],
    rule: Rule,
    *,
    strict: bool,
) -> CheckResult:
    pairs = joined([bracketed(recordings[p], x, y, p, strict=strict) for p, x, y in tracks])
    xs = [x for _, x, _ in tracks]
    steps = (max(x.resolution for x in xs), max(y.resolution for _, _, y in tracks))
    rest = min(low_percentile(x.values, 2.0) for x in xs)
    own = None if turned else known.get("travel")
    travel, span = _travel(rest, own), SPAN if own is None else own
    calm = quiet(pairs, travel, steps[0])
    rough = rough_slope(pairs, calm)
    parts = parted(pairs, calm, LEVEL_SHARE * travel, rough, steps)
    points = described(parts, spread_over_levels(parts, 2, 5), rough, flat=True)
    seen = float(np.ptp(points.x)) if len(points) else 0.0
    share = seen / travel
    words = [n.replace("_", " ") for n in NAMES[check.name][0]]
    if len(points) and seen >= 25.0 and np.ptp(points.y) < STILL_SHARE * seen:
        still, moving = (words[0], words[1]) if turned else (words[1], words[0])
        if int(points.samples.sum()) >= LEAST_PAIRS:
            low, high = float(np.min(points.y)), float(np.max(points.y))
            return check.result(
                "one-still",
                f"{moving} went over {seen:.0f} points and {still} stayed between {low:.1f} and "
                f"{high:.1f} %.",
                samples=len(pairs),
                windows=_windows(points, int(np.argmax(points.x))),
            )  # fmt: skip
    many = int(points.samples.sum()) if len(points) else 0
    steps_seen = len(np.unique(points.level))
    if many < LEAST_PAIRS or steps_seen < LEAST_LEVELS or not share >= LEAST_TRAVEL_SHARE:
        return check.result(
            "too-little-travel",
            f"while the two tracks were steady enough to compare ({many} readings) they covered "
            f"{100 * share:.0f} % of the travel at {steps_seen} levels; {LEAST_LEVELS} levels over "
            f"{100 * LEAST_TRAVEL_SHARE:.0f} % are needed.",
            samples=many,
        )
    lines = _lines(points, travel, steps, known, turned)
    if not lines:
        return check.result(
            "no-relation", "no straight line joins the two tracks at all.", samples=many
        )
    back = joined([bracketed(recordings[p], y, x, p, strict=strict) for p, x, y in tracks])
    return _verdict(check, pairs, back, calm, lines, travel, span, steps, rest, rule, share)


def _lines(
    points: Groups,
    travel: float,
    steps: tuple[float, float],
    known: Mapping[str, float],
    turned: bool,
) -> list[tuple[Line, bool]]:
    """(line, whether about as many points lie on it as on any)."""
    if "ratio" in known:
        return [(Line(known["ratio"] if turned else 1.0 / known["ratio"], 0.0), True)]
    if "sum" in known:
        return [(Line(-1.0, known["sum"]), True)]
    x, y = points.x, points.y
    usual = float(np.ptp(y)) / max(float(np.ptp(x)), 1e-9)
    tolerance = TOLERANCE_SHARE * travel * usual + 0.5 * steps[1] + 0.5 * steps[0] * usual
    found = consensus_lines(
        x, y, np.full(len(x), tolerance), apart=0.2 * travel,
        least_slope=LEAST_SLOPE, most_slope=MOST_SLOPE, share=OTHER_SHARE,
    )  # fmt: skip
    # Any two levels have a line of their own: a rival must join three, and half as many as most.
    level = levels(x, LEVEL_GAP)
    if len(np.unique(level)) < LEAST_LEVELS:
        level = np.floor(x / (2.0 * LEVEL_GAP)).astype(np.intp)
    joins = [len(np.unique(level[members])) for _, members in found]
    least = max(LEAST_LEVELS, math.ceil(OTHER_SHARE * max(joins, default=0)))
    real = [f for f, own in zip(found, joins, strict=True) if own >= least] or found[:1]
    most = max((int(members.sum()) for _, members in real), default=0)
    return [(line, int(members.sum()) >= RIVAL_SHARE * most) for line, members in real]


def _unseen(pairs: Pairs, groups: Groups, travel: float) -> tuple[float, float] | None:
    """The widest stretch of the travel that was passed over and never compared, if it is wide."""
    top = float(np.quantile(pairs.x, 0.99))
    seen = np.append(np.sort(groups.x), max(top, float(groups.x.max())))
    wide = np.diff(seen)
    place = int(np.argmax(wide))
    if wide[place] <= WIDEST_UNSEEN_SHARE * travel:
        return None
    return float(seen[place]), float(seen[place + 1])


def _windows(groups: Groups, where: int) -> tuple[Window, ...]:
    start, end = float(groups.start_s[where]), float(groups.end_s[where])
    return (Window(int(groups.place[where]), start, end),)


def _verdict(
    check: Check,
    pairs: Pairs,
    back: Pairs,
    calm: NDArray[np.bool_],
    lines: Sequence[tuple[Line, bool]],
    travel: float,
    span: float,
    steps: tuple[float, float],
    rest: float,
    rule: Rule,
    share: float,
) -> CheckResult:
    held: list[tuple[Off, Groups, Array, list[Drop], bool]] = []
    for line, foremost in lines:
        off_alone = singles(pairs, line, span, calm)
        single = off_alone > SINGLE_PERCENT
        drops, wild = drop_outs(pairs, back, line, span, rest)
        groups = grouped(pairs, calm & ~single & ~wild, LEVEL_SHARE * travel, line.slope, steps)
        take = groups.samples >= 2
        some = Groups(*(getattr(groups, n)[take] for n in Groups.__slots__))
        if len(some):
            off = held_against(some, line, span, steps, _limits(span), rule)
            # A single reading beyond the limit, or one steady reading that has no second, is not
            # enough for a fail and too much for a pass.
            away = np.abs(pairs.y - line.at(pairs.x)) / abs(line.slope) * 100.0 / span
            alone = away[calm & ~wild & (single | (away > LIMIT_PERCENT))]
            held.append((off, some, alone, drops, foremost))
    if not held:
        return check.result("no-relation", "no two readings in a row belong together.")
    # A pass needs every line, a fail all the foremost.
    kindest = max((h for h in held if h[4]), key=lambda h: (h[0].p, -h[0].percent), default=held[0])
    hardest = min(held, key=lambda h: (h[0].p, -h[0].percent))
    passes = decide(hardest[0].p, rule.pass_at, rule.fail_at) is Verdict.PASS
    fails = decide(kindest[0].p, rule.pass_at, rule.fail_at) is Verdict.FAIL
    # What is told is the distance from the line with most points; what is decided rests on all.
    off, groups, alone, drops, _ = held[0]
    fails = fails and off.failing >= 3
    many_alone = len(alone)
    usual = max(2.0, MOST_SINGLES_SHARE * float(groups.samples.sum()))
    far_alone = many_alone > usual or bool(np.any(alone > LIMIT_PERCENT))
    measurement = Measurement(
        off.percent, "%", off.uncertainty, samples=int(groups.samples.sum()),
        resolution=min(100.0 / span * steps[0], off.uncertainty * math.sqrt(12.0)),
    )  # fmt: skip
    unseen = _unseen(pairs, groups, travel)
    at = float(groups.x[off.where])
    notes = [
        f"compared over {100 * min(share, 1.0):.0f} % of the usual travel of {travel:.0f} points",
        "no drop-out seen is a bound only: a log at this rate cannot see a gap of 20 ms; wiggle "
        "plug and harness while somebody watches the reading",
    ]
    if many_alone:
        notes.append(
            f"{many_alone} single readings lie off between steady ones: a short press that fell "
            "between two readings, or a drop-out"
        )
    number = (
        f"the tracks are at most {off.percent:.1f} ± {2 * off.uncertainty:.1f} % of span off one "
        f"straight line (at {at:.0f} %)"
    )
    finding, why = "agree", f"{number}, within {LIMIT_PERCENT:.0f} %."
    windows = _windows(groups, off.where)
    if fails:
        finding, why = "apart", f"{number}; {LIMIT_PERCENT:.0f} % is the limit."
    elif len(drops) > MOST_DROPS_SHARE * len(pairs):
        finding, why = "no-relation", f"{len(drops)} of {len(pairs)} readings lie far off the line."
    elif drops:
        first = drops[0]
        finding = "drop-out"
        why = (
            f"at {first.at_s:.1f} s one track read {first.value:.1f} %, which no movement "
            f"explains; {len(drops)} such readings."
        )
        windows = (Window(first.place, first.at_s, first.at_s),)
    elif not passes and abs(off.percent - LIMIT_PERCENT) > 2.0 * off.uncertainty:
        finding = "near-limit"
        other = hardest if off.percent < LIMIT_PERCENT else kindest
        why = (
            f"{number}; but another line, on which nearly as many levels lie, would make it "
            f"{other[0].percent:.1f} %, and the readings do not tell which is the sound one."
        )
    elif not passes:
        finding, why = "near-limit", f"{number}, too near {LIMIT_PERCENT:.0f} % to tell."
    elif unseen is not None:
        finding = "too-little-travel"
        why = (
            f"{number}, but between {unseen[0]:.0f} and {unseen[1]:.0f} % nothing was steady "
            "enough to compare."
        )
    elif far_alone:
        finding = "single-readings"
        why = (
            f"{many_alone} single readings lie off the line between steady ones, the farthest by "
            f"{float(alone.max()):.0f} % of span."
        )
    # Where part of the travel or a reading is not accounted for, the distance is not the largest.
    # A verdict that rests on something else than the distance has no probability.
    p = {"agree": hardest[0].p, "apart": kindest[0].p, "near-limit": off.p}.get(finding)
    if p is not None and decide(p, rule.pass_at, rule.fail_at) is not check.findings[finding]:
        p = None
    told = p is not None or finding in ("agree", "apart")
    return check.result(
        finding, why, measurement=measurement if told else None, limits=_limits(span),
        probability=p,
        windows=windows, notes=notes,
        details={
            "slope": off.line.slope, "intercept": off.line.intercept, "span": span,
            "travel_seen_share": share, "drop_outs": len(drops), "singles": many_alone,
        },
    )  # fmt: skip


THROTTLE_PAIR = pair_check("throttle-pair", "throttle position sensor", run_pair)
PEDAL_PAIR = pair_check("pedal-pair", "accelerator pedal sensor", run_pair)
