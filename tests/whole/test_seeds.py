"""Every row of every table has a source, and every field is what its column says."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable

import pytest

from tests.conftest import ROOT
from verify import tables
from verify.car.codes import CLASSES
from verify.quantity import UNITS, is_unit

TABLES = tables.listing("seeds", ".csv")
Check = Callable[[str], bool]


def matches(pattern: str) -> Check:
    return lambda text: re.fullmatch(pattern, text) is not None


def among(*words: str) -> Check:
    return lambda text: text in words


def empty_or(check: Check) -> Check:
    return lambda text: text == "" or check(text)


def number(text: str) -> bool:
    return matches(r"-?\d+(\.\d+)?([eE]-?\d+)?")(text)


def sentence(text: str) -> bool:
    """Starts with a capital or digit and ends like one."""
    return matches(r"[A-Z0-9].*\.")(text)


name = matches(r"[a-z0-9]+(-[a-z0-9]+)*")
channel = empty_or(matches(r"[a-z][a-z0-9_]*|[^\s,]+"))
words = matches(r".*\S.*")
hazards = {row["hazard"] for row in tables.rows("seeds/hazards.csv")}


def known_hazards(text: str) -> bool:
    return set(text.split()) <= hazards and len(set(text.split())) == len(text.split())


def phrases(text: str) -> bool:
    """Wordings between " | ", each once."""
    parts = text.split(" | ")
    return all(p == p.strip() and p for p in parts) and len(set(parts)) == len(parts)


# What each column of each table holds. A new table, or a new column, says so here.
COLUMNS: dict[str, dict[str, Check]] = {
    "hazards.csv": {"hazard": name, "title": words, "caution": sentence, "owner_caution": sentence},
    "activities.csv": {"activity": name, "means": words, "hazards": known_hazards},
    "code_classes.csv": {
        "code": matches(r"[PCBU][0-3][0-9A-F]{3}"),
        "class": among(*CLASSES),
        "meaning": words,
    },
    "channels.csv": {
        "kind": among("channel", "header", "time", "unit"),
        "name": channel,
        "unit": empty_or(is_unit),
        "low": empty_or(number),
        "high": empty_or(number),
        "scale": empty_or(number),
        "words": empty_or(phrases),
        "sure": empty_or(among("yes", "no")),
    },
}
# The column by which a row is known; no two rows may share it.
KEYS = {"hazards.csv": "hazard", "activities.csv": "activity", "code_classes.csv": "code"}


def test_every_table_says_what_its_columns_hold() -> None:
    assert set(COLUMNS) == set(TABLES)
    for table in TABLES:
        first = tables.rows(f"seeds/{table}")[0]
        assert list(first) == [*COLUMNS[table], "source"], table


@pytest.mark.parametrize("table", TABLES)
def test_every_row_has_a_source(table: str) -> None:
    rows = tables.rows(f"seeds/{table}")
    assert rows
    for number_, row in enumerate(rows, 2):
        assert len(row["source"].strip()) >= 8, f"seeds/{table}, row {number_}"


@pytest.mark.parametrize("table", TABLES)
def test_every_field_is_what_its_column_says(table: str) -> None:
    wrong = [
        f"seeds/{table}, row {number_}, {column}: {row[column]!r}"
        for number_, row in enumerate(tables.rows(f"seeds/{table}"), 2)
        for column, holds in COLUMNS[table].items()
        if not holds(row[column])
    ]
    assert wrong == []


@pytest.mark.parametrize("table", KEYS)
def test_no_two_rows_say_the_same_thing(table: str) -> None:
    keys = [row[KEYS[table]] for row in tables.rows(f"seeds/{table}")]
    assert len(set(keys)) == len(keys)


def test_channels_have_a_unit_we_know_and_a_range_that_is_one() -> None:
    known = set()
    for row in tables.rows("seeds/channels.csv"):
        if row["kind"] == "channel":
            assert row["unit"] in UNITS, row
            assert float(row["low"]) < float(row["high"]), row
            assert row["name"] not in known, row
            known.add(row["name"])
    for row in tables.rows("seeds/channels.csv"):
        if row["kind"] == "header":
            assert row["name"] in known, row
            assert row["sure"] in ("yes", "no"), row
        if row["kind"] in ("header", "time", "unit"):
            assert row["words"], row
        if row["kind"] == "unit":
            assert row["name"] in UNITS, row
            assert float(row["scale"]) > 0, row


def test_no_wording_names_two_channels() -> None:
    taken: dict[str, str] = {}
    for row in tables.rows("seeds/channels.csv"):
        if row["kind"] in ("header", "time"):
            for phrase in row["words"].split(" | "):
                owner = row["name"] or "(time)"
                assert taken.setdefault(phrase.casefold(), owner) == owner, phrase


@pytest.mark.parametrize("table", TABLES)
def test_tables_are_plain_utf_8_with_one_line_end_and_no_ragged_row(table: str) -> None:
    raw = (ROOT / "seeds" / table).read_bytes()
    text = raw.decode("utf-8")
    assert not text.startswith("\ufeff")
    assert "\r" not in text
    assert text.endswith("\n")
    widths = {len(row) for row in csv.reader(text.splitlines(), strict=True)}
    assert len(widths) == 1


@pytest.mark.parametrize(
    ("table", "column", "bad"),
    [
        ("hazards.csv", "hazard", "Hot parts"),
        ("hazards.csv", "caution", "hands off"),
        ("activities.csv", "hazards", "rolling dragons"),
        ("code_classes.csv", "code", "P21112"),
        ("code_classes.csv", "class", "harmless"),
        ("channels.csv", "unit", "furlong"),
        ("channels.csv", "low", "zero"),
        ("channels.csv", "words", "rpm |  | rpm"),
    ],
)
def test_a_wrong_field_is_seen(table: str, column: str, bad: str) -> None:
    assert not COLUMNS[table][column](bad)
