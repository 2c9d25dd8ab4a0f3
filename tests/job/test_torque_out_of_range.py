"""A torque set with a wrench out of its range: `cannot`, with what was computed beside it.

The number is kept and judged anew when the vehicle's figure is corrected; a person's own `cannot`
never is.
"""

from __future__ import annotations

import pytest

from tests.flow.small import flow, go, look, step
from tests.job.play import HIDDEN, Job, machine_for
from verify.errors import UserError
from verify.flow.graph import CANNOT, Graph, Outcome
from verify.job import bodies
from verify.words import Grade, Group, Verdict

WEAK = {"results": [{"check": "torque", "finding": "tool-range"}], "values": {"text": "9"}}
LATER = ("tighten with a wrench that fits", "100 km")


def graph() -> Graph:
    return flow(
        step(
            "fasten",
            "bolts",
            go(["pass", "undecided", "cannot"], "road"),
            go(look(["fail"], attempts=(1, 3)), "loosen"),
            go(look(["fail"], attempts=(3, None)), "diagnosis"),
        ),
        step("do", "loosen", go("done", "bolts"), go("cannot", "diagnosis"), does=["remedy"],
             optional=True),
        step("ask", "road", go(["yes", "no", "cannot"], "keys"), group=Group.COMPLAINT,
             unsure=["no"], later=LATER),
        step("gate", "keys", go("hand-back", "handed-back"), go("proof-to-follow", "to-follow"),
             go("neither", "diagnosis")),
        endings=("handed-back", "to-follow", "diagnosis", "tow"),
    )  # fmt: skip


@pytest.fixture
def job() -> Job:
    return Job(machine_for(graph()))


def torque(label: str) -> Outcome:
    return Outcome(label, Grade.READ)


def anew(job: Job, outcome: Outcome, results: list[dict[str, str]]) -> None:
    body = bodies.rejudged_body(
        job.now, job.seq("bolts"), outcome, results=results, spec="idle_speed"
    )
    job.put("rejudged", body)


def test_it_stays_open_and_bars_the_keys(job: Job) -> None:
    job.answer(CANNOT, **WEAK)
    job.answer("yes")
    assert job.where == "ended: diagnosis"
    assert job.now.open_required == ("bolts",)


@pytest.mark.parametrize("label", ["pass", "fail", "undecided"])
def test_a_corrected_figure_judges_it_anew_and_a_fail_comes_to_light(job: Job, label: str) -> None:
    job.answer(CANNOT, **WEAK)
    anew(job, torque(label), [{"check": "torque"}])
    (bolts, *_) = job.now.walk
    step = job.machine.graph.steps["bolts"]
    assert step.counts(bolts.outcome).value == label
    if label == "fail":
        assert job.where == "loosen 1"
        with pytest.raises(UserError):
            # No second throw: it is asked again only after the remedy.
            job.put(
                "outcome",
                {"step": "bolts", "attempt": 2, "outcome": torque("pass").to_json()},
            )


def test_a_pass_of_a_wrong_figure_becomes_cannot_and_takes_the_keys_back(job: Job) -> None:
    job.answer(torque("pass"), results=[{"check": "torque"}])
    job.answer("yes")
    assert job.where == "ended: handed-back"
    anew(job, Outcome(CANNOT), WEAK["results"])  # type: ignore[arg-type]
    assert job.where == "ended: diagnosis"


def test_a_fail_that_a_correction_cut_off_stays_locked_against_it(job: Job) -> None:
    job.answer(torque("fail"), results=[{"check": "torque"}])
    job.answer("done")
    job.answer(CANNOT, **WEAK)
    counts = job.machine.graph.steps["bolts"].counts
    assert [counts(v.outcome) for v in job.now.walk if v.step == "bolts"] == [
        Verdict.FAIL,
        Verdict.UNDECIDED,
    ]
    assert job.now.open_required[:1] == ("bolts",)


@pytest.mark.parametrize("to", ["pass", "fail", "undecided"])
def test_what_a_person_could_not_do_is_never_judged(job: Job, to: str) -> None:
    job.answer(CANNOT, private={"reason": HIDDEN})
    with pytest.raises(UserError):
        anew(job, torque(to), [{"check": "torque"}])


def test_a_verdict_never_turns_into_a_persons_cannot_or_stop(job: Job) -> None:
    job.answer(torque("undecided"), results=[{"check": "torque"}])
    for outcome, results in ((Outcome(CANNOT), []), (Outcome("stop"), WEAK["results"])):
        with pytest.raises(UserError):
            anew(job, outcome, results)  # type: ignore[arg-type]
