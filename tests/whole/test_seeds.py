"""The tables of the trade: every row complete, with its source; the codes pinned.

Outside values: SAE J2012 as two public lists give it.
"""

from __future__ import annotations

import re

import pytest

from verify import tables
from verify.car.codes import CLASSES, class_of, meaning
from verify.flow.model import CODE_CLASSES
from verify.job.catalogue import catalogue


@pytest.mark.parametrize("table", ["hazards", "activities", "code_classes"])
def test_every_row_has_all_its_words_and_a_source(table: str) -> None:
    rows = tables.rows(f"seeds/{table}.csv")
    assert rows
    first = next(iter(rows[0]))
    assert len({row[first] for row in rows}) == len(rows)
    for row in rows:
        assert None not in row
        empty = {key for key, value in row.items() if not value or not value.strip()}
        # Some activities bring no hazard.
        assert empty <= ({"hazards"} if table == "activities" else set()), row
        assert not re.search(r"https?:|/(?:work|tmp|home|usr)/", " ".join(row.values()))


def test_activities_name_hazards_that_exist() -> None:
    known = catalogue()
    for activity, hazards in known.activities.items():
        assert set(hazards) <= set(known.hazards), activity


def test_code_rows_are_codes_of_the_standard_in_known_classes() -> None:
    rows = tables.rows("seeds/code_classes.csv")
    codes = [row["code"] for row in rows]
    assert codes == sorted(codes)
    assert len(codes) >= 130
    for row in rows:
        assert re.fullmatch(r"[PU][0-3][0-9A-F]{3}", row["code"])
        assert row["class"] in CLASSES
        assert row["class"] in CODE_CLASSES


# SAE J2012 as two public lists give it (one often-copied list is shifted by a row here).
PINNED = {
    "P0505": ("learn", "idle control system"),
    "P0506": ("learn", "slower"),
    "P0507": ("learn", "faster"),
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
    for row in tables.rows("seeds/code_classes.csv"):
        words = row["meaning"]
        if re.search(r"circuit|voltage|communication|sensor|motor|stuck|forced|disagree", words):
            assert row["class"] in ("wiring", "forbids"), row
