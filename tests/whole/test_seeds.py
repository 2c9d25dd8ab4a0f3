"""The tables of the trade: every row complete, with its source; the codes pinned.

Outside values: SAE J2012 as two public lists give it.
"""

from __future__ import annotations

import re

import pytest

from verify import tables
from verify.car.codes import CLASSES, Definer, class_of, meaning, who_defines
from verify.flow.model import CODE_CLASSES
from verify.job.catalogue import catalogue
from verify.terminal.cmd_code import SURE_WORDS

# Columns that may stay empty, with what that says.
MAY_BE_EMPTY = {
    "activities": {"hazards"},  # some bring none
    "readiness_monitors": {"other_names"},
    # What is no number has no scaling; only some are channels of a recording.
    "parameters": {"unit", "scale", "offset", "signed", "low", "high", "channel", "states"},
    # Open ends of model years, and numbers that belong to other questions.
    "inspection_rules": {"first_year", "last_year", "allowed", "may_be_open", "counts"}
    | {"warm_ups", "distance_mi", "minutes"},
}
TABLES = ["hazards", "activities", "codes", "code_checks", "code_notes"]
TABLES += ["readiness_monitors", "inspection_rules", "parameters", "failure_types"]


@pytest.mark.parametrize("table", TABLES)
def test_every_row_has_all_its_words_and_a_source(table: str) -> None:
    rows = tables.rows(f"seeds/{table}.csv")
    assert rows
    first = next(iter(rows[0]))
    assert len({row[first] for row in rows}) == len(rows)
    for row in rows:
        assert None not in row
        empty = {key for key, value in row.items() if not value or not value.strip()}
        assert empty <= MAY_BE_EMPTY.get(table, set()), row
        assert not re.search(r"https?:|/(?:work|tmp|home|usr)/", " ".join(row.values()))


def test_activities_name_hazards_that_exist() -> None:
    known = catalogue()
    for activity, hazards in known.activities.items():
        assert set(hazards) <= set(known.hazards), activity


def test_code_rows_are_codes_of_the_standard_in_known_classes() -> None:
    rows = tables.rows("seeds/codes.csv")
    codes = [row["code"] for row in rows]
    assert codes == sorted(codes)
    assert len(codes) >= 500
    checks = {row["check"] for row in tables.rows("seeds/code_checks.csv")}
    assert {row["verify"] for row in rows} == checks
    for row in rows:
        assert re.fullmatch(r"[PCU][0-3][0-9A-F]{3}", row["code"])
        assert who_defines(row["code"]) is Definer.STANDARD
        assert row["class"] in CLASSES
        assert row["class"] in CODE_CLASSES
        assert row["touches"] in TOUCHES, row
        assert row["sure"] in SURE_WORDS, row


# The parts of a close-out that a code may touch.
TOUCHES = {
    *("throttle", "pedal", "idle", "air", "fuel", "misfire", "supply", "communication"),
    *("module", "brakes", "emissions", "cooling", "speed", "transmission", "oil", "start"),
}


def test_forbids_class_and_relearn_of_a_code_say_the_same() -> None:
    for row in tables.rows("seeds/codes.csv"):
        assert row["forbids"] == ("yes" if row["class"] == "forbids" else "no"), row
        assert (row["relearn"] == "yes") == (row["class"] == "learn"), row
        assert row["relearn"] in ("yes", "no", "part"), row


def test_no_code_allows_driving() -> None:
    """A code may forbid, never allow."""
    for row in tables.rows("seeds/codes.csv"):
        assert not re.search(
            r"may (?:be )?drive|can be driven on|harmless|no risk|is safe", row["why"]
        )


def test_what_is_read_in_the_brake_module_forbids() -> None:
    brakes = [row for row in tables.rows("seeds/codes.csv") if row["code"].startswith("C")]
    assert len(brakes) >= 40
    assert {row["class"] for row in brakes} == {"forbids"}


# SAE J2012 as two public lists give it (one often-copied list is shifted by a row here).
PINNED = {
    "P0505": ("learn", "idle control system"),
    "P0506": ("learn", "slower"),
    "P0507": ("learn", "faster"),
    "P0172": ("other", "rich, bank 1"),
    "P0174": ("learn", "lean, bank 2"),
    "P0175": ("other", "rich, bank 2"),
    "P0219": ("forbids", "faster than it may"),
    "P0220": ("wiring", "sensor B"),
    "P0121": ("wiring", "sensor A"),
    "P0171": ("learn", "lean, bank 1"),
    "P0638": ("wiring", "actuator"),
    "P2104": ("forbids", "forced idle"),
    "P2105": ("forbids", "shuts the engine down"),
    "P2106": ("forbids", "limits the power"),
    "P2110": ("forbids", "limits the engine speed"),
    "P2111": ("forbids", "stuck open"),
    "P2112": ("forbids", "stuck closed"),
    "P2135": ("wiring", "A and B disagree"),
    "P2138": ("wiring", "D and E disagree"),
    "P2176": ("learn", "not learned"),
    "U0107": ("wiring", "throttle actuator module"),
}


@pytest.mark.parametrize("code", sorted(PINNED))
def test_codes_mean_what_the_standard_says(code: str) -> None:
    kind, words = PINNED[code]
    assert class_of(code) == kind
    assert words in meaning(code)


def test_stuck_open_could_not_be_closed_and_stuck_closed_could_not_be_opened() -> None:
    assert meaning("P2111").endswith("could not be commanded closed")
    assert meaning("P2112").endswith("could not be commanded open")


def test_no_code_of_circuit_or_communication_is_left_to_a_relearn() -> None:
    for row in tables.rows("seeds/codes.csv"):
        words = row["meaning"]
        if re.search(r"circuit|voltage|communication|sensor|motor|stuck|forced|disagree", words):
            assert row["class"] in ("wiring", "forbids"), row
