"""Whether the generator charges, from slow readings of the engine computer's own supply.

The truth this check is held to. Levels are true means of that supply with the engine running, from
15 s after its start: at *idle* (below 1,300 rpm) and at *raised speed* (1,500 rpm and more).

- Bad, and so a fail: both levels are below 12.5 V, or either is above 15.0 V, or, with the engine
  off just before a recorded start, the supply is never as much as 0.2 V higher with the engine
  running than it was at rest (and below 13.0 V).
- Good, and so a pass: both levels lie within 13.5 to 14.8 V; or both lie within 12.5 to 14.8 V and
  the supply was surely held at 13.5 V or more for 20 s in this recording, which no battery does by
  itself (smart charging lets it fall again). In both cases the last half minute must be above
  12.8 V, at which a full battery rests: a generator may give up on the way.
- Between, nothing slow can tell good from bad: undecided.

Twice these figures where the supply is that of a 24 V system.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from verify.evidence.checks.kind import COMMON_PRACTICE, Check
from verify.evidence.checks.slow_readings import channels_named, never_moves
from verify.evidence.checks.supply_levels import (
    AFTER_START_S,
    ALIVE_V,
    BARELY_BELOW_V,
    BARELY_V,
    FAIL_V,
    FULL_V,
    IDLE_BELOW_RPM,
    MOST_V,
    RAISED_FROM_RPM,
    REST_V,
    USUAL_V,
    VOLTAGE_CAP_S,
    Supply,
    fed_while_off,
    probabilities,
    supply,
    within,
)
from verify.evidence.distributions import normal_cdf
from verify.evidence.recording import Recording
from verify.evidence.verdict import (
    CheckResult,
    Limits,
    Measurement,
    Rule,
    decide,
    probability_of_conformity,
)
from verify.evidence.windows import FAST_CAP_S, missing_channel, too_slow
from verify.quantity import SpecValue
from verify.words import Verdict

SETTLE_METER = (
    "switch on lamps, blower and rear heater, and read the voltage at the battery with a meter, "
    "at idle and at 2,000 rpm"
)


def run_charging(
    check: Check, recordings: Sequence[Recording], _specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Supply at idle and at raised speed against what a healthy generator gives."""
    usable = [r for r in recordings if {"module_voltage", "engine_speed"} <= set(r.channels)]
    wrong = _not_readable(check, recordings, usable)
    if wrong is not None:
        return wrong
    found = supply(usable)
    fed = fed_while_off(usable, found.factor)
    if fed is not None:
        return check.result(
            "fed-without-engine",
            f"the supply stands at {fed[1]:.1f} V with the engine off: a charger, or the converter "
            "of a hybrid or electric car, and not the generator.",
        )
    return _answer(check, found, rule)


def _not_readable(
    check: Check, recordings: Sequence[Recording], usable: Sequence[Recording]
) -> CheckResult | None:
    if not usable:
        for name in ("module_voltage", "engine_speed"):
            if not any(name in r.channels for r in recordings):
                lack = missing_channel(name)
                return check.result("channel-missing", f"{lack.why}.", settle=lack.settle)
        return check.result(
            "channel-missing",
            "no recording has both module voltage and engine speed.",
            settle="record both together",
        )
    volts = channels_named(usable, "module_voltage")
    if all(too_slow(c, VOLTAGE_CAP_S) for c in volts) or all(
        too_slow(c, FAST_CAP_S) for c in channels_named(usable, "engine_speed")
    ):
        return check.result("too-slow-to-tell", "voltage or engine speed was read too seldom.")
    if never_moves(volts):
        return check.result(
            "frozen", "voltage reads the same number throughout: nothing shows that it is alive."
        )
    return None


