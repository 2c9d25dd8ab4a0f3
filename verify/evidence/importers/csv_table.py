"""CSV tables as recordings: the bytes by `csv_read`, their meaning by `table_recording`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import BinaryIO

from verify.evidence.importers.csv_read import read_table
from verify.evidence.importers.port import Layout, looks_like
from verify.evidence.importers.table_recording import look_at, table_to_recording
from verify.evidence.recording import Recording


class CsvImporter:
    """Tables of separated values in any common encoding, separator and decimal mark.

    Version 2: a reading of a table that shows several values in a row says how old it may be; a
    clock that starts anew is a gap of its own, however the rest of the clock is mended; positions
    are not looked at.
    """

    name = "csv"
    version = 4

    def accepts(self, head: bytes) -> bool:
        return looks_like(head) == ""

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        return look_at(read_table(stream, source_name), source_name)

    def read(
        self,
        stream: BinaryIO,
        source_name: str,
        *,
        mapping: Mapping[str, str] | None = None,
        interval_s: float | None = None,
    ) -> Recording:
        table = read_table(stream, source_name)
        return table_to_recording(table, source_name, self, mapping, interval_s)
