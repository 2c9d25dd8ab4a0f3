"""Every finding of the checks of slow quantities and of the key is reached, and by what it says."""

from __future__ import annotations

import pytest

from tests.evidence.slow_cars import less
from tests.evidence.slow_cases import CASES, REQUIRED
from verify.evidence.checks.catalogue import CATALOGUE, COMMON, judge
from verify.words import Verdict


@pytest.mark.parametrize(("check", "finding"), CASES)
def test_a_recording_made_for_a_finding_reaches_it(check: str, finding: str) -> None:
    make, specs = CASES[check, finding]
    result = judge([make()], specs, [check])[0]
    assert result.finding == finding, result.why
    assert result.verdict is CATALOGUE[check].findings[finding]
    assert result.why.endswith(".")
    assert bool(result.settle) == (result.verdict is Verdict.UNDECIDED)


@pytest.mark.parametrize("check", REQUIRED)
def test_no_finding_is_left_out(check: str) -> None:
    reached = {finding for name, finding in CASES if name == check}
    assert reached == set(CATALOGUE[check].findings) - set(COMMON)


@pytest.mark.parametrize(("check", "name"), [(c, n) for c, (_, ns) in REQUIRED.items() for n in ns])
def test_without_a_required_channel_nothing_passes(check: str, name: str) -> None:
    make, _ = REQUIRED[check]
    assert judge([make()], {}, [check])[0].verdict is Verdict.PASS
    assert judge([less(make(), name)], {}, [check])[0].verdict is Verdict.UNDECIDED
