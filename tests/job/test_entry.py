"""Entries: what the chain finds, and what a body may hold."""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields, replace
from typing import Any

import pytest
import rfc8785
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.contracts.journal import draft, fill
from verify.errors import UserError
from verify.job.entry import (
    GENESIS,
    KINDS,
    Entry,
    check_body,
    digest_of,
    hide,
    parse,
    seal,
    seal_with_text,
    verify_chain,
)
from verify.job.journal import MemoryJournal

CHAIN = fill(MemoryJournal(), "kilo", range(1, 7))

OTHER_JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)
HEX = st.text("0123456789abcdef", min_size=64, max_size=64)
OTHERS: dict[str, st.SearchStrategy[Any]] = {
    "job": st.text(),
    "seq": st.integers(-2, 9),
    "time": st.text(),
    "person": st.text(),
    "kind": st.sampled_from(sorted(KINDS)) | st.text(),
    "version": st.integers(0, 3),
    "body": OTHER_JSON,
    "previous": HEX | st.sampled_from([e.digest for e in CHAIN]),
    "digest": HEX | st.sampled_from([e.digest for e in CHAIN]),
}

# sha256sum of the text in the test below; fixed for ever, as old journals must replay.
KNOWN = "34d9d791216f697ccce02a5de3112029d592849ed3d2e859e2eec8c1796dd96e"


def test_every_field_of_an_entry_is_tried_below() -> None:
    assert set(OTHERS) == {field.name for field in fields(Entry)}


@pytest.mark.parametrize("name", sorted(OTHERS))
@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, len(CHAIN) - 1), data=st.data())
def test_any_changed_field_of_any_entry_is_found(name: str, at: int, data: st.DataObject) -> None:
    other = data.draw(OTHERS[name])
    assume(other != getattr(CHAIN[at], name))
    damaged = (*CHAIN[:at], replace(CHAIN[at], **{name: other}), *CHAIN[at + 1 :])
    with pytest.raises(UserError, match=f"entry {at + 1} of job .* changed since"):
        verify_chain(damaged)


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, len(CHAIN) - 2), name=st.sampled_from(["time", "person", "body"]))
def test_a_change_with_a_new_hash_of_its_own_breaks_the_next_link(at: int, name: str) -> None:
    e = replace(CHAIN[at], **{name: {} if name == "body" else "x"})
    own = digest_of(e.job, e.seq, e.time, e.person, e.kind, e.version, e.body, e.previous)
    damaged = (*CHAIN[:at], replace(e, digest=own), *CHAIN[at + 1 :])
    with pytest.raises(UserError, match=f"entry {at + 2} of job"):
        verify_chain(damaged)


@settings(max_examples=100, deadline=None)
@given(st.permutations(CHAIN), st.integers(0, len(CHAIN)))
def test_only_a_beginning_of_the_chain_in_order_holds(order: list[Entry], length: int) -> None:
    part = tuple(order[:length])
    if part == CHAIN[:length]:
        verify_chain(part)
    else:
        with pytest.raises(UserError, match="unbroken chain"):
            verify_chain(part)


@pytest.mark.parametrize("body", [{"x": float("nan")}, {"x": 2**60}, {"x": b""}, {1: 2}, "\ud800"])
def test_a_body_that_is_no_json_any_more_counts_as_changed(body: Any) -> None:
    with pytest.raises(UserError, match="entry 1 of job kilo changed"):
        verify_chain((replace(CHAIN[0], body=body),))


def test_a_body_without_end_counts_as_changed() -> None:
    body: dict[str, Any] = {}
    body["self"] = body
    with pytest.raises(UserError, match="entry 1 of job kilo changed"):
        verify_chain((replace(CHAIN[0], body=body),))


@pytest.mark.parametrize(("kind", "version"), [("teleported", 1), ("outcome", 99)])
def test_an_entry_of_a_newer_version_is_named_as_that(kind: str, version: int) -> None:
    e = replace(CHAIN[0], kind=kind, version=version)
    own = digest_of(e.job, e.seq, e.time, e.person, e.kind, e.version, e.body, e.previous)
    with pytest.raises(UserError, match="install the newer keysback"):
        verify_chain((replace(e, digest=own),))


def test_anybody_can_recompute_a_hash_with_public_tools() -> None:
    e = CHAIN[2]
    value = {
        "job": e.job,
        "seq": e.seq,
        "time": e.time,
        "person": e.person,
        "kind": e.kind,
        "version": e.version,
        "body": e.body,
        "previous": e.previous,
    }
    assert hashlib.sha256(rfc8785.dumps(value)).hexdigest() == e.digest


def test_the_hash_of_a_known_entry_does_not_move() -> None:
    text = (
        '{"body":{"attempt":1,"outcome":"done","step":"warm-idle"},"job":"kilo","kind":"outcome",'
        '"person":"p1","previous":"' + GENESIS + '","seq":1,"time":"2026-03-04T08:01:00.000Z",'
        '"version":1}'
    )
    assert hashlib.sha256(text.encode()).hexdigest() == CHAIN[0].digest
    assert CHAIN[0].digest == KNOWN


@pytest.mark.parametrize("value", [1e16, 1e20, -1e20, 2.0**53, 2.0**53 - 1, 1e21, 1e-7, 0.1])
def test_a_sealed_number_can_be_sealed_again(value: float) -> None:
    body = {"step": "s", "attempt": 1, "outcome": "o", "values": value}
    entry, text = seal_with_text("j", 1, draft(body=body), GENESIS)
    assert entry.body["values"] == value
    assert parse(text) == entry.body
    verify_chain((entry,))


def test_a_sealed_body_is_no_longer_the_callers() -> None:
    body: dict[str, Any] = {"step": "s", "attempt": 1, "outcome": "o", "values": [1]}
    entry = seal("j", 1, draft(body=body), GENESIS)
    body["values"].append(2)
    assert entry.body["values"] == [1]
    verify_chain((entry,))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_each_kind_holds_its_own_fields_and_no_others(kind: str) -> None:
    _, required, optional = KINDS[kind]
    check_body(kind, dict.fromkeys(required))
    check_body(kind, dict.fromkeys(required | optional))
    with pytest.raises(ValueError, match="stranger"):
        check_body(kind, dict.fromkeys([*required, "stranger"]))
    for field in required:
        with pytest.raises(ValueError, match=field):
            check_body(kind, dict.fromkeys(required - {field}))


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown entry kind"):
        check_body("gossip", {})


def test_a_hidden_value_cannot_be_guessed_from_its_digest_alone() -> None:
    (first, (salt, value)), (second, _) = hide("Ada"), hide("Ada")
    assert value == "Ada"
    assert len(salt) == 32
    assert first != second
    assert hashlib.sha256(salt + b"Ada").hexdigest() == first
    assert "Ada" not in json.dumps(first)
