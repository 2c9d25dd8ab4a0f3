"""Every finding of the checks of driving is reached, through the catalogue, with its verdict."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.evidence.road_cases import CASES, REQUIRED
from tests.nasty import changed, channel, without
from verify.evidence.checks.catalogue import CATALOGUE, COMMON, SPEC_UNITS, judge
from verify.evidence.verdict import decide
from verify.words import Verdict


@pytest.mark.parametrize(("check", "finding"), CASES)
def test_a_recording_made_for_a_finding_reaches_it(check: str, finding: str) -> None:
    make, specs = CASES[check, finding]
    result = judge([make()], specs, [check])[0]
    assert result.finding == finding, result.why
    assert result.verdict is CATALOGUE[check].findings[finding]
    assert result.why.endswith(".")
    assert bool(result.settle) == (result.verdict is Verdict.UNDECIDED)
    if result.probability is not None:
        assert decide(result.probability) is result.verdict
    assert result.verdict is Verdict.UNDECIDED or result.windows


@pytest.mark.parametrize("check", REQUIRED)
def test_no_finding_is_left_out(check: str) -> None:
    reached = {finding for name, finding in CASES if name == check}
    assert reached == set(CATALOGUE[check].findings) - set(COMMON)
    assert set(CATALOGUE[check].uses) <= set(SPEC_UNITS)


@pytest.mark.parametrize(
    ("check", "name"), [(c, n) for c, (_, _, names) in REQUIRED.items() for n in names]
)
def test_without_a_required_channel_nothing_passes(check: str, name: str) -> None:
    make, specs, _ = REQUIRED[check]
    assert judge([make()], specs, [check])[0].verdict is Verdict.PASS
    assert judge([without(make(), name)], specs, [check])[0].verdict is Verdict.UNDECIDED


@pytest.mark.parametrize("check", REQUIRED)
def test_without_a_required_spec_nothing_passes(check: str) -> None:
    make, specs, _ = REQUIRED[check]
    for name in CATALOGUE[check].specs:
        less = {k: v for k, v in specs.items() if k != name}
        assert judge([make()], less, [check])[0].verdict is Verdict.UNDECIDED


@pytest.mark.parametrize("check", REQUIRED)
def test_order_of_channels_and_start_of_the_clock_change_nothing(check: str) -> None:
    make, specs, _ = REQUIRED[check]
    base = make()
    turned = replace(base, channels=dict(reversed(list(base.channels.items()))))
    plain = judge([base], specs, [check])[0]
    assert judge([turned], specs, [check])[0].to_json() == plain.to_json()
    for shift_s in (-3.7, 1000.0, 86_400.5):
        moved = changed(
            base, lambda c, by=shift_s: channel(c.name, c.time_s + by, c.values, c.resolution)
        )
        assert judge([moved], specs, [check])[0].finding == plain.finding
