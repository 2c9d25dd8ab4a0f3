"""Real recordings of one healthy car on different days: nothing was repaired in between.

The recordings are not part of the repository; they are named by the SHA-256 of their bytes. The
difference of two idles is computed anew with scipy from the results' own readings.
"""

from __future__ import annotations

import io
import itertools
import math

import pytest
from scipy import stats

from tests.conftest import real_recording
from tests.nasty import spec
from tests.outside.test_real_judge import ROUND_ROBIN
from verify.evidence.compare import Change, compare
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Recording
from verify.words import Verdict

SPECS = {"idle_speed": spec("770 rpm")}


@pytest.fixture(scope="module")
def drives() -> tuple[Recording, ...]:
    return tuple(
        read_recording(io.BytesIO(real_recording(sha).read_bytes()), sha[:12])
        for sha in ROUND_ROBIN
    )


def test_no_repair_is_seen_where_there_was_none(drives: tuple[Recording, ...]) -> None:
    """Any three of the six drives against the other three."""
    numbers = 0
    for places in itertools.combinations(range(6), 3):
        before = [drives[i] for i in places]
        after = [d for i, d in enumerate(drives) if i not in places]
        for c in compare(before, after, SPECS, ["idle-speed", "idle-steady", "no-stall"]):
            assert c.change in (Change.UNCHANGED, Change.CANNOT_TELL), (places, c)
            numbers += c.difference is not None
    assert numbers, "no pair of threes had two numbers to compare"


def test_the_difference_of_two_idles_against_scipy(drives: tuple[Recording, ...]) -> None:
    (c,) = compare([drives[i] for i in (0, 1, 4)], [drives[i] for i in (2, 3, 5)], SPECS,
                   ["idle-speed"])  # fmt: skip
    assert c.before.value is not None
    assert c.after.value is not None
    assert c.after.verdict is Verdict.PASS
    assert c.difference == pytest.approx(c.after.value - c.before.value)
    # The doubts in quadrature; the common step of the readings is small beside them.
    assert c.uncertainty == pytest.approx(
        math.hypot(c.before.uncertainty or 0.0, c.after.uncertainty or 0.0), rel=0.01
    )
    assert c.better is not None
    # Fewer than 30 independent readings: surely no surer than the normal law would be.
    normal = stats.norm.cdf(-c.difference / c.uncertainty)
    assert c.change is Change.CANNOT_TELL
    assert normal < 0.95
