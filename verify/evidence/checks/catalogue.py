"""All checks by name, and the one way to put them to recordings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from verify.errors import UserError, unknown
from verify.evidence.checks.by_ear import IDLE_SPEED_BY_EAR
from verify.evidence.checks.by_ear_stall import NO_STALL_BY_EAR
from verify.evidence.checks.by_ear_steady import IDLE_STEADY_BY_EAR
from verify.evidence.checks.charging import CHARGING
from verify.evidence.checks.coverage import ROAD_COVERAGE
from verify.evidence.checks.fuel_trim import FUEL_TRIM
from verify.evidence.checks.hesitation import HESITATION
from verify.evidence.checks.idle_settling import IDLE_SETTLING
from verify.evidence.checks.idle_speed import IDLE_SPEED
from verify.evidence.checks.idle_steady import IDLE_STEADY
from verify.evidence.checks.key_on_rest import KEY_ON_REST
from verify.evidence.checks.key_on_ticking import KEY_ON_TICKING
from verify.evidence.checks.kind import COULD_NOT_RUN, IMPOSSIBLE_READINGS, Check
from verify.evidence.checks.no_response import NO_RESPONSE
from verify.evidence.checks.pairs import PEDAL_PAIR, THROTTLE_PAIR
from verify.evidence.checks.pedal_response import PEDAL_RESPONSE
from verify.evidence.checks.possible import impossible, strays
from verify.evidence.checks.same_conditions import SAME_CONDITIONS
from verify.evidence.checks.stall import NO_STALL
from verify.evidence.checks.surge import SURGE
from verify.evidence.checks.throttle_follow import THROTTLE_FOLLOW
from verify.evidence.checks.throttle_return import THROTTLE_RETURN
from verify.evidence.checks.warm_up import WARM_UP
from verify.evidence.columns import of_each
from verify.evidence.recording import Recording
from verify.evidence.sharing import shared_answers
from verify.evidence.verdict import CheckResult, Rule
from verify.quantity import SpecValue
from verify.words import Verdict

# Checks put side by side to a long recording: with more of them memory, too, would be needed for
# more at once.
AT_ONCE = 2

# Of every check, beside its own findings: so that flows can branch on them.
COMMON = (IMPOSSIBLE_READINGS, COULD_NOT_RUN)


def _listed(*checks: Check) -> Mapping[str, Check]:
    """By name, each with the findings that the catalogue itself may give."""
    common = dict.fromkeys(COMMON, Verdict.UNDECIDED)
    return MappingProxyType({c.name: replace(c, findings={**c.findings, **common}) for c in checks})


CATALOGUE: Mapping[str, Check] = _listed(
    IDLE_SPEED,
    IDLE_STEADY,
    IDLE_SETTLING,
    NO_STALL,
    PEDAL_RESPONSE,
    THROTTLE_RETURN,
    THROTTLE_FOLLOW,
    NO_RESPONSE,
    THROTTLE_PAIR,
    PEDAL_PAIR,
    KEY_ON_REST,
    FUEL_TRIM,
    WARM_UP,
    CHARGING,
    SURGE,
    HESITATION,
    SAME_CONDITIONS,
    ROAD_COVERAGE,
    IDLE_SPEED_BY_EAR,
    IDLE_STEADY_BY_EAR,
    NO_STALL_BY_EAR,
    KEY_ON_TICKING,
)

# Numbers of a vehicle that checks use, with the unit they are taken in when typed without one.
SPEC_UNITS: Mapping[str, str] = MappingProxyType(
    {
        "idle_speed": "rpm",
        "idle_tolerance": "rpm",
        "cylinders": "1",
        "warm_coolant": "°C",
        "coolant_most": "°C",
        "ambient": "°C",
        "throttle_closed": "%",
        "throttle_open": "%",
        "throttle_pair_ratio": "1",
        "throttle_pair_sum": "%",
        "throttle_travel": "%",
        "pedal_pair_ratio": "1",
        "pedal_pair_sum": "%",
        "pedal_travel": "%",
        "trim_limit": "%",
        "gross_mass": "kg",
        "frame_engine_speed": "rpm",
        "frame_load": "%",
        "frame_coolant": "°C",
        "frame_vehicle_speed": "km/h",
        "frame_load_window": "%",
        "frame_other_code": "1",
    }
)


def judge(
    recordings: Sequence[Recording],
    specs: Mapping[str, SpecValue],
    checks: Sequence[str] | None = None,
    *,
    pass_at: float = 0.95,
    fail_at: float = 0.05,
) -> tuple[CheckResult, ...]:
    """Puts checks to all recordings of one step together, in the catalogue's order.

    recordings: the same file twice counts once; `Window.recording` counts those that are left.
    checks: names; None for all. A check that breaks is undecided with that reason, and the others
    still run.
    Raises UserError for a check that does not exist or a spec in an unlike unit, ValueError for
    bounds looser than 0.90 and 0.10.
    """
    rule = Rule(pass_at, fail_at)
    names = list(CATALOGUE) if checks is None else list(dict.fromkeys(checks))
    problems = [unknown(name, CATALOGUE, "check") for name in names if name not in CATALOGUE]
    if problems:
        raise UserError(*problems)
    seen: dict[str, Recording] = {}
    for place, recording in enumerate(recordings):
        seen.setdefault(recording.sha256 or f"unnamed {place}", recording)
    once = tuple(seen.values())
    readings = max((len(c.values) for r in once for c in r.channels.values()), default=0)

    def said(name: str) -> CheckResult | UserError:
        try:
            return judge_one(CATALOGUE[name], once, specs, rule)
        except UserError as error:
            return error

    # Neighbours in the list look at the same things in the same way: side by side they would wait
    # for one another, and need most memory at one time.
    apart = [*names[1::2], *names[::2]]
    with shared_answers():
        found = dict(zip(apart, of_each(said, apart, readings, workers=AT_ONCE), strict=True))
    results = []
    for name in names:
        result = found[name]
        if isinstance(result, UserError):
            raise result
        results.append(result)
    return tuple(results)


def judge_one(
    check: Check, recordings: Sequence[Recording], specs: Mapping[str, SpecValue], rule: Rule
) -> CheckResult:
    """Puts one check, of the catalogue or made from one, to recordings that are told apart already.

    A pass that rests on readings no car can have is undecided (`impossible-readings`), and so is a
    check that breaks: for the same reason where there are such readings, else `could-not-run`.
    Raises UserError for a spec in an unlike unit.
    """
    try:
        # Readings no car has may be larger than arithmetic can bear; what comes of it is refused.
        with np.errstate(all="ignore") if strays(check, recordings) else nullcontext():
            result = check.run(check, recordings, specs, rule)
        result.to_json()  # a number that is not finite is a defect and must not be stored
    except UserError:
        raise
    except Exception as error:
        return _refused(check, recordings) or check.result(
            COULD_NOT_RUN,
            f"the check could not be computed ({type(error).__name__}: {error}).",
            settle="record again; if it happens again, report it together with the recording",
        )
    if result.verdict is Verdict.PASS:
        return _refused(check, recordings) or result
    return result


def _refused(check: Check, recordings: Sequence[Recording]) -> CheckResult | None:
    why, settle = impossible(check, recordings)
    return check.result(IMPOSSIBLE_READINGS, f"{why}.", settle=settle) if why else None
