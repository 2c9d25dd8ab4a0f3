"""Results that say no more than that a recording holds nothing to judge.

Stands apart from `verdict_list`, so that words for a job need not wait for the library that draws.
"""

from __future__ import annotations

from verify.evidence.verdict import CheckResult
from verify.words import Verdict

# They are undecided all the same, and counted as such where a step of a job rests on them. A plate
# that does not follow the pedal (`not-following`) is none of them: it may be a diesel's, or stuck.
SAYS_NOTHING = frozenset(("channel-missing", "no-frame", "no-key-on", "no-running"))


def not_judged(result: CheckResult) -> bool:
    """Whether a result says only that there is nothing to judge in this recording."""
    return (
        result.verdict is Verdict.UNDECIDED
        and result.finding in SAYS_NOTHING
        and result.value is None
    )