def _answer(check: Check, found: Supply, rule: Rule) -> CheckResult:
    f, unlike = found.factor, ""
    source = f"{COMMON_PRACTICE}{', doubled for 24 V' if f > 1 else ''}"
    usual, outer = within(*USUAL_V, f, source), within(*FAIL_V, f, source)
    smart = within(FAIL_V[0], USUAL_V[1], f, f"{source}; smart charging")
    best_of = max(found.levels, key=lambda m: m.value, default=None)

    def answer(
        finding: str, why: str, limits: Limits = usual, p: float | None = None, settle: str = ""
    ) -> CheckResult:
        return check.result(
            finding,
            why,
            settle=settle,
            measurement=best_of,
            limits=limits if p is not None else None,
            probability=p,
            windows=found.windows,
            notes=[*_notes(found), *([unlike] if unlike else [])],
            details={
                name: None if m is None else {"volts": m.value, "uncertainty": m.uncertainty}
                for name, m in (
                    ("rest", found.rest),
                    ("idle", found.idle),
                    ("raised", found.raised),
                )
            },
        )

    if best_of is None:
        return answer(
            "too-short",
            "the engine does not run long enough at idle or at raised speed with voltage read.",
        )
    if not all(ALIVE_V <= m.value <= MOST_V for m in found.levels):
        return answer("implausible", f"{best_of.value:.1f} V with the engine running is no supply.")
    told = " and ".join(
        f"{m.value:.2f} V {where}"
        for m, where in ((found.idle, "at idle"), (found.raised, "at raised speed"))
        if m is not None
    )
    low = Limits(FAIL_V[0] * f, None, "V", source)
    high = Limits(None, FAIL_V[1] * f, "V", source)
    enough = [probability_of_conformity(m, low) for m in found.levels]
    bounded = [probability_of_conformity(m, high) for m in found.levels]
    if any(decide(p, rule.pass_at, rule.fail_at) is Verdict.FAIL for p in bounded):
        why = f"the supply is {told}, above {outer.upper:.1f} V: the regulator lets it rise."
        best_of = max(found.levels, key=lambda m: m.value)
        return answer("overcharges", why, outer, min(bounded))
    complete = found.idle is not None and found.raised is not None
    low_at_both = all(decide(p, rule.pass_at, rule.fail_at) is Verdict.FAIL for p in enough)
    if complete and low_at_both:
        why = f"the supply is {told}, below {outer.lower:.1f} V: the battery feeds the car."
        return answer("not-charging", why, outer, max(enough))
    if complete and _barely(found, rule):
        assert found.rest is not None
        return answer(
            "barely-above-rest",
            f"the supply is {told} and was {found.rest.value:.2f} V with the engine off: it hardly "
            "rises.",
        )
    if not complete:
        which = "raised speed" if found.raised is None else "idle"
        return answer(
            "raised-speed-missing" if found.raised is None else "idle-missing",
            f"the supply is {told}; not enough was recorded at {which}.",
        )
    peak = found.highest
    if peak is not None and peak.value > FAIL_V[1] * f:
        return answer(
            "above-usual",
            f"the supply is {told}, but stood at {peak.value:.2f} V for {peak.samples} readings in "
            f"a row; more than {FAIL_V[1] * f:.1f} V is too much.",
        )
    if found.still:
        words = {"idle": "at idle", "raised": "at raised speed"}
        where = " and ".join(words[n] for n in found.still)
        return answer(
            "frozen",
            f"voltage reads one and the same number {where}: nothing shows that it is alive.",
        )
    p_usual = min(probabilities(found, usual))
    p_smart = min(probabilities(found, smart))
    lifted = found.held_high
    usually = decide(p_usual, rule.pass_at, rule.fail_at) is Verdict.PASS
    smartly = lifted is not None and decide(p_smart, rule.pass_at, rule.fail_at) is Verdict.PASS
    if (usually or smartly) and not _ends_charging(found, rule, source):
        ended = "not read" if found.last is None else f"{found.last.value:.2f} V"
        return answer(
            "low-at-the-end",
            f"the supply is {told}, but in the last half minute it was {ended}; a full battery "
            f"alone gives up to {FULL_V * f:.1f} V.",
        )
    if usually:
        return answer("charges", f"the supply is {told}.", usual, p_usual)
    if smartly and lifted is not None:
        unlike = f"the supply stood at {lifted.value:.2f} V and fell, as smart charging lets it"
        return answer("charges-smart", f"the supply is {told}.", smart, p_smart)
    side = "above-usual" if best_of.value > USUAL_V[1] * f else "below-usual"
    band = f"{usual.lower:.1f} to {usual.upper:.1f} V"
    return answer(side, f"the supply is {told}; {band} is usual.", usual, p_usual)


def _ends_charging(found: Supply, rule: Rule, source: str) -> bool:
    if found.last is None:
        return False
    p = probability_of_conformity(found.last, Limits(FULL_V * found.factor, None, "V", source))
    return decide(p, rule.pass_at, rule.fail_at) is Verdict.PASS


def _barely(found: Supply, rule: Rule) -> bool:
    """Whether the supply surely never rose 0.2 V above rest, engine running, and is below 13 V."""
    rest, best = found.rest, found.highest
    if rest is None or best is None or best.value >= BARELY_BELOW_V * found.factor:
        return False
    rise = best.value - rest.value
    u = (best.uncertainty**2 + rest.uncertainty**2) ** 0.5
    return normal_cdf((BARELY_V * found.factor - rise) / u) >= rule.pass_at


