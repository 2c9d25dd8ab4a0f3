"""What the runner says in another language: whole, alive, and never half.

Babel reads the messages out of the code and polib the catalogue; neither is what speaks them.
"""

from __future__ import annotations

import ast
import io
import re
import secrets
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields
from functools import cache
from itertools import product
from pathlib import Path
from typing import Any

import polib
import pytest
from babel.messages.extract import extract_from_dir
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import ROOT
from tests.evidence.every_case import CASES
from tests.terminal.walks import SMALL, idle_csv, keysback
from verify import tables
from verify.car.code_history import Change
from verify.car.failure_type import failure_type_words
from verify.car.freeze_frame import FreezeFrame, propose
from verify.car.relearn_cost import READERS_CANNOT, YOU_DECIDE, Situation, Way, ruled_out
from verify.car.since_clear import FINDINGS as SINCE_CLEAR
from verify.errors import UserError
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.job.entry import Entry
from verify.job.journal import SqliteJournal
from verify.job.people import Role
from verify.quantity import parse
from verify.terminal.marks import WORDS
from verify.terminal.script import SOURCES
from verify.terminal.show_verdict import PLOTTED, sentence
from verify.terminal.tongue import (
    CHECK,
    FINDING,
    SAID,
    UNTRANSLATED,
    finding,
    language_wanted,
    must,
    said,
    speaking,
    spoken,
    tr,
    trouble_words,
    why,
)
from verify.words import LANGUAGES, Grade, Verdict

CODE = ROOT / "verify"
HOLES = re.compile(r"\{\w*\}")


@cache
def messages() -> frozenset[str]:
    """All that `tr` and `must` can be asked for: written in the code, or words of closed lists."""
    keywords = {"tr": None, "mark": None, "must": None}
    found = extract_from_dir(
        str(CODE / "terminal"), method_map=[("**.py", "python")], keywords=keywords
    )
    written = {str(message) for _, _, message, _, _ in found}
    hazards = tables.rows("seeds/hazards.csv")
    listed = {row[k] for row in hazards for k in ("title", "caution", "owner_caution")}
    for words in (Change, Way, Verdict, Grade, Role):
        listed |= {word.value for word in words}
    listed |= {READERS_CANNOT, YOU_DECIDE, *SOURCES, *WORDS.values(), "measured", "limits", "note"}
    listed |= {channel.replace("_", " ") for _, channel in PLOTTED}
    return frozenset(written | listed)


@cache
def catalogue(language: str) -> polib.POFile:
    return polib.pofile(tables.read_bytes(f"seeds/words.{language}.po").decode())


def entries(language: str, context: str | None) -> dict[str, str]:
    return {e.msgid: e.msgstr for e in catalogue(language) if e.msgctxt == context}


@pytest.fixture(params=sorted(LANGUAGES))
def language(request: pytest.FixtureRequest) -> str:
    return str(request.param)


# ---- whole and alive ----------------------------------------------------------------------------


def test_every_message_of_the_runner_has_its_words(language: str) -> None:
    have = entries(language, None)
    assert len(messages()) > 380
    assert sorted(messages() - have.keys()) == []
    assert [m for m, words in have.items() if not words.strip()] == []


def test_no_words_are_kept_for_what_nobody_says(language: str) -> None:
    assert sorted(entries(language, None).keys() - messages()) == []


def test_placeholders_and_the_blanks_at_both_ends_are_those_of_the_english(language: str) -> None:
    for entry in catalogue(language):
        text, words = entry.msgid, entry.msgstr
        assert sorted(set(HOLES.findall(text))) == sorted(set(HOLES.findall(words))), text
        ends = (len(t) - len(t.lstrip()) for t in (text, words))
        assert len(set(ends)) == 1, text
        assert text.endswith(" ") == words.endswith(" "), text


def test_no_message_stands_twice(language: str) -> None:
    keys = [(e.msgctxt, e.msgid) for e in catalogue(language)]
    assert len(keys) == len(set(keys))
    assert not [e for e in catalogue(language) if e.fuzzy or e.obsolete]


def test_commands_and_codes_within_a_message_are_not_translated(language: str) -> None:
    kept = re.compile(r"keysback \w+|--\w+|[PCBU]\d{4}\b|[a-z]+_[a-z]+")
    for entry in catalogue(language):
        wanted = sorted(kept.findall(HOLES.sub("", entry.msgid)))
        if entry.msgctxt is None and wanted:
            assert sorted(kept.findall(HOLES.sub("", entry.msgstr))) == wanted, entry.msgid


