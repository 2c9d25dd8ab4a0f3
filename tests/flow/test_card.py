"""A flow on paper: everything is on it once, and every answer leads where the flow leads."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from html.parser import HTMLParser

import pytest

from tests.terminal.walks import SMALL
from verify.evidence.checks.catalogue import CATALOGUE
from verify.flow.card import Card, flow_to_card
from verify.flow.card_page import Wording, card_to_html
from verify.flow.graph import (
    CANNOT,
    Graph,
    Outcome,
    Step,
    View,
    gate_outcome,
    holds,
    recorded_checks,
)
from verify.job.catalogue import catalogue, caution
from verify.terminal.library import flow_names, load_flow
from verify.words import Audience, Grade, Verdict

FLOWS = [*flow_names(), str(SMALL)]
EDITION = "ab" * 32


def graph_of(name: str) -> Graph:
    return load_flow(name, catalogue()).graph


def ways() -> Iterator[tuple[str, Audience]]:
    for name in FLOWS:
        for audience in graph_of(name).audiences:
            yield name, audience


def html_of(card: Card, **options: str) -> str:
    hazards = {h for b in card.blocks() for h in b.step.hazards}
    wording = Wording(
        {h: caution(h, card.audience.value) for h in hazards},
        {name: check.question for name, check in CATALOGUE.items()},
        card.graph.flow_id,
        EDITION,
    )
    return card_to_html(card, wording, **options)


class Reader(HTMLParser):
    """The text of each section, and whether every tag is closed in order."""

    VOID = frozenset({"meta", "br"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.sections: list[tuple[str, str]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "section":
            self.sections.append((dict(attrs)["class"] or "", ""))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "section" in self.open and data.strip():
            kind, text = self.sections[-1]
            self.sections[-1] = kind, f"{text} {' '.join(data.split())}".strip()


def any_outcome(step: Step, chance: random.Random) -> Outcome:
    """Any outcome a person or a check could bring about here."""
    label = chance.choice([*step.labels, CANNOT])
    checks, items = (), frozenset[str]()
    if step.kind == "record" and label in ("pass", "fail", "undecided"):
        checks = tuple(
            (check, verdict, chance.choice([f for f, v in findings.items() if v is verdict]))
            for check in sorted(recorded_checks(step))
            for findings in (catalogue().checks[check],)
            for verdict in (chance.choice(sorted(set(findings.values()), key=str)),)
        )
    if label == "exceptions":
        names = list(step.detail["items"])
        items = frozenset(chance.sample(names, chance.randint(1, len(names))))
    return Outcome(label, Grade.READ, checks=checks, items=items)


@pytest.mark.parametrize(("name", "audience"), list(ways()))
def test_wherever_a_walk_goes_the_card_has_that_way(name: str, audience: Audience) -> None:
    """Random walks by the meaning of the graph alone; each turn must stand at its answer."""
    graph = graph_of(name)
    card = flow_to_card(graph, audience)
    blocks = {b.step.name: b for b in card.blocks()}
    chance, turns = random.Random(20310304), 0
    for _ in range(300):
        at, last, attempts = graph.start, {}, {}
        while at in graph.steps and len(attempts) < 200:
            step = graph.steps[at]
            attempts[at] = attempts.get(at, 0) + 1
            outcome = (
                gate_outcome(graph, last) if step.kind == "gate" else any_outcome(step, chance)
            )
            view = View(audience, last, attempts)
            [to] = {b.to for b in step.branches if holds(b.when, at, outcome, view)}
            rows = blocks[at].rows
            if step.kind != "gate":
                last[at] = outcome
                rows = tuple(r for r in rows if r.label == outcome.label)
            assert to in {way.to for row in rows for way in row.ways}, (at, outcome)
            assert len(rows) == 1
            turns += 1
            at = to
        assert at in card.letters
    assert turns > 1000


@pytest.mark.parametrize(("name", "audience"), list(ways()))
def test_everything_is_on_the_page_once_and_every_arrow_has_its_end(
    name: str, audience: Audience
) -> None:
    graph = graph_of(name)
    card = flow_to_card(graph, audience)
    sections = Reader(html_of(card)).sections
    steps = [text for kind, text in sections if kind in ("step", "step gate")]
    endings = [text for kind, text in sections if kind.startswith("step ending")]
    assert [b.number for b in card.blocks()] == list(range(1, len(steps) + 1))
    for block, text in zip(card.blocks(), steps, strict=True):
        step = block.step
        assert text.startswith(f"{block.number} {step.title}")
        for hazard in step.hazards:
            title, measure = caution(hazard, audience.value)
            assert f"! {title}. {measure}" in text
        for words in step.detail.get("items", {}).values():
            assert words in text
        for check in recorded_checks(step):
            assert CATALOGUE[check].question in text
        if step.kind != "gate":
            own = step.owner if audience is Audience.OWNER and step.owner else step.say
            assert " ".join(own.split()) in text
            assert "cannot; why:" in text or not any(r.label == CANNOT for r in block.rows)
        if not step.required and step.kind != "gate":
            assert "Not required: " + " ".join(step.optional_reason.split()) in text
    for (letter, ending), text in zip(card.endings.items(), endings, strict=True):
        assert text.startswith(f"{letter} {ending.title}")
    targets = {t for text in steps for t in re.findall(r"→ (\w+)", text)}
    known = {str(b.number) for b in card.blocks()} | set(card.letters.values())
    assert targets <= known
    # Whatever has a number is pointed to, but for the start; so has every letter but the STOP's.
    assert known - targets <= {"1", card.letters[graph.on_stop]}


@pytest.mark.parametrize("name", FLOWS)
def test_the_way_comes_first_and_leads_to_the_keys(name: str) -> None:
    graph = graph_of(name)
    for audience in graph.audiences:
        card = flow_to_card(graph, audience)
        assert card.main[0].step.name == graph.start
        last = card.main[-1]
        to = {way.to for row in last.rows for way in row.ways}
        assert any(t in graph.endings and graph.endings[t].kind.lets_go for t in to)
        main = {b.step.name for b in card.main}
        # What is done only after something failed is not on the way on which all goes well.
        assert not any("remedy" in b.step.does for b in card.main)
        assert {s.name for s in graph.required() if s.name not in main} <= {
            b.step.name for b in card.aside
        }


def test_a_small_card_word_for_word() -> None:
    card = flow_to_card(graph_of(str(SMALL)), Audience.TECHNICIAN)
    shown = [
        f"{block.number} {block.step.title}"
        + "".join(
            f"\n  {row.words or 'look back'}"
            + "".join(
                f"\n    -> {card.letters.get(way.to) or way.to}"
                + (f" if {' / '.join(way.when)}" if way.when else "")
                for way in row.ways
            )
            for row in block.rows
        )
        for block in card.blocks()
    ]
    assert "\n".join(shown) == WHOLE


def test_units_and_paper_are_as_chosen() -> None:
    card = flow_to_card(graph_of("throttle-body-replaced"), Audience.TECHNICIAN)
    metric, us = html_of(card), html_of(card, units="us", paper="letter")
    assert "@page { size: A4;" in metric
    assert "@page { size: letter;" in us
    assert "Odometer, km" in metric
    assert "Odometer, mi" in us
    assert "N·m" in metric
    assert "ft·lbf" in us
    assert "N·m" not in us


def test_the_page_stands_alone_and_needs_no_colour() -> None:
    text = html_of(flow_to_card(graph_of("throttle-body-replaced"), Audience.OWNER))
    assert not re.search(r"https?:|<script|<link|url\(|@import", text)
    colours = set(re.findall(r"#[0-9a-fA-F]{3,8}\b", text.split("</style>")[0]))
    assert colours <= {"#000", "#fff"}
    assert "break-inside: avoid" in text
    assert '<html lang="en">' in text


def test_what_an_author_writes_is_text_and_never_a_tag() -> None:
    from dataclasses import replace

    graph = graph_of(str(SMALL))
    evil = '<script>alert("1")</script>&amp;'
    steps = {n: replace(s, title=evil, say=evil, why=evil) for n, s in graph.steps.items()}
    card = flow_to_card(replace(graph, steps=steps, title=evil, repair=evil), Audience.TECHNICIAN)
    text = html_of(card)
    assert "<script" not in text
    Reader(text)


def test_the_numbers_of_verdicts_stand_at_the_reading() -> None:
    """3.8 V above and 0 V below the typed figure, as the flow says; nearer than 0.1 V is open."""
    card = flow_to_card(graph_of("throttle-body-replaced"), Audience.TECHNICIAN)
    [supply] = [b for b in card.blocks() if b.step.name == "supply"]
    labels = [row.label for row in supply.rows]
    assert {"pass", "fail", "undecided", CANNOT} == set(labels)
    text = next(t for _, t in Reader(html_of(card)).sections if "Supply voltage" in t[:20])
    assert "not below it, up to + 3.8 V" in text
    assert "Nearer to a limit than 0.1 V is too near to say" in text
    assert Verdict.PASS is supply.step.counts(Outcome("pass", Grade.READ))


WHOLE = """\
1 The story
  written down
    -> list
  cannot; why:
    -> list
