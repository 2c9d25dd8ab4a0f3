"""What a report says of a job, before it is a page."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from types import SimpleNamespace
from typing import Any

import pytest

from tests.report import jobs
from verify.evidence.checks.catalogue import CATALOGUE
from verify.evidence.verdict import CheckResult
from verify.flow.graph import CANNOT, Outcome, Step
from verify.job.entry import Entry, verify_chain
from verify.job.session import ReadOnlySession
from verify.job.signoff import points
from verify.job.signoff_point import WEIGHTS
from verify.job.visits import Visit
from verify.report.build import _FOR
from verify.report.customer import _most, _worst_first
from verify.report.document import Mark, Point, Points, Reader, Report, Section, Stage
from verify.report.parts import came_of
from verify.report.words import ASKED, GONE, NOT_STATUTORY, PROVEN
from verify.terminal.cmd_report import report_of
from verify.terminal.desk import Desk
from verify.terminal.elsewhere import elsewhere
from verify.words import Audience, EndingKind, Verdict

ALL = [r.value for r in Reader]


def report(desk: Desk, reader: str = "workshop", *, unmask: bool = False) -> Report:
    return report_of(desk.journal, desk.job, reader, unmask=unmask)


def texts(thing: object) -> Iterator[str]:
    """Every text of a report, pictures left out."""
    if isinstance(thing, str):
        if not thing.startswith("<svg"):
            yield thing
    elif isinstance(thing, tuple):
        for item in thing:
            yield from texts(item)
    elif is_dataclass(thing):
        for field in fields(thing):
            yield from texts(getattr(thing, field.name))


def words(made: Report) -> str:
    return "\n".join(texts(made))


def section(made: Report, title: str) -> Section:
    return next(s for s in made.sections if s.title == title)


def stages(made: Report) -> list[Stage]:
    return [b for s in made.sections for b in s.blocks if isinstance(b, Stage)]


def stored(session: ReadOnlySession) -> list[CheckResult]:
    return [CheckResult.from_json(r) for v in session.walk for r in v.results or ()]


def test_every_verdict_stands_in_the_workshops_report_with_number_limits_and_doubt() -> None:
    session = jobs.van_desk().session()
    boxes = [v for s in stages(jobs.van_report("workshop")) for v in s.verdicts]
    said = words(jobs.van_report("workshop"))
    results = []
    for result in stored(session):
        if f"{result.check} ({result.finding}: " in said:
            assert result.verdict is Verdict.UNDECIDED
            assert result.value is None, "what has a number has its box"
        else:
            results.append(result)
    assert len(results) >= 15
    assert [(b.check, b.finding, b.mark is Mark.PASS) for b in boxes] == [
        (r.check, r.finding, r.verdict is Verdict.PASS) for r in results
    ]
    for box, result in zip(boxes, results, strict=True):
        assert (result.value is None) == (box.number == "")
        if result.uncertainty is not None:
            assert "± " in box.number
            assert "(k = 2)" in box.number
        if result.limits is not None:
            # The report puts the figure's own source first.
            rule, _, figure = result.limits.source.partition("; figure: ")
            assert rule in box.source
            assert figure in box.source
            assert box.limits
        if result.probability is not None:
            assert f"probability of conformity {result.probability:.3f}" in box.rests.casefold()
        assert (box.settle != "") == (result.settle != "")


def test_every_answer_stands_on_the_path_in_its_order() -> None:
    session = jobs.van_desk().session()
    titles = [session.graph.steps[v.step].title for v in session.walk if not v.gate]
    shown = [s.title.split(" (attempt")[0] for s in stages(jobs.van_report("workshop"))]
    assert shown == titles


def test_the_pictures_of_a_job_show_idle_pedal_and_road() -> None:
    figures = [f for s in stages(jobs.van_report("workshop")) for f in s.figures]
    titles = {f.title for f in figures}
    wanted = {"The idle, and its band", "Pedal and what followed it", "The road test over time"}
    assert wanted <= titles
    for figure in figures:
        assert figure.alt.endswith(".")
        assert any(c.isdigit() for c in figure.alt), figure.alt


def test_codes_before_and_after_torques_and_people_have_their_places() -> None:
    made = jobs.van_report("workshop")
    said = words(made)
    assert "P2119" in said
    assert section(made, "Torques")
    assert "No second person signed." in said
    assert "p-rosa" in said
    assert jobs.van_desk().session().history[-1].digest in said
    assert "common practice" in words(
        replace(made, sections=(section(made, "Numbers of this car"),))
    )


def test_the_customer_reads_plain_words_and_no_check_names() -> None:
    made = jobs.van_report("customer")
    said = words(made)
    for name in ("idle-steady", "no-stall", "road-coverage", "k = 2"):
        assert name not in said, name
    assert "It died twice at junctions." in said
    assert NOT_STATUTORY in said
    assert "The warm engine idles at its proper speed" in said
    assert "By 2031-03-18, within two weeks." in said
    assert "self-tests" in said


def test_every_check_has_plain_words() -> None:
    assert set(CATALOGUE) <= set(PROVEN)
    assert set(PROVEN) == set(ASKED)


def test_what_failed_last_is_never_among_what_was_shown() -> None:
    """A check that failed at one step and passed at another proves nothing to a customer."""
    desk = jobs.recorded(rpm=1100.0)
    session = desk.session()
    assert any(r.verdict is Verdict.FAIL for r in stored(session) if r.check == "idle-speed")
    made = report(desk, "customer")
    shown = words(replace(made, sections=(section(made, "What was shown"),)))
    assert PROVEN["idle-speed"] not in shown
    missing = words(replace(made, sections=(section(made, "What could not be shown"),)))
    assert "The idle" in missing


@pytest.mark.parametrize("reader", ALL)
def test_a_stop_is_said_first_and_lets_nobody_drive(reader: str) -> None:
    made = report(jobs.stopped(), reader)
    assert made.head.mark is Mark.STOP
    assert made.head.words == "DO NOT DRIVE"
    if reader == "customer":
        assert "Do not start the engine." in "\n".join(texts(made.sections[0]))
        assert "can go back" not in words(made)


@pytest.mark.parametrize("reader", ALL)
def test_an_open_job_says_so_on_top(reader: str) -> None:
    desk = jobs.opened()
    assert desk.session().ending is None
    made = report(desk, reader)
    assert made.warnings[0].startswith("NOT FINISHED")
    assert made.head.mark is Mark.OPEN
    assert "Next: The bolt." in made.head.more


@pytest.mark.parametrize("reader", ALL)
def test_demo_and_rehearsal_are_said_on_every_report(reader: str) -> None:
    assert jobs.van_report(reader).warnings[0].startswith("DEMO")
    desk = jobs.van(demo=False)
    made = report(desk, reader)
    assert made.warnings[0].startswith("REHEARSAL")
    assert made.head.mark is Mark.OPEN
    assert made.head.words == "Rehearsal only"


def test_a_job_of_words_alone_names_each_of_them() -> None:
    desk = jobs.told_only()
    session = desk.session()
    assert session.ending is not None
    assert session.ending.kind is EndingKind.PROOF_TO_FOLLOW
    made = report(desk, "customer")
    said = words(made)
    assert "Nothing was shown by measurement." in said
    assert "not measured: The list; The start" in said
    assert "2 points of what passed were looked at, heard or felt, not measured" in made.head.more
    assert "Told: fine, but not recorded." in said


def test_a_relearn_says_who_can_do_it_and_keeps_the_keys() -> None:
    desk = jobs.relearn()
    made = report(desk, "customer")
    assert "must first learn" in made.head.words
    assert "equipment for it" in made.head.more
    assert made.head.mark is Mark.OPEN


def test_corrections_stand_with_their_reasons_and_the_path_says_what_was_replaced() -> None:
    desk = jobs.corrected()
    session = desk.session()
    assert len(session.history) > 40
    assert len(session.corrections) >= 10
    made = report(desk)
    points = section(made, "Corrections").blocks[0]
    assert isinstance(points, Points)
    assert len(points.items) == len(session.corrections)
    first_one = points.items[0].detail
    assert first_one.startswith("Was: 9 N·m: pass. Now: 8.9 N·m: pass. Because: Misread the scale")
    assert "in place of entry" in words(made)
    first = section(report(desk, "signer"), "Look at this first")
    assert "“The bolt” was corrected: " in "\n".join(texts(first))


def test_the_signer_sees_first_what_failed_on_the_way_and_how_it_ended() -> None:
    made = jobs.van_report("signer")
    assert made.sections[0].title == "Look at this first"
    said = "\n".join(texts(made.sections[0]))
    assert "idle-steady hunting" in said
    assert "Told, not measured:" in said
    assert "Number of the car: Least battery voltage" in said


def test_what_the_signer_is_shown_stands_first_in_the_report_in_the_same_words() -> None:
    """One home for the list: the sign-off's points, the gravest first."""
    desk = jobs.loose()
    first = section(report(desk, "signer"), "Look at this first").blocks[0]
    assert isinstance(first, Points)
    found = points(desk.session(), elsewhere(desk))
    shown = [p.text for p in first.items][: len(found)]
    assert shown == [f"{WEIGHTS[p.weight]}: {p.words}" for p in found]
    weights = [text.split(":")[0] for text in shown]
    assert weights[0] == "GRAVE"
    assert weights == sorted(weights, key=["GRAVE", "LOOK", "note"].index)
    assert {p.mark for p in first.items if p.text.startswith("GRAVE")} == {Mark.GRAVE}