def test_every_finding_of_every_check_is_said_in_words(language: str) -> None:
    with speaking(language):
        for check in CATALOGUE.values():
            for name in check.findings:
                assert finding(check.name, name), f"{check.name}: {name}"
    known = {f"{c.name}: {f}" for c in CATALOGUE.values() for f in c.findings}
    known |= {f for c in CATALOGUE.values() for f in c.findings} | set(SINCE_CLEAR)
    source = "".join((CODE / "job" / f).read_text() for f in ("judge.py", "codes_judge.py"))
    known |= set(re.findall(r'"([a-z]+(?:-[a-z]+)*)"', source))
    assert sorted(entries(language, FINDING).keys() - known) == []


def test_every_check_has_a_name_for_the_screen(language: str) -> None:
    named = entries(language, CHECK)
    assert set(CATALOGUE) <= set(named)
    assert set(named) - set(CATALOGUE) == {"since-clear", "readiness", "reading", "torque"}


def test_what_settles_a_check_is_said_whole(language: str) -> None:
    """In terms of what hands can do, so in the language of who has them."""
    with speaking(language):
        for check in CATALOGUE.values():
            for name, settle in check.settles.items():
                assert not said(settle).startswith(UNTRANSLATED), f"{check.name}: {name}: {settle}"


@cache
def found_by_checks() -> tuple[tuple[str, str], ...]:
    """(kind, sentence) of a recording for each finding of each check."""
    told = []
    for (name, _), (make, specs) in CASES.items():
        made = make()
        made_of = made if isinstance(made, list | tuple) else [made]
        (result,) = judge(made_of, specs, [name])
        told += [("why", result.why), ("settle", result.settle)]
        told += [("note", note) for note in result.notes]
        told += [("source", result.limits.source)] if result.limits else []
    return tuple((kind, text) for kind, text in told if text)


def test_what_the_checks_find_is_said_whole_too(language: str) -> None:
    with speaking(language):
        unsaid = [t for _, t in found_by_checks() if said(sentence(t)).startswith(UNTRANSLATED)]
    assert len(found_by_checks()) > 600
    assert unsaid == []


def test_codes_monitors_and_ways_are_said_whole(language: str) -> None:
    with speaking(language):
        assert [t for t in said_on_the_way() if said(t).startswith(UNTRANSLATED)] == []


@cache
def said_on_the_way() -> tuple[str, ...]:
    """What is shown while codes are typed, and what forbids a way to the relearn."""
    texts = [row["meaning"] for row in tables.rows("seeds/codes.csv")]
    monitors = tables.rows("seeds/readiness_monitors.csv")
    texts += [row[name] for row in monitors for name in ("title", "settles")]
    texts += [failure_type_words(f"{n:02X}") for n in range(256)]
    texts += ways_ruled_out()
    for speed, rpm, load, coolant in product(
        (0.0, 5.0, 20.0, 62.0), (0.0, 750.0, 1400.0, 2500.0), (20.0, 40.0, 85.0), (20.0, 88.0)
    ):
        frame = FreezeFrame("P0507", speed, rpm, load, coolant)
        found = propose(frame, speed_limit_kmh=100.0)
        texts += [found.words.rstrip(".") + ".", *found.cautions]
    return tuple(dict.fromkeys(texts))


def ways_ruled_out() -> list[str]:
    names = [f.name for f in fields(Situation)]
    every = [Situation(**dict.fromkeys(names, bad)) for bad in (True, False, None)]
    return [reason for now in every for way in Way for reason in ruled_out(way, now)]


def templates() -> Iterator[str]:
    """Every text in the code below the front end, with {} for what varies."""
    folders = ("evidence", "job", "car", "terminal")
    files = [p for f in folders for p in (CODE / f).rglob("*.py")] + [CODE / "quantity.py"]
    for file in files:
        for node in ast.walk(ast.parse(file.read_text())):
            text = _text_of(node)
            if text:
                yield text
    yield from (s for check in CATALOGUE.values() for s in check.settles.values())
    yield from (row["meaning"] for row in tables.rows("seeds/codes.csv"))
    yield from (row["meaning"] for row in tables.rows("seeds/failure_types.csv"))
    for row in tables.rows("seeds/readiness_monitors.csv"):
        yield from (row["title"], row["settles"])
    flow = (ROOT / "flows" / "throttle-body-replaced.yaml").read_text()
    yield from re.findall(r"source: (.*)", flow)


