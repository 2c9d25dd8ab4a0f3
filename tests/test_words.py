"""The closed vocabularies: their words are stored in journals, so they are pinned here."""

from __future__ import annotations

from itertools import pairwise

import pytest

from verify.words import Audience, EndingKind, Grade, Group, Verdict


def test_the_words_that_journals_hold_do_not_change() -> None:
    assert [v.value for v in Verdict] == ["pass", "fail", "undecided"]
    assert [g.value for g in Grade] == ["told", "read", "recorded"]
    assert [g.value for g in Group] == ["safe-to-drive", "complaint-gone", "still-learning"]
    assert [k.value for k in EndingKind] == [
        "hand-back", "proof-to-follow", "relearn", "back-to-diagnosis", "do-not-drive",
    ]  # fmt: skip
    assert [a.value for a in Audience] == ["technician", "owner"]


@pytest.mark.parametrize("verdict", Verdict)
def test_a_verdict_has_no_truth_value(verdict: Verdict) -> None:
    for ask in (bool, lambda v: not v, lambda v: 1 if v else 2, lambda v: v and True, any_of):
        with pytest.raises(TypeError, match="compare it by name"):
            ask(verdict)


def any_of(verdict: Verdict) -> bool:
    return any([verdict])


def test_a_verdict_is_compared_and_stored_by_name() -> None:
    assert Verdict("pass") is Verdict.PASS
    assert Verdict.FAIL != Verdict.UNDECIDED
    assert f"{Verdict.UNDECIDED}" == "undecided"
    with pytest.raises(ValueError):
        Verdict("passed")


def test_grades_are_ordered_recorded_read_told() -> None:
    order = [Grade.TOLD, Grade.READ, Grade.RECORDED]
    for poorer, better in pairwise(order):
        assert better.covers(poorer)
        assert not poorer.covers(better)
    assert all(g.covers(g) for g in Grade)
    assert Grade.RECORDED.covers(Grade.TOLD)
    assert sorted(Grade, key=lambda g: g.rank) == order


def test_only_two_endings_let_the_car_go() -> None:
    assert {k for k in EndingKind if k.lets_go} == {
        EndingKind.HAND_BACK,
        EndingKind.PROOF_TO_FOLLOW,
    }
