"""What changes between two flows: each kind of change is named once, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.flow.random_flows import random_flow
from tests.flow.small import flow, go, look, step
from tests.flow.test_explain import chain
from verify.flow.diff import GONE, NEW, OTHER, Change, Difference, Point, difference, matched
from verify.flow.graph import Graph, Promise, Spec, Step
from verify.words import Audience, Group


def with_step(graph: Graph, changed: Step, name: str = "") -> Graph:
    steps = {
        (changed.name if key == (name or changed.name) else key): (
            changed if key == (name or changed.name) else value
        )
        for key, value in graph.steps.items()
    }
    return replace(graph, steps=steps)


def only(found: Difference) -> Change:
    assert (found.whole, found.endings, found.numbers, found.promises) == ((), (), (), ())
    (change,) = found.steps
    return change


@given(st.integers(0, 400), st.booleans())
def test_a_flow_does_not_differ_from_itself(seed: int, gates: bool) -> None:
    graph = random_flow(seed, gates=gates)
    assert not difference(graph, graph)


@given(st.integers(0, 400), st.integers(0, 400))
def test_there_and_back_say_the_same(one: int, other: int) -> None:
    a, b = random_flow(one, gates=False), random_flow(other, gates=False)
    there, back = difference(a, b), difference(b, a)
    assert bool(there) is bool(back)
    for mine, theirs in ((NEW, GONE), (GONE, NEW), (OTHER, OTHER)):
        assert len([c for c in there.steps if c.kind == mine]) == len(
            [c for c in back.steps if c.kind == theirs]
        )
    assert {v: k for k, v in there.renamed.items()} == dict(back.renamed)


FIRST = chain().steps["look"]


@pytest.mark.parametrize(
    ("changed", "point"),
    [
        (replace(FIRST, title="See"), Point("title", "Look", "See")),
        (replace(FIRST, say="Look twice."), Point("says", FIRST.say, "Look twice.")),
        (replace(FIRST, hazards=("traffic",)), Point("caution", "", "traffic")),
        (replace(FIRST, passes=frozenset({"yes", "no"})),
         Point("answer", "“No” (fails)", "“No” (passes)")),
        (replace(FIRST, required=False, group=None, optional_reason="Only a look."),
         Point("must pass", "required for safe-to-drive", "not required: Only a look.")),
        (replace(FIRST, group=Group.COMPLAINT, later=("Look again.", "2031-05-01")),
         Point("must pass", "required for safe-to-drive",
               "required for complaint-gone; may stay open until 2031-05-01: Look again.")),
        (replace(FIRST, does=frozenset({"road-test"})), Point("means", "", "road-test")),
        (replace(FIRST, branches=(go("yes", "handed-back"), *FIRST.branches[1:])),
         Point("after “Yes”", "to “Last”", "to “Hand back”")),
        (replace(FIRST, detail={"answers": {"yes": "Aye", "no": "No"}}),
         Point("answer", "“Yes” (passes)", "“Aye” (passes)")),
    ],
)  # fmt: skip
def test_one_change_is_named_once(changed: Step, point: Point) -> None:
    change = only(difference(chain(), with_step(chain(), changed)))
    assert (change.kind, change.name, change.points) == (OTHER, "look", (point,))


def test_a_step_more_and_a_step_less() -> None:
    extra = step("do", "wash", go(["done", "cannot"], "last"), optional=True)
    more = replace(chain(), steps={**chain().steps, "wash": extra})
    assert only(difference(chain(), more)).kind == NEW
    assert only(difference(more, chain())).kind == GONE


def test_a_step_moved_into_a_part_is_the_same_step() -> None:
    moved = replace(FIRST, name="part/look")
    graph = with_step(chain(), moved, "look")
    graph = replace(
        graph,
        start="part/look",
        promises=(Promise("never", "part/look", "last"),),
        steps={
            key: replace(s, branches=tuple(
                replace(b, to="part/look") if b.to == "look" else b for b in s.branches
            ))
            for key, s in graph.steps.items()
        },
    )  # fmt: skip
    found = difference(chain(), graph)
    assert dict(found.renamed) == {"look": "part/look"}
    assert (found.steps, found.whole, found.promises) == ((), (), ())


def test_twins_are_not_matched_by_their_title() -> None:
    twin = [step("do", name, go(["done", "cannot"], "tow"), optional=True, title="Wait")
            for name in ("a", "b", "c")]  # fmt: skip
    before = flow(*twin[:2], endings=("tow",))
    after = flow(twin[2], endings=("tow",))
    assert matched(before, after) == {}


def test_numbers_endings_promises_and_the_flow_itself() -> None:
    idle = Spec("idle_speed", "Warm idle speed", "rpm")
    before = replace(chain(), specs={"idle_speed": idle})
    after = replace(
        before,
        specs={"idle_speed": replace(idle, default="750 rpm")},
        audiences=(Audience.TECHNICIAN, Audience.OWNER),
        promises=(),
        look={"plug": "The plug is home"},
        endings={**before.endings, "diagnosis": replace(before.endings["diagnosis"], advice="No.")},
    )
    found = difference(before, after)
    assert found.numbers == (
        Point("idle_speed", "Warm idle speed in rpm", "Warm idle speed in rpm, else 750 rpm"),
    )
    kept = "“Last” never unless “Look” passed when last asked"
    assert found.promises == (Point("promise", kept, ""),)
    assert [(c.kind, c.name) for c in found.endings] == [(OTHER, "diagnosis")]
    assert Point("looked at before signing off", "", "The plug is home") in found.whole
    assert any(p.what == "for" for p in found.whole)
    assert not found.steps


def test_another_limit_of_a_branch_is_seen() -> None:
    def graph(top: int) -> Graph:
        return flow(
            step("reading", "rpm", go(look(value=(None, top)), "handed-back"),
                 go(look(value=(top, None)), "diagnosis"), go("cannot", "diagnosis")),
            endings=("handed-back", "diagnosis", "tow"),
        )  # fmt: skip

    change = only(difference(graph(800), graph(900)))
    assert {p.what for p in change.points} == {
        f"after {words}" for n in (800, 900) for words in (f"less than {n} rpm", f"{n} rpm or more")
    }
