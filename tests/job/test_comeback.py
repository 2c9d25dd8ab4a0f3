"""A car that came back: two jobs that name each other."""

from __future__ import annotations

import pytest

from tests.job.play import HIDDEN, Job, failed_once
from tests.job.test_signoff_fold import append, handed_back
from verify.errors import UserError
from verify.job import bodies


def test_the_new_job_names_the_old_one_by_the_hash_of_its_last_entry() -> None:
    old = handed_back()
    head = old.now.history[-1].digest
    new = Job(old.machine, comeback_of=("j", head))
    assert new.now.comeback_of == {"job": "j", "head": head}
    append(old, "comeback", bodies.comeback_body(old.now, "k", new.now.history[0].digest))
    assert [c.job for c in old.now.comebacks] == ["k"]
    # What was linked is what stood there: the link itself comes after it.
    assert head in [e.digest for e in old.now.history]


def test_only_a_job_that_has_ended_comes_back() -> None:
    job = failed_once()
    with pytest.raises(UserError, match="has not ended"):
        bodies.comeback_body(job.now, "k", HIDDEN)


def test_a_comeback_must_say_of_what() -> None:
    with pytest.raises(ValueError, match="digest"):
        Job(comeback_of=("j", "no hash"))


def test_a_job_of_version_2_has_no_link() -> None:
    assert Job().now.comeback_of == {}