def test_a_recording_that_is_gone_leaves_its_hash_and_no_picture() -> None:
    desk = jobs.recorded()
    visit = desk.session().last("idle")
    assert visit is not None
    sha256 = visit.evidence[0]["sha256"]
    assert [f for s in stages(report(desk)) for f in s.figures]
    desk.journal.erase_evidence([sha256])
    made = report(desk)
    assert not [f for s in stages(made) for f in s.figures]
    assert f"{GONE} ({sha256})" in words(made)
    assert report(desk, "customer"), "nor does it keep the customer from a page"


def test_erased_words_are_said_to_be_erased() -> None:
    desk = jobs.recorded()
    visit = desk.session().last("story")
    assert visit is not None
    desk.journal.erase_private([visit.private["answer"]])
    for reader in ALL:
        assert "It hunts when warm" not in words(report(desk, reader))
        assert "(erased on request)" in words(report(desk, reader))


# ---- the record and the masks ----------------------------------------------------------------


def test_the_record_is_the_journal_and_its_chain_holds() -> None:
    made = jobs.van_report("workshop")
    entries = tuple(Entry(**json.loads(line)) for line in made.record.decode().splitlines())
    assert entries == jobs.van_desk().session().history
    verify_chain(entries)


@pytest.mark.parametrize("reader", ALL)
@pytest.mark.parametrize("car", [jobs.VIN, jobs.PLATE, f"grey van {jobs.PLATE}"])
def test_plate_and_vin_are_masked_unless_asked(reader: str, car: str) -> None:
    secret = jobs.PLATE if jobs.PLATE in car else jobs.VIN
    desk = jobs.recorded(car=car)
    made = report(desk, reader)
    assert secret not in words(made)
    assert secret.encode() not in made.record
    assert "masked" in dict(made.facts)["Car"]
    assert made.record, "a record without the plate in it goes along"
    assert secret in words(report(desk, reader, unmask=True))


