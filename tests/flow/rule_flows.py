"""For each rule of the prover a flow that keeps it and one that breaks it and nothing else."""

from __future__ import annotations

from dataclasses import replace

from tests.flow.small import closing, flow, go, look, step
from verify.flow.graph import Branch, Graph, Step
from verify.words import Grade, Group

HB = ("handed-back", "diagnosis", "tow")
LETTING = ("handed-back", "to-follow", "diagnosis", "tow")
FOLLOWS = {"group": Group.COMPLAINT, "later": ("Drive on as it used to come.", "4 weeks")}
LATER = {"group": Group.LEARNING, "later": ("Drive on and measure again.", "1 week")}


def check(name: str, good: str, bad: str = "diagnosis", **over: object) -> Step:
    """A yes-or-no step: yes leads to `good`, the rest to `bad`."""
    return step("ask", name, go("yes", good), go(["no", "cannot"], bad), **over)


def done(name: str, to: str, bad: str = "diagnosis", **over: object) -> Step:
    over.setdefault("optional", True)
    return step("do", name, go("done", to), go("cannot", bad), **over)


def names() -> tuple[Graph, Graph]:
    kept = closing(check("brakes", "handed-back"), endings=HB)
    return kept, closing(check("brakes", "handed-over"), endings=HB)


def caution() -> tuple[Graph, Graph]:
    def driving(hazards: tuple[str, ...]) -> Graph:
        drive = check("drive", "handed-back", does=["road-test"], hazards=hazards)
        return closing(drive, endings=HB)

    return driving(("traffic",)), driving(())


def grade() -> tuple[Graph, Graph]:
    def measured(reason: str) -> Graph:
        idle = step(
            "record", "warm-idle", go("pass", "handed-back"),
            go(["fail", "undecided", "cannot"], "diagnosis"), least=Grade.READ, least_reason=reason,
        )  # fmt: skip
        return closing(idle, endings=HB)

    return measured("no recorder fits this car"), measured("")


def group() -> tuple[Graph, Graph]:
    def drawn(group: Group | None) -> Graph:
        brakes = check("brakes", "lamps", group=group)
        return closing(brakes, check("lamps", "handed-back"), endings=HB)

    return drawn(Group.SAFE), drawn(None)


def later() -> tuple[Graph, Graph]:
    def drawn(**over: object) -> Graph:
        return closing(check("brakes", "idle"), check("idle", "handed-back", **over), endings=HB)

    return drawn(**LATER), drawn(group=Group.LEARNING)


def never_passes() -> tuple[Graph, Graph]:
    kept = closing(check("brakes", "handed-back"), endings=HB)
    spoilt = check("brakes", "diagnosis", passes=())
    spoilt = replace(spoilt, branches=(go(["yes", "no", "cannot"], "diagnosis"),))
    return kept, flow(spoilt)


def too_big() -> tuple[Graph, Graph]:
    """Twenty-one questions, each remembered to the end."""

    def asked(count: int) -> Graph:
        steps = [
            step("ask", f"q{i}", go(["yes", "no", "cannot"], f"q{i + 1}"), optional=True)
            for i in range(count)
        ]
        last = f"q{count}"
        looking = [
            go(look("yes"), "diagnosis", earlier={f"q{i}": look("yes") for i in range(count)}),
            go(look("yes"), "relearn", earlier={"q0": look(["no", "cannot"])}),
            go(["no", "cannot"], "relearn"),
        ]
        return flow(
            *steps, step("ask", last, *looking, optional=True),
            endings=("diagnosis", "relearn", "tow"),
        )  # fmt: skip

    return asked(1), asked(21)


def no_branch() -> tuple[Graph, Graph]:
    idle = step(
        "record", "warm-idle", go(["pass", "undecided"], "road-test"),
        go(["fail", "cannot"], "diagnosis"),
        optional=True,
    )  # fmt: skip
    good = look("yes")

    def drive(after_idle: list[str]) -> Step:
        return step(
            "ask",
            "road-test",
            go(good, "handed-back", earlier={"warm-idle": look("pass")}),
            go(look("hard-pedal"), "diagnosis", earlier={"warm-idle": look(after_idle)}),
            go(good, "diagnosis", earlier={"warm-idle": look("undecided")}),
            go("cannot", "diagnosis"),
            answers={"yes": "Fine", "hard-pedal": "hard pedal"},
        )

    return (
        closing(idle, drive(["pass", "undecided"]), endings=HB),
        closing(idle, drive(["pass"]), endings=HB),
    )


def two_branches() -> tuple[Graph, Graph]:
    def rpm(cut: int) -> Graph:
        idle = step(
            "reading", "idle", go(look(value=(None, 700)), "diagnosis"),
            go(look(value=(cut, None)), "brakes"), go("cannot", "diagnosis"), optional=True,
        )  # fmt: skip
        return closing(idle, check("brakes", "handed-back"), endings=HB)

    return rpm(700), rpm(650)


def endless_loop() -> tuple[Graph, Graph]:
    def tried(*again: Branch) -> Graph:
        leak = step(
            "ask", "leak", go("yes", "handed-back"), *again, go("cannot", "diagnosis"),
            unsure=["no"],
        )  # fmt: skip
        return closing(leak, done("clamps", "leak"), endings=HB)

    return (
        tried(
            go(look("no", attempts=(1, 3)), "clamps"),
            go(look("no", attempts=(3, None)), "diagnosis"),
        ),
        tried(go("no", "clamps")),
    )


def unreachable() -> tuple[Graph, Graph]:
    def drawn(bad: str) -> Graph:
        return closing(
            check("brakes", "handed-back", bad),
            done("bleed", "refill"),
            done("refill", "relearn"),
            endings=(*HB, "relearn"),
        )

    return drawn("bleed"), drawn("diagnosis")


