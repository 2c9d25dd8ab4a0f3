"""Bytes changed, cut off, added, and journals of any shape: found or refused, never a traceback."""

from __future__ import annotations

import random
from typing import Any

import pytest

from tests.job.jobfiles import (
    file_of,
    forged,
    looked_at,
    members,
    rechained,
    refused,
    whole_job,
    with_key,
)
from verify.job.audit import Audit, Level
from verify.job.entry import Entry
from verify.terminal.desk import Desk

FLIPS = 200


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return whole_job(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def data(desk: Desk) -> bytes:
    return file_of(desk)


@pytest.fixture(scope="module")
def parts(data: bytes) -> dict[str, bytes]:
    return members(data)


def level(result: Audit, part: str) -> Level:
    return next(p.level for p in result.parts if p.name == part)


def text(result: Audit, part: str) -> str:
    return next(" | ".join((p.text, *p.more)) for p in result.parts if p.name == part)


def test_every_single_changed_byte_of_a_seeded_two_hundred_is_found(data: bytes) -> None:
    rng = random.Random(20310304)
    for _ in range(FLIPS):
        place = rng.randrange(len(data))
        other = bytes([data[place] ^ rng.randrange(1, 256)])
        changed = data[:place] + other + data[place + 1 :]
        result = looked_at(changed, verdicts=False)
        if result is not None:
            assert result.findings, f"byte {place} was changed and nothing was found"
            assert result.sentence.startswith("DOES NOT HOLD. ")


def test_every_byte_of_the_end_and_of_the_seal_counts(data: bytes) -> None:
    """The most delicate stretch, byte for byte."""
    begin = data.rindex(b"PK\x05\x06")
    for place in range(begin, len(data)):
        changed = data[:place] + bytes([data[place] ^ 0x01]) + data[place + 1 :]
        result = looked_at(changed, verdicts=False)
        assert result is None or result.findings, f"byte {place - begin} behind the directory"


@pytest.mark.parametrize("seed", range(20))
def test_a_file_cut_off_anywhere_is_refused(data: bytes, seed: int) -> None:
    length = random.Random(seed).randrange(len(data))
    assert refused(data[:length])


def test_a_file_that_goes_on_behind_its_end_is_refused(data: bytes) -> None:
    for more in (b"\n", b"\0", data):
        assert refused(data + more)
    assert refused(b"#!/bin/sh\n" + data) == "a file that is no job file"


def test_an_entry_of_a_newer_version_is_refused_with_what_to_do(parts: dict[str, bytes]) -> None:
    newer = parts["journal.jsonl"].splitlines(keepends=True)
    newer[1] = newer[1].replace(b'"version":1}', b'"version":99}')
    changed = forged(with_key({**parts, "journal.jsonl": b"".join(newer)}))
    assert refused(changed) == "an entry of a newer version (outcome, 99)"


@pytest.mark.parametrize("seed", range(25))
def test_a_journal_of_any_shape_ends_in_words(parts: dict[str, bytes], seed: int) -> None:
    """Bodies with values of any kind anywhere, chained as they should be."""
    rng = random.Random(seed)
    junk: list[Any] = [None, True, -1, 2.5, "x", [], {}, [[]], {"sha256": 1}, "0" * 64]

    def shake(entry: Entry, body: dict[str, Any]) -> None:
        here: Any = body
        for _ in range(rng.randrange(4)):
            inner = [v for v in here.values() if isinstance(v, dict) and v]
            inner += [v[0] for v in here.values() if isinstance(v, list) and v[:1] and
                      isinstance(v[0], dict) and v[0]]  # fmt: skip
            here = rng.choice(inner) if inner else here
        if rng.random() < 0.4:
            here[rng.choice(sorted(here))] = rng.choice(junk)

    changed = rechained(parts, shake)
    result = looked_at(forged(with_key(changed)))
    for part in result.parts if result is not None else ():
        assert all(len(line) < 2000 for line in (part.text, *part.more))