def test_a_record_with_the_plate_in_it_is_kept_back_and_that_is_said() -> None:
    """The model is no personal field, but somebody may type the VIN into it."""
    desk = jobs.recorded(car=jobs.VIN, model=f"2019 Brindle {jobs.VIN}")
    made = report(desk, "customer")
    assert made.record == b""
    assert made.edition == b""
    assert "not attached" in made.foot
    assert jobs.VIN not in words(made)
    assert jobs.VIN.encode() in report(desk, "customer", unmask=True).record


def test_us_units_are_kept_to_where_numbers_are_shown() -> None:
    desk = jobs.recorded("us")
    boxes = {v.check: v for s in stages(report(desk)) for v in s.verdicts}
    assert "ft·lbf" in boxes["torque"].number
    assert "ft·lbf" in boxes["torque"].limits
    assert report(desk).paper == "us-letter"


def test_the_report_names_whoever_it_was_made_for_with_the_right_article() -> None:
    assert {a: _FOR[a] for a in Audience} == {
        Audience.TECHNICIAN: "a technician",
        Audience.OWNER: "an owner",
    }


def test_what_was_left_out_or_could_not_be_judged_was_not_refused() -> None:
    step = Step("bolt", "fasten", "The bolt", "", (), ("pass",), frozenset({"pass"}))
    said = {"a": "left out: not required", "b": "no wrench"}
    source: Any = SimpleNamespace(secret=said.__getitem__, outcome=lambda _s, o: f"was {o.label}")

    def visit(**over: Any) -> Visit:
        stamp = {"seq": 1, "placed": 1, "rank": 1, "time": "", "person": "", "mode": "as-work"}
        return Visit(step="bolt", attempt=1, outcome=Outcome(CANNOT), **stamp, **over)

    assert came_of(step, visit(private={"reason": "a"}), source) == "left out"
    assert came_of(step, visit(private={"reason": "b"}), source) == "was cannot"
    judged = CheckResult("fasten", 1, Verdict.UNDECIDED, "tool-range", "Out of its range.")
    assert came_of(step, visit(results=[judged.to_json()]), source) == "undecided"


def test_a_long_list_of_what_was_not_shown_cuts_off_no_fail() -> None:
    open_ones = [Point(f"Step {n}", "", Mark.OPEN) for n in range(20)]
    shown = _most(_worst_first([*open_ones, Point("Ticking", "It ticks.", Mark.FAIL)]))
    assert shown[0].text == "Ticking"
    assert len(shown) < 20
