"""Entries of older versions stay readable for ever."""

from __future__ import annotations

from dataclasses import replace

from tests.terminal.walks import small_desk
from verify.job.bodies import spec_body
from verify.job.entry import GENESIS, Entry, digest_of, verify_chain
from verify.job.session import fold


def as_version_1(entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """The same entries as the first version wrote them, chained anew."""
    previous, old = GENESIS, []
    for e in entries:
        digest = digest_of(e.job, e.seq, e.time, e.person, e.kind, 1, e.body, previous)
        old.append(replace(e, version=1, previous=previous, digest=digest))
        previous = digest
    return tuple(old)


def test_a_job_opened_before_models_and_reused_numbers_is_read_as_it_was() -> None:
    desk = small_desk()
    form = {"name": "bolt_torque", "text": "9", "unit": "N·m", "source": "standard"}
    desk.write("spec", spec_body(desk.live(), **form))
    now = desk.session()
    assert [e.version for e in now.history] == [4, 3]
    old = as_version_1(now.history)
    verify_chain(old)
    session = fold(desk.job, old, desk.machine)
    assert session.model == ""
    assert session.specs["bolt_torque"].reused == {}
    assert (session.at, session.car) == (now.at, now.car)
