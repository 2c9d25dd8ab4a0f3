"""The cases of all checks: whoever adds a check to the catalogue adds its own here.

CASES: (check, finding) → a recording that reaches it, and the numbers of the vehicle. SOUND: check
→ a recording that passes, the numbers, and the channels it cannot do without. The suites of the
whole catalogue run over both and fail for a check that is in neither.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache

from tests.evidence import idle_cases, road_cases, slow_cases, sound_cases, throttle_cases
from verify.evidence.recording import Recording
from verify.quantity import SpecValue

Specs = Mapping[str, SpecValue]
Make = Callable[[], Recording]

CASES: Mapping[tuple[str, str], tuple[Make, Specs]] = {
    **idle_cases.CASES,
    **throttle_cases.CASES,
    **slow_cases.CASES,
    **road_cases.CASES,
    **sound_cases.CASES,
}
SOUND: Mapping[str, tuple[Make, Specs, tuple[str, ...]]] = {
    **idle_cases.REQUIRED,
    **throttle_cases.REQUIRED,
    **{name: (make, {}, names) for name, (make, names) in slow_cases.REQUIRED.items()},
    **road_cases.REQUIRED,
    **sound_cases.REQUIRED,
}


@cache
def sound(check: str) -> Recording:
    """The recording this check passes on, made once."""
    return SOUND[check][0]()


def sound_specs(check: str) -> Specs:
    return SOUND[check][1]