2 The list
  every line is so
    -> bolt
  a line is not so
    -> mend if the first 2 times
    -> C if the third time and later
  cannot; why:
    -> C
3 The bolt
  at its torque
    -> volts
  not at its torque
    -> C
  cannot be said
    -> volts
  cannot; why:
    -> volts
4 Rest voltage
  inside the limits
    -> codes
  outside the limits
    -> C
  too near to a limit to say
    -> codes
  cannot; why:
    -> codes
5 Codes
  no codes, everything shown
    -> rest
  no codes seen, but not everything was shown
    -> rest
  codes that a leak check and relearn can cure
    -> rest
  other codes
    -> rest
  codes that point to wiring, supply or part
    -> C
  codes that forbid driving
    -> C
  cannot; why:
    -> rest
6 Let it rest
  done
    -> start
  cannot; why:
    -> start
7 The start
  It runs
    -> idle
  The revs climb
    -> D
  cannot; why:
    -> C
8 The idle
  recorded: every check passes
    -> decide
  recorded: a check fails
    -> C
  recorded: undecided
    -> idle if the first 2 times
    -> decide if the third time and later
  seen, not recorded: Even
    -> decide
  seen, not recorded: Uneven
    -> C
  seen, not recorded: Not sure
    -> decide
  cannot; why:
    -> decide
9 What was proven
  look back
    -> A if everything needed has passed
    -> B if safe to drive has passed, other proof is still open
    -> C if something needed before driving is open
10 Mend it
  done
    -> list
  cannot; why:
    -> C"""
