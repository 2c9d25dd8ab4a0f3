"""Numbers out of pyarrow's buffers, against pyarrow's own way; and which readers a head asks."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from verify.evidence.importers import port
from verify.evidence.importers.cells import floats

INTS = ("int8", "int16", "int32", "int64", "uint8", "uint16", "uint32", "uint64")


@given(
    st.lists(st.lists(st.one_of(st.none(), st.integers(0, 120)), max_size=20), max_size=4),
    st.sampled_from((*INTS, "double", "float")),
    st.integers(0, 7),
)
def test_floats_are_those_of_pyarrow(cells: list[list[int | None]], kind: str, cut: int) -> None:
    column = pa.chunked_array([pa.array(c, type=kind) for c in cells], type=kind)[cut:]
    expected = column.cast(pa.float64()).to_numpy()
    np.testing.assert_array_equal(floats(column), expected)


def test_large_whole_numbers_keep_their_digits() -> None:
    first = 1_700_000_000_123_456_789
    column = pa.chunked_array([pa.array([first, None, first + 7, first - 5], pa.int64())])
    np.testing.assert_array_equal(floats(column, first), [0.0, np.nan, 7.0, -5.0])
    unsigned = pa.chunked_array([column.chunk(0).cast(pa.uint64())])
    np.testing.assert_array_equal(floats(unsigned, first), [0.0, np.nan, 7.0, -5.0])
    huge = pa.chunked_array([pa.array([2**63 + 9, 2**63 + 11], pa.uint64())])
    np.testing.assert_array_equal(floats(huge, 2**63 + 9), [0.0, 2.0])


def test_booleans_and_nothing() -> None:
    np.testing.assert_array_equal(floats(pa.array([True, None, False])), [1.0, np.nan, 0.0])
    assert floats(pa.chunked_array([], type=pa.float64())).shape == (0,)


HEADS = (
    b"PAR1\x15\x04",
    b"MDF     4.10    ",
    b"UnFinMF 4.10    ",
    b"LOGG\x90\x00",
    b"  (1700000000.1) can0 7E8#03410C1AF8AAAAAA\n",
    b"(000.001)  can0  7E8   [8]  03 41 0C 1A F8 AA AA AA\n",
    b"date Mon Jan 1 10:00:00 2024\nbase hex  timestamps absolute\n 0.1 1 7E8 Rx d 8 03 41\n",
    b";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,I,d,l,D\n",
    b"timestamp,arbitration_id,data\n1.0,7E8,03410C1AF8\n",
    b"Time;CANID;DataBytes\n1.0;7E8;03 41 0C\n",
    b'\xef\xbb\xbf\n {"name": "Engine Speed", "value": 1, "timestamp": 2}\n',
    b"time [s],engine speed [rpm]\n0.0,700\n",
)


@pytest.mark.parametrize("head", HEADS)
def test_the_reader_asked_is_the_first_that_accepts(head: bytes) -> None:
    wanted = next(one.name for one in port.importers() if one.accepts(head))
    assert port._importer_for(head, "a file").name == wanted


@example(b"OggS")
@given(st.binary(max_size=300) | st.sampled_from(HEADS).map(lambda h: b"\n" + h))
def test_any_head_is_answered_as_by_asking_all(head: bytes) -> None:
    wanted = next((one.name for one in port.importers() if one.accepts(head)), None)
    try:
        found: str | None = port._importer_for(head, "a file").name
    except port.UserError:
        found = None
    assert found == wanted


def test_a_plain_table_loads_neither_pandas_nor_the_library_of_functions(tmp_path: Path) -> None:
    path = tmp_path / "plain.csv"
    path.write_text("time [s],engine speed [rpm]\n" + "".join(f"{i}.5,700\n" for i in range(9)))
    code = (
        "import sys\nfrom verify.evidence.importers.port import read_recording\n"
        f"with open({str(path)!r}, 'rb') as s: r = read_recording(s, 'plain.csv')\n"
        "assert len(r.channels['engine_speed'].values) == 9\n"
        "print([m for m in ('pandas', 'pyarrow.compute', 'can') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
