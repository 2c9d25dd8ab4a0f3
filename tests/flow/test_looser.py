"""What lets a car go more readily is named, and nothing else is."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.flow.random_flows import random_flow
from tests.flow.small import go, step
from tests.flow.test_diff import with_step
from tests.flow.test_explain import chain
from verify.flow.diff import difference
from verify.flow.graph import Graph, Promise, Step
from verify.words import EndingKind, Grade, Group

FIRST = chain().steps["look"]
LATER = ("Drive on.", "within two weeks")


def words(before: Graph, after: Graph) -> list[str]:
    return [point.words for point in difference(before, after).looser]


def of_step(old: Step, new: Step) -> list[str]:
    return words(with_step(chain(), old), with_step(chain(), new))


def recorded(**detail: object) -> Step:
    own = step("record", "look", go(["pass"], "last"), go(["fail", "undecided", "cannot"], "back"),
               checks=("idle-speed", "no-stall"))  # fmt: skip
    return replace(own, detail={**own.detail, **detail})


def limited(lower: int | None, upper: int | None, spec: str | None = None) -> Step:
    own = step("reading", "look", go(["pass"], "last"), limits=True)
    ends = {"lower": lower, "upper": upper, "minus": None, "plus": None}
    limits = {k: None if v is None else Fraction(v) for k, v in ends.items()}
    return replace(own, detail={**own.detail, "limits": {**limits, "spec": spec}})


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (FIRST, replace(FIRST, passes=frozenset({"yes", "no"})), "“No” failed, and now passes"),
        (FIRST, replace(FIRST, unsure=frozenset({"no"})), "“No” failed, and now is open"),
        (replace(FIRST, unsure=frozenset({"no"})), replace(FIRST, passes=frozenset({"yes", "no"})),
         "“No” left it open, and now passes"),
        (FIRST, replace(FIRST, required=False), "was required, and may now be left out"),
        (FIRST, replace(FIRST, group=Group.COMPLAINT, later=LATER),
         "had to pass before the car is driven, and may now stay open"),
        (replace(FIRST, group=Group.LEARNING), replace(FIRST, group=Group.LEARNING, later=LATER),
         "may now stay open when the car leaves"),
        (replace(FIRST, hazards=("traffic",)), FIRST, "no longer shows the caution “traffic”"),
        (recorded(), recorded(checks=("idle-speed",)),
         "the check “no-stall” is no longer asked for"),
        (recorded(), recorded(told={"question": "Even?"}),
         "can now be told where nothing is recorded"),
        (recorded(), replace(recorded(), least=Grade.READ),
         "asked for recorded evidence, and is now satisfied with read"),
        (limited(600, 800), limited(500, 800), "is held against wider limits"),
        (limited(600, 800), limited(600, 900), "is held against wider limits"),
        (limited(600, 800), limited(600, None), "is held against wider limits"),
        (limited(600, 800), limited(600, 800, "idle_speed"),
         "is held against other limits: compare them"),
    ],
)  # fmt: skip
def test_what_asks_less_is_named(old: Step, new: Step, said: str) -> None:
    assert of_step(old, new) == [said]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (replace(FIRST, passes=frozenset({"yes", "no"})), FIRST),
        (replace(FIRST, required=False), FIRST),
        (FIRST, replace(FIRST, title="See", say="Look twice.", why="So.")),
        (FIRST, replace(FIRST, hazards=("traffic",))),
        (recorded(checks=("idle-speed",)), recorded()),
        (limited(500, None), limited(600, 800)),
        (FIRST, replace(FIRST, branches=(go(["yes", "no", "cannot"], "last"),))),
    ],
)
def test_what_asks_more_or_the_same_is_not(old: Step, new: Step) -> None:
    assert of_step(old, new) == []


def test_a_step_that_is_gone_and_a_promise_and_a_second_look_are_named() -> None:
    promises = (Promise("before", "look", "last"),)
    full = replace(chain(), look={"posts": "The clamps are tight"}, promises=promises)
    assert words(full, replace(full, promises=(), look={})) == [
        "no longer promises: “Last” never before “Look” was asked",
        "who signs no longer looks at “The clamps are tight”",
    ]
    steps = {name: s for name, s in full.steps.items() if name != "look"}
    assert words(full, replace(full, steps=steps, promises=())) == [
        "was required, and is no longer asked"
    ]


def test_an_ending_that_now_lets_the_car_go_is_named() -> None:
    held = chain()
    name = next(n for n, e in held.endings.items() if e.kind.lets_go)
    stays = replace(held.endings[name], kind=EndingKind.BACK_TO_DIAGNOSIS)
    before = replace(held, endings={**held.endings, name: stays})
    assert words(before, held) == [
        f"“{stays.title}” was back-to-diagnosis, and is now {held.endings[name].kind.value}"
    ]
    assert words(held, before) == []


@given(st.integers(0, 400), st.booleans(), st.data())
def test_in_any_flow_an_answer_that_is_let_pass_is_named(
    seed: int, gates: bool, data: st.DataObject
) -> None:
    graph = random_flow(seed, gates=gates)
    assert words(graph, graph) == []
    choices = [
        (s, label)
        for s in graph.required()
        for label in s.labels
        if label not in s.passes and s.kind != "gate"
    ]
    if not choices:
        return
    own, label = data.draw(st.sampled_from(choices))
    weaker = replace(own, passes=own.passes | {label}, unsure=own.unsure - {label})
    (said,) = words(graph, with_step(graph, weaker))
    assert said.endswith("and now passes")
    assert words(with_step(graph, weaker), graph) == []