def _text_of(node: ast.AST) -> str:
    match node:
        case ast.Constant(value=str() as text):
            return text
        case ast.JoinedStr(values=values):
            return "".join(_text_of(v) or "{}" for v in values)
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            return (_text_of(left) or "{}") + (_text_of(right) or "{}")
    return ""


# Sentences that the code puts together from pieces, where no single text shows them.
PUT_TOGETHER = """
engine speed begins to rise 7 s behind the pedal, mean of 7 tip-ins, but none followed within 7 s at 7 more.
the engine stopped 7 s after the car had come to rest (at 7 s).
the engine stopped out of a steady idle at 7 standstills and idled on at 7: start-stop, or it died (at 7 s).
7 V is at least 7 V. 7 V is at most 7 V. 7 V is not at least 7 V. 7 V is not at most 7 V.
the distance of the drive is unknown; the time of the drive is unknown
7 km since the clear covers a drive of 7 km
7 km since the clear does not cover a drive of 7 km
7 km since the clear is too close to tell against a drive of 7: a clear in its first 7 would not show
the distance since the clear was not read; the time since the clear was not read
7 V is too close to the limit to say: 7 to 7 V.
7 Nm is less than a fifth of the 7 Nm this wrench goes up to: so low it says little (common practice, no source).
7 Nm is more than the 7 Nm this wrench goes up to.
a readable picture; fuel trim short is not recorded, so the sum of short and long is not known
only 7 s of idle can be used, in 7 windows; 7 s of unlike readings are needed.
only 7 s of idle can be used, in 7 windows; one of 7 s is needed.
7 warm idles over 7 starts of the engine; 7 over 7 are needed.
the plate stands at most 7 % of span off the command (at 7 %), within 7 %.
the plate stands at most 7 % of span off the command (at 7 %), too near 7 % to tell.
after the key-on at 7 s only 7 s are heard; 7 s are needed.
after the key-on at 7 s only 7 s are heard before an engine or another low note; 7 s are needed.
No such file or directory; Permission denied; Is a directory
"""  # noqa: E501


def test_no_template_is_kept_for_a_sentence_nobody_says(language: str) -> None:
    """The pieces of a template stand one after the other in a text of the code, or in a sentence
    that a check has said."""
    lines = [" ".join(text.replace("{}", "7").split()) for text in templates()]
    lines += [text for _, text in found_by_checks()] + PUT_TOGETHER.split("\n")
    lines += said_on_the_way()
    corpus = {line.replace("_", " ").casefold() for line in lines}
    dead = []
    for template in entries(language, SAID):
        pieces = HOLES.split(template.replace("_", " ").casefold())
        told = re.compile(".+?".join(re.escape(piece.rstrip(".")) for piece in pieces))
        longest = max((piece.rstrip(".") for piece in pieces), key=len)
        if not any(longest in line and told.search(line) for line in corpus):
            dead.append(template)
    assert dead == []


# ---- how it is spoken ---------------------------------------------------------------------------


def test_english_is_spoken_unless_somebody_asks_for_another() -> None:
    assert (spoken(), tr("Done"), said("Whatever it is.")) == ("", "Done", "Whatever it is.")
    with speaking("de"):
        assert (spoken(), tr("Done")) == ("de", "Erledigt")
        with speaking("en"):
            assert (spoken(), tr("Done")) == ("", "Done")
        assert spoken() == "de"
    assert spoken() == ""


def test_the_option_comes_before_the_variable_and_the_locale_is_not_asked() -> None:
    assert language_wanted("en", {"KEYSBACK_LANGUAGE": "de"}) == ""
    assert language_wanted(None, {"KEYSBACK_LANGUAGE": "de"}) == "de"
    assert language_wanted(None, {"LANG": "de_DE.UTF-8", "LANGUAGE": "de"}) == ""
    with pytest.raises(UserError) as caught:
        language_wanted("dee", {})
    assert 'found "dee"; expected a known language: de, en' in str(caught.value)
    assert 'write "de"' in str(caught.value)


