"""The failure type behind a code ("P2111-11"): what is kept of it, and what can honestly be said.

Two hexadecimal digits, the third byte of a code (SAE J2012 / ISO 14229). Only the groups, by the
first digit, stand in seeds/failure_types.csv; each single meaning stands in tables of the standard
that were not seen, and some makers use tables of their own. Whatever is not known stays a number.
"""

from __future__ import annotations

from functools import cache

from verify import tables

TABLE = "seeds/failure_types.csv"
OWN_TABLES = "some makers use their own table: the service information decides"


@cache
def _groups() -> dict[str, str]:
    return {row["group"]: f"{row['meaning']} ({row['sure']})" for row in tables.rows(TABLE)}


def failure_type_words(byte: str) -> str:
    """What two digits say of how it failed, such as "failure type 11: electrical: …".

    Raises ValueError for anything but two hexadecimal digits, capitals.
    """
    if len(byte) != 2 or not set(byte) <= set("0123456789ABCDEF"):
        raise ValueError(f'"{byte}" is no failure type')
    if byte == "00":
        return "failure type 00: how it failed is not told closer (second-hand)"
    group = _groups().get(byte[0])
    if group is None:
        return f"failure type {byte}: not known here, see the service information"
    return f"failure type {byte}: {group}; {OWN_TABLES}"