def _notes(found: Supply) -> list[str]:
    def told(m: Measurement) -> str:
        return f"{m.value:.2f} ± {2 * m.uncertainty:.2f} V (k = 2, {m.samples} readings)"

    notes = [
        f"{words}: {told(m)}"
        for words, m in (
            ("engine off before the start", found.rest),
            ("at idle", found.idle),
            ("at raised speed", found.raised),
        )
        if m is not None
    ]
    if found.rest is None:
        notes.append(
            "fewer than two readings with the engine off before its start: nothing is said of the "
            "battery"
        )
    elif found.rest.value < REST_V * found.factor:
        notes.append(
            f"below {REST_V * found.factor:.1f} V at rest, key on: charge the battery before codes "
            "are cleared or anything is relearned"
        )
    if found.factor > 1.0:
        notes.append("a 24 V system: all figures are doubled")
    return notes


CHARGING = Check(
    name="charging",
    version=2,
    question="Does the generator charge, at idle and at raised speed?",
    channels=("module_voltage", "engine_speed"),
    quantity="mean of module voltage with the engine running, from "
    f"{AFTER_START_S:.0f} s after its start: below {IDLE_BELOW_RPM:.0f} rpm, and from "
    f"{RAISED_FROM_RPM:.0f} rpm on; beside it the mean with the engine off before its first start",
    limits=f"pass: {USUAL_V[0]} to {USUAL_V[1]} V at both, or {FAIL_V[0]} to {USUAL_V[1]} V where "
    f"{USUAL_V[0]} V was held for 20 s, each with more than {FULL_V} V in the last half minute "
    f"and never five readings in a row above {FAIL_V[1]} V; "
    f"fail: both below {FAIL_V[0]} V, either above {FAIL_V[1]} "
    f"V, or never {BARELY_V} V above rest and below {BARELY_BELOW_V:.0f} V; rest of {REST_V} V and "
    f"more for other checks is told, not judged ({COMMON_PRACTICE}); doubled for 24 V",
    findings={
        "charges": Verdict.PASS,
        "charges-smart": Verdict.PASS,
        "not-charging": Verdict.FAIL,
        "barely-above-rest": Verdict.FAIL,
        "overcharges": Verdict.FAIL,
        "below-usual": Verdict.UNDECIDED,
        "above-usual": Verdict.UNDECIDED,
        "low-at-the-end": Verdict.UNDECIDED,
        "raised-speed-missing": Verdict.UNDECIDED,
        "idle-missing": Verdict.UNDECIDED,
        "fed-without-engine": Verdict.UNDECIDED,
        "implausible": Verdict.UNDECIDED,
        "frozen": Verdict.UNDECIDED,
        "too-short": Verdict.UNDECIDED,
        "too-slow-to-tell": Verdict.UNDECIDED,
        "channel-missing": Verdict.UNDECIDED,
    },
    run=run_charging,
    settles={
        "below-usual": SETTLE_METER,
        "above-usual": SETTLE_METER,
        "low-at-the-end": SETTLE_METER,
        "raised-speed-missing": "hold 2,000 rpm for 30 s and record it as well",
        "idle-missing": "let the engine idle for 60 s and record it as well",
        "fed-without-engine": "take the charger off and record again; on a hybrid or electric car "
        "read the converter's output with a meter",
        "implausible": "check the unit of the voltage column, or read the battery with a meter",
        "frozen": "record again from before the start, so that the reading must move",
        "too-short": "record 60 s of idle and 30 s at 2,000 rpm with the engine running",
        "too-slow-to-tell": "record fewer channels, so that both are read every few seconds",
    },
    look_alikes=(
        "smart charging: the voltage falls to 12.5 V once the battery is full and rises when the "
        "foot is off; told by 13.5 V held at some time in the recording, above all after the start",
        "a battery that takes much after a long stand, and heavy loads at idle: lower at idle than "
        "at raised speed",
        "very cold weather: the regulator rightly goes above 14.8 V",
        "a charger on the battery, a hybrid, an electric car: 14 V with the engine off",
    ),
    blind_spots=(
        "the dip while cranking and the ripple of a broken diode are far too fast for a log: read "
        "them with a meter or an oscilloscope",
        "the battery's own state: a log of a few minutes says nothing of its capacity",
        "the drop between generator and battery: module voltage is the engine computer's supply, "
        "usually 0.1 to 0.3 V less than at the battery",
        "a slipping belt that shows under load only: switch lamps, blower and rear heater on",
    ),
)