def test_a_caution_without_words_is_refused_and_never_shown_in_english() -> None:
    with speaking("de"):
        assert must("STOP") == "STOPP"
        with pytest.raises(UserError, match="no German of the caution"):
            must("Keep your beard out of the fan.")
    assert must("Keep your beard out of the fan.") == "Keep your beard out of the fan."


def test_what_has_no_translation_is_marked_and_whole() -> None:
    with speaking("de"):
        assert said("The moon is full.") == "EN: The moon is full."
        # Half of it could be said; the other half could not.
        assert said("record again; the moon is full") == "EN: record again; the moon is full"


def test_numbers_and_typed_words_go_into_the_german_sentence() -> None:
    with speaking("de"):
        assert (
            said("12.4 V lies within 12.2 to 16 V.") == "12.4 V liegt innerhalb von 12.2 bis 16 V."
        )
        assert said("11 V is not at least 12 V.") == "11 V ist nicht mindestens 12 V."
        assert said("Record vehicle speed as well.") == "Die Fahrgeschwindigkeit mit aufzeichnen."
        assert said("“Der Leerlauf”") == "EN: “Der Leerlauf”"
        assert said("the recording that was given at “the idle of it all”") == (
            "die Aufzeichnung, die bei „the idle of it all“ angegeben wurde"
        )


def test_a_typing_slip_is_explained_in_german() -> None:
    with speaking("de"):
        for text, unit in (("twelve", "V"), ("12 km", "V"), ("1,200.5", "rpm"), ("9 ft", "N·m")):
            with pytest.raises(UserError) as caught:
                parse(text, expect=unit)
            words = trouble_words(caught.value)
            assert words.strip().startswith("gefunden: "), words
            assert "; erwartet: " in words
            assert UNTRANSLATED not in words, words


def test_the_finding_speaks_first_and_the_english_numbers_are_marked() -> None:
    text = "the slowest idle was at 612 rpm in a way nobody has words for."
    with speaking("de"):
        assert (
            why("idle-speed", "too-low", text) == f"Die Leerlaufdrehzahl ist zu niedrig. EN: {text}"
        )
        assert (
            why("idle-speed", "too-low", text, brief=True) == "Die Leerlaufdrehzahl ist zu niedrig."
        )
    assert why("idle-speed", "too-low", text) == text


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=60))
def test_no_text_breaks_the_speaker(text: str) -> None:
    with speaking("de"):
        assert isinstance(said(text), str)
        assert isinstance(tr(text), str)


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(sorted(entries("de", SAID))), st.integers(0, 999), st.integers(0, 99))
def test_a_template_filled_with_numbers_is_said_with_the_same_numbers(
    template: str, first: int, second: int
) -> None:
    numbers = {f"{{{n}}}": f"{(first, second)[n % 2]}.{n}" for n in range(10)}
    text = HOLES.sub(lambda hole: numbers[hole[0]], template)
    with speaking("de"):
        words = said(text)
    assert not words.startswith(UNTRANSLATED)
    own = [numbers[h] for h in HOLES.findall(template)]
    assert all(number in words for number in own)