def branch_never_taken() -> tuple[Graph, Graph]:
    def drawn(asked: str) -> Graph:
        return closing(
            step("ask", "noise", go("yes", "brakes"), go(["no", "cannot"], "diagnosis"),
                 optional=True),
            step(
                "ask", "brakes",
                go(look("yes"), "handed-back", earlier={"noise": look("yes")}),
                go(look(["no", "cannot"]), "diagnosis", earlier={"noise": look("yes")}),
                *([go(look("yes"), "relearn", earlier={"noise": look(asked)})] if asked else []),
            ),
            endings=(*HB, "relearn") if asked else HB,
        )  # fmt: skip

    kept, broken = drawn(""), drawn("no")
    # Another way to the ending, so that it is the branch alone that is idle.
    noise = broken.steps["noise"]
    branches = (*noise.branches[:1], go("no", "diagnosis"), go("cannot", "relearn"))
    return kept, replace(broken, steps={**broken.steps, "noise": replace(noise, branches=branches)})


def promise_before() -> tuple[Graph, Graph]:
    def drawn(shortcut: str) -> Graph:
        return closing(
            check("complaint", "chock", shortcut, optional=True),
            done("chock", "start"),
            check("start", "handed-back"),
            endings=HB,
            promises=[("before", "chock", "start")],
        )

    return drawn("diagnosis"), drawn("start")


def promise_never() -> tuple[Graph, Graph]:
    def drawn(shortcut: str) -> Graph:
        return closing(
            check("brakes", "drive", shortcut, optional=True),
            check("drive", "handed-back"),
            endings=HB,
            promises=[("never", "brakes", "drive")],
        )

    return drawn("diagnosis"), drawn("drive")


def codes_saved_first() -> tuple[Graph, Graph]:
    def drawn(without: str) -> Graph:
        drive = check("drive", "handed-back", does=["road-test"], hazards=("traffic",))
        return closing(
            done("save", "clear", without, does=["saves-codes"]),
            done("clear", "drive", does=["clears-codes"]),
            drive,
            endings=HB,
        )

    return drawn("diagnosis"), drawn("clear")


def drive_after_clearing() -> tuple[Graph, Graph]:
    def drawn(order: str) -> Graph:
        first, second = ("clear", "drive") if order == "clear first" else ("drive", "clear")
        after = {"save": first, first: second, second: "handed-back"}
        steps = {
            "save": done("save", after["save"], does=["saves-codes"]),
            "clear": done("clear", after["clear"], does=["clears-codes"]),
            "drive": check("drive", after["drive"], does=["road-test"], hazards=("traffic",)),
        }
        return closing(*steps.values(), endings=HB)

    return drawn("clear first"), drawn("drive first")


def hand_back() -> tuple[Graph, Graph]:
    def drawn(unclear: str) -> Graph:
        return closing(
            step("ask", "pedal", go("yes", "brakes"), go("no", "diagnosis"), go("cannot", unclear)),
            check("brakes", "handed-back"),
            endings=HB,
        )

    return drawn("diagnosis"), drawn("brakes")


def _follows(unclear: str, failed: str) -> Graph:
    return flow(
        step("ask", "pedal", go("yes", "idle"), go("no", "diagnosis"), go("cannot", unclear)),
        step("ask", "idle", go(["yes", "cannot"], "enough"), go("no", failed), **FOLLOWS),
        step("gate", "enough", go("hand-back", "handed-back"),
             go("proof-to-follow", "to-follow"), go("neither", "diagnosis")),
        endings=LETTING,
    )  # fmt: skip


def proof_to_follow() -> tuple[Graph, Graph]:
    return _follows("diagnosis", "diagnosis"), _follows("to-follow", "diagnosis")


def failed_to_follow() -> tuple[Graph, Graph]:
    return _follows("diagnosis", "diagnosis"), _follows("diagnosis", "enough")


def safe_unasked() -> tuple[Graph, Graph]:
    """A hot soak that was done shows nothing."""
    kept = closing(done("soak", "brakes"), check("brakes", "handed-back"), endings=HB)
    return kept, closing(done("soak", "handed-back", optional=False), endings=HB)


def gone_unasked() -> tuple[Graph, Graph]:
    brakes = check("brakes", "handed-back")
    return closing(brakes, endings=HB), flow(brakes, endings=HB)


def second_throw() -> tuple[Graph, Graph]:
    def drawn(does: list[str]) -> Graph:
        pedal = step(
            "ask", "pedal", go("yes", "handed-back"), go(look("no", attempts=(1, 2)), "connector"),
            go(look("no", attempts=(2, None)), "diagnosis"), go("cannot", "diagnosis"),
        )  # fmt: skip
        return closing(pedal, done("connector", "pedal", does=does), endings=HB)

    return drawn(["remedy"]), drawn([])


FLOWS = {
    "names": names,
    "caution": caution,
    "grade": grade,
    "group": group,
    "later": later,
    "never-passes": never_passes,
    "too-big": too_big,
    "no-branch": no_branch,
    "two-branches": two_branches,
    "endless-loop": endless_loop,
    "unreachable": unreachable,
    "branch-never-taken": branch_never_taken,
    "promise-before": promise_before,
    "promise-never": promise_never,
    "codes-saved-first": codes_saved_first,
    "drive-after-clearing": drive_after_clearing,
    "hand-back": hand_back,
    "proof-to-follow": proof_to_follow,
    "failed-to-follow": failed_to_follow,
    "safe-unasked": safe_unasked,
    "gone-unasked": gone_unasked,
    "second-throw": second_throw,
}
