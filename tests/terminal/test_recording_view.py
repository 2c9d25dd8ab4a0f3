"""What is shown and written of a recording that many checks were put to."""

from __future__ import annotations

import io

from rich.console import Console

from verify.evidence.verdict import CheckResult, Limits
from verify.flow.graph import Outcome, Step
from verify.terminal.say import outcome_words
from verify.terminal.verdict_list import arranged, shows_it_alone, tally
from verify.words import Grade, Verdict

FAIL, PASS, OPEN = Verdict.FAIL, Verdict.PASS, Verdict.UNDECIDED


def result(check: str, verdict: Verdict, finding: str, **more: object) -> CheckResult:
    return CheckResult(check, 1, verdict, finding, f"about {check}", **more)  # type: ignore[arg-type]


RESULTS = (
    result("pedal-response", PASS, "prompt"),
    result("no-response", OPEN, "channel-missing", settle="record the pedal"),
    result("throttle-follow", OPEN, "one-level-only", settle="hold other levels"),
    result("throttle-return", FAIL, "too-slow"),
    result("pedal-pair", OPEN, "channel-missing", settle="record both tracks"),
    result("key-on-rest", OPEN, "no-key-on", settle="begin with the key off"),
)
OWN = ("pedal-response", "no-response", "throttle-follow")


def shown(**how: object) -> str:
    console = Console(file=io.StringIO(), width=80)
    for block in arranged(RESULTS, **how):  # type: ignore[arg-type]
        console.print(block)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_fails_stand_first_then_what_is_open_then_passes_then_what_nothing_is_said_of() -> None:
    text = shown(needed=OWN, more="")
    order = ("throttle-return", "no-response", "throttle-follow", "pedal-response", "Not judged")
    places = [text.index(word) for word in order]
    assert places == sorted(places)
    assert "--all" not in text
    assert "--all" in shown()


def test_what_a_step_rests_on_is_never_folded() -> None:
    folded = shown(needed=OWN).split("Not judged")[1]
    assert "pedal-pair" in folded
    assert "key-on-rest" in folded
    assert "no-response" not in folded
    assert "Record the pedal" in shown(needed=OWN), "and says what settles it"
    assert "no-response" in shown().split("Not judged")[1]


def test_the_foot_counts_what_a_step_rests_on_as_undecided() -> None:
    foot = tally(RESULTS, OWN).plain
    assert "failed: throttle-return" in foot
    assert "2 undecided" in foot
    assert "1 passed" in foot
    assert "2 not judged" in foot
    assert "1 undecided" in tally(RESULTS).plain


def test_an_outcome_in_words_begins_with_what_failed_and_ends_with_what_was_not_judged() -> None:
    also = ("throttle-return", "pedal-pair", "key-on-rest")
    detail = {"checks": OWN, "also": also}
    step = Step(
        "held", "record", "Held", "Hold.", (), ("pass",), frozenset({"pass"}), detail=detail
    )
    checks = tuple(sorted((r.check, r.verdict, r.finding) for r in RESULTS))
    assert outcome_words(step, Outcome("fail", Grade.RECORDED, checks=checks)) == (
        "throttle-return fail (too-slow), no-response undecided (channel-missing), "
        "throttle-follow undecided (one-level-only), pedal-response pass (prompt), "
        "not judged: key-on-rest pedal-pair"
    )


def test_a_number_that_does_not_show_the_pass_by_itself_gives_way_to_the_sentence() -> None:
    limits = Limits(None, 0.5, "s", "common practice")
    wide = result("throttle-return", PASS, "prompt", value=0.3, unit="s", uncertainty=0.2,
                  limits=limits)  # fmt: skip
    narrow = result("throttle-return", PASS, "prompt", value=0.3, unit="s", uncertainty=0.05,
                    limits=limits)  # fmt: skip
    assert not shows_it_alone(wide)
    assert shows_it_alone(narrow)
    console = Console(file=io.StringIO(), width=80)
    for one in (wide, narrow):
        console.print(*arranged([one]))
    assert isinstance(console.file, io.StringIO)
    first, second = console.file.getvalue().strip().splitlines()
    assert first.strip().endswith("About throttle-return.")
    assert "0.30 ± 0.10 s (at most 0.5 s)" in second