def test_english_does_not_pay_for_other_languages() -> None:
    code = (
        "import sys, verify.terminal.ui_lines, verify.terminal.tongue as t; t.tr('Done');"
        "print([m for m in ('polib', 'ruamel.yaml', 'babel') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


# ---- a job --------------------------------------------------------------------------------------


def opened(store: Path, language: str, typed: str, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The entries of the throttle body's first steps as typed in a language, salts all alike."""
    counter = iter(range(10_000))
    monkeypatch.setattr(secrets, "token_bytes", lambda n: next(counter).to_bytes(n, "big"))
    from verify.__main__ import main

    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    code = main(
        ["open", "throttle-body-replaced", "--as", "technician", "--units", "metric", "--mode",
         "as-work", "--car", "x", "--model", "m", "--lines", "--store", str(store),
         "--language", language]
    )  # fmt: skip
    assert code == 0
    with SqliteJournal(store, readonly=True) as journal:
        job = str(next(iter(journal.jobs()))["job"])
        return journal.entries(job), next(iter(journal.jobs()))


def plain(all_: tuple[Entry, ...]) -> list[tuple[str, int, Any]]:
    return [(e.kind, e.version, {k: v for k, v in e.body.items() if k != "language"}) for e in all_]


def test_a_walk_in_german_writes_what_the_same_walk_in_english_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = idle_csv(tmp_path / "idle.csv")
    answers = [
        "12345", "It hunts", "only a code", "4", "P0507", "?", "not supported", "1", "", "4",
        "none", "9 Nm", "40 Nm", "1", "1 3 2 4", "1 3 2 4", "1", "9 Nm", "doc", "12.5", "3",
        "none", "none", "none", "none", "1", "2", "in a hurry", "1", "1",
        "1", str(recording), "1", "750", "doc", "1",
    ]  # fmt: skip
    typed = "\n".join(answers) + "\n"
    english, row = opened(tmp_path / "en", "en", typed, monkeypatch)
    capsys.readouterr()
    german, german_row = opened(tmp_path / "de", "de", typed, monkeypatch)
    shown = capsys.readouterr().out
    assert "Elektronische Drosselklappe ersetzt" in shown
    assert "Which is it?" not in shown
    assert plain(german) == plain(english)
    assert len(german) > 15
    assert any(e.body.get("results") for e in german), "verdicts are stored, and in English"
    assert (german[0].body["language"], "language" in english[0].body) == ("de", False)
    assert german[0].body["edition"] == english[0].body["edition"]
    same = {k: v for k, v in row.items() if k not in ("job", "opened", "updated", "changed")}
    assert same.items() <= german_row.items(), "lists speak English, whatever a job does"


def test_a_job_done_in_german_reads_in_english(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    entries_, _ = opened(tmp_path / "de", "de", "12345\nEs sägt\nCode\nkeine\n", monkeypatch)
    capsys.readouterr()
    for command in ("show", "jobs", "note"):
        job = [] if command == "jobs" else [entries_[0].job]
        run = keysback(command, *job, "--store", str(tmp_path / "de"))
        assert run.returncode == 0, run.stderr
        assert not re.search(r"Drosselklappe|Kilometerstand|Versuch|erledigt", run.stdout), (
            run.stdout
        )


def test_a_day_for_proof_is_found_in_every_language(tmp_path: Path) -> None:
    """“innerhalb von zwei Wochen” is the two weeks of the English flow."""
    from verify.flow.machine import replay_machine
    from verify.job.catalogue import catalogue as flows_may_name
    from verify.job.due import due_day
    from verify.terminal.library import load_flow

    english = load_flow("throttle-body-replaced", flows_may_name()).graph
    german = load_flow("throttle-body-replaced", flows_may_name(), "de").graph
    assert replay_machine(german).graph.steps.keys() == english.steps.keys()
    for name, step in german.steps.items():
        if step.later:
            by = german.in_english(step.later[1])
            own = english.steps[name].later
            assert own is not None
            assert by == own[1]
            assert due_day(by, "2031-03-04T08:00:00.000Z")


def test_a_flow_without_the_language_is_refused_and_says_what_to_do(tmp_path: Path) -> None:
    run = keysback(
        "open", str(SMALL), "--language", "de", "--as", "owner", "--store", str(tmp_path / "s")
    )
    assert run.returncode == 2
    assert "found no German of this flow; expected one of: en" in run.stderr
    assert "choose --language en, or translate it" in run.stderr
    assert "Traceback" not in run.stderr


def test_translate_writes_a_file_that_can_be_filled_and_opened(tmp_path: Path) -> None:
    flow = tmp_path / "small.yaml"
    flow.write_text(SMALL.read_text())
    first = keysback("flows", "translate", str(flow), "--to", "de")
    assert first.returncode == 0, first.stderr
    assert "to translate:" in first.stdout
    side = tmp_path / "small.de.yaml"
    assert keysback("flows", "prove", str(flow)).returncode == 2
    check = keysback("flows", "translate", str(flow), "--to", "de", "--check")
    assert check.returncode == 2
    filled = re.sub(
        r"(?m)^( *)en: (.*)\n( *)de: \"\"$",
        lambda m: f"{m[1]}en: {m[2]}\n{m[3]}de: {m[2]}",
        re.sub(
            r"(?m)^( *)en: >-\n((?:\1  .*\n)+)\1de: \"\"$",
            r"\1en: >-\n\2\1de: >-\n\2",
            side.read_text(),
        ),
    )
    side.write_text(filled.replace("\n\n\n", "\n\n"))
    proven = keysback("flows", "prove", str(flow))
    assert proven.returncode == 0, proven.stderr
    assert "also in German" in proven.stdout
    again = keysback("flows", "translate", str(flow), "--to", "de")
    assert "Nothing is open." in again.stdout
