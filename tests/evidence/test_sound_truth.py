"""A small seeded share of benchmarks/sound.py, for the gate: nothing that is not well is passed.

Few sounds show a gross error only; the shares themselves are the benchmark's to tell.
"""

from __future__ import annotations

from functools import cache

import pytest

from benchmarks.sound import octave_errors, sounds_passed, stated, wrong_passes
from benchmarks.sound_drawn import BY_EAR, NO_ENGINES, SNR_DB, Row, rows_of
from tests.engines_heard.others import OTHERS

SEED = 2026
NAMES = list(NO_ENGINES)


@cache
def engines() -> tuple[Row, ...]:
    every = [(0, snr) for snr in SNR_DB] + [(1, snr) for snr in SNR_DB if snr >= 6.0]
    return tuple(r for n, snr in every for r in rows_of(("engine", SEED, n, snr)))


def drawn(group: str, many: int) -> list[Row]:
    return [r for n in range(many) for r in rows_of((group, SEED, n, SNR_DB[n % len(SNR_DB)]))]


def test_no_engine_that_idles_wrongly_passes_and_no_good_one_fails() -> None:
    assert wrong_passes(engines()) == []
    failed = [r for r in engines() if r["truth"] == "good" and r["verdict"] == "fail"]
    assert failed == []
    passed = {r["check"] for r in engines() if r["truth"] == "good" and r["verdict"] == "pass"}
    assert passed == set(BY_EAR), "what passes nothing proves nothing"


def test_no_octave_is_accepted_as_certain_that_is_not_the_engines() -> None:
    said = stated(engines())
    assert len(said) >= 4, "too few speeds stated to tell"
    assert octave_errors(engines()) == []
    near = [abs(r["rpm"] / r["true_rpm"] - 1.0) for r in said if r["snr_db"] >= 6.0]
    assert near
    assert max(near) <= 0.01


def test_an_engine_that_stalls_is_never_heard_to_run_on() -> None:
    rows = drawn("stall", 4)
    assert wrong_passes(rows) == []
    assert any(r["verdict"] == "fail" for r in rows)


def test_ticking_never_passes_as_quiet_and_quiet_does_not_fail() -> None:
    rows = [r for r in drawn("key", 14) if r["kind"] in ("quiet", "ticking")]
    assert wrong_passes(rows) == []
    assert not [r for r in rows if r["truth"] == "good" and r["verdict"] == "fail"]
    assert {r["verdict"] for r in rows} >= {"pass", "fail"}


@pytest.mark.parametrize("name", list(OTHERS)[::3])
def test_what_is_no_engine_does_not_pass(name: str) -> None:
    assert wrong_passes(rows_of(("other", 7, NAMES.index(name), 0.0))) == []


def test_somebody_humming_does_not_pass() -> None:
    """Passed once, as an engine of eight cylinders."""
    assert wrong_passes(rows_of(("other", 1, NAMES.index("somebody humming"), 0.0))) == []


def test_a_low_note_that_never_moves_does_not_pass() -> None:
    """Passed once, as the unrest of what follows it hid how even it is."""
    number = NAMES.index("a held note") + 12 * len(NAMES)
    assert wrong_passes(rows_of(("other", 1, number, 0.0))) == []


# ---- the counting itself -------------------------------------------------------------------------


def test_the_counting_sees_a_wrong_octave_and_a_wrong_pass() -> None:
    row = {"group": "engine", "kind": "even", "number": 0, "snr_db": 6.0, "true_rpm": 700.0}
    rows: list[Row] = [
        row | {"truth": "good", "verdict": "pass", "rpm": 703.0},
        row | {"truth": "good", "verdict": "fail", "rpm": 1400.0},
        row | {"truth": "good", "verdict": "undecided", "rpm": None},
        row | {"truth": "trap", "verdict": "pass", "rpm": 1400.0},
        row | {"truth": "trap", "verdict": "pass", "rpm": 1400.0},
        row | {"truth": "bad", "verdict": "fail", "rpm": 703.0, "number": 1},
        row | {"truth": "miscounted", "verdict": "pass", "number": 2},
        row | {"truth": "bad", "verdict": "pass", "number": 3, "kind": "random clicks"},
    ]
    assert len(stated(rows)) == 2
    assert [r["rpm"] for r in octave_errors(rows)] == [1400.0]
    assert len(wrong_passes(rows)) == 3
    assert sounds_passed(rows, "engine") == (1, 2), "a sound counts once, one told apart never"
