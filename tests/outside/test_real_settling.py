"""`idle-settling` on six real drives of one healthy car, taken together.

On one of the days it idled 270 rpm higher in both of its idles, and was not ill. A curve through
six idles must not make a fault of that, nor call it settled.
"""

from __future__ import annotations

import pytest

from tests.nasty import spec
from tests.outside.test_real_judge import ROUND_ROBIN, read
from verify.evidence.checks.catalogue import judge
from verify.words import Verdict


@pytest.mark.parametrize("idle_rpm", [770, 830])
def test_six_drives_with_one_odd_day_stay_open(idle_rpm: int) -> None:
    made = [read(sha256) for sha256 in ROUND_ROBIN]
    result = judge(made, {"idle_speed": spec(f"{idle_rpm} rpm")}, ["idle-settling"])[0]
    assert result.verdict is Verdict.UNDECIDED
    value = result.to_json()
    idles = value["idles"]
    odd = [i["levels"]["engine_speed"][0] for i in idles if i["recording"] == 4]
    others = [i["levels"]["engine_speed"][0] for i in idles if i["recording"] != 4]
    assert odd == pytest.approx([1040.0] * len(odd), abs=2.0)
    assert others == pytest.approx([770.0] * len(others), abs=4.0)
    assert any("differ from each other" in note for note in result.notes)
    # The flap of a diesel, open at idle, is no evidence of what idle control has learned.
    assert "throttle" not in value["trends"]
    # Start-stop does not count as a start; each of these days began with a cold or stopped engine.
    assert len({i["engine_start"] for i in idles}) == len({i["recording"] for i in idles})
