"""`keysback compare`: what it prints, what it refuses, and that it lets no car go."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from tests.engines_heard.files import wav
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.terminal.test_judge_command import HEAD
from verify.__main__ import main
from verify.evidence.compare import Change, Comparison
from verify.evidence.verdict import CheckResult
from verify.terminal.show_change import CHANGE_MARKS, changes, counted_changes
from verify.words import Verdict


def rows(idle_rpm: int, seconds: int = 200) -> list[str]:
    made = []
    for number in range(2 * seconds):
        t = number / 2
        pressed = 90 <= t < 120 and t % 10 < 5
        rpm = 1900 if pressed else idle_rpm + (number * 37 % 19) - 9
        made.append(f"{t:.1f},{rpm},0,{20 if pressed else 0},90")
    return made


@pytest.fixture
def files(tmp_path: Path) -> dict[str, str]:
    made = {}
    for name, idle in (("high", 820), ("good", 702), ("near", 704)):
        path = tmp_path / f"{name}.csv"
        path.write_text("\n".join([HEAD, *rows(idle)]) + "\n", encoding="utf-8")
        made[name] = str(path)
    bare = tmp_path / "bare.csv"
    bare.write_text("time [s],engine rpm [rpm]\n0,700\n1,701\n2,699\n", encoding="utf-8")
    made["bare"] = str(bare)
    return made


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["compare", *words])
    out = capsys.readouterr()
    return code, out.out, out.err


SPEC = ("--spec", "idle_speed=700 rpm")


def test_better_with_both_verdicts_and_both_numbers(
    files: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = shown(capsys, files["high"], files["good"], *SPEC)
    assert (code, err) == (0, "")
    assert "▲ BETTER  idle-speed  ✗ FAIL → ✓ PASS" in out
    assert re.search(r"before +820\.\d ± .* rpm, too-high", out)
    assert re.search(r"after +702\.\d ± .* rpm, in-range", out)
    assert re.search(r"change +−118\.0 ± .* rpm", out)
    assert "= UNCHANGED  idle-steady" in out
    assert "lets no car go" in " ".join(out.split())
    assert "\x1b" not in out
    assert max(len(line) for line in out.splitlines() if ".csv" not in line) <= 80


def test_worse_stands_first(files: dict[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = shown(capsys, files["good"], files["high"], *SPEC)
    assert "▼ WORSE  idle-speed  ✓ PASS → ✗ FAIL" in out
    assert out.index("WORSE") < out.index("UNCHANGED") < out.index("CANNOT TELL")
    assert "In short: ▼ 1 worse" in out


def test_json_is_as_documented(files: dict[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = shown(capsys, files["high"], files["good"], *SPEC, "--json")
    value = json.loads(out)
    assert set(value) == {"before", "after", "in_both", "comparisons"}
    idle = next(c for c in value["comparisons"] if c["check"] == "idle-speed")
    assert set(idle) == {
        *("check", "change", "why", "settle", "difference", "uncertainty", "unit", "margin"),
        *("probabilities", "rates", "before", "after"),
    }
    assert (idle["change"], idle["difference"], idle["margin"]) == ("better", -118.0, 12.5)
    assert idle["before"]["verdict"] == "fail"


def test_only_what_is_asked(files: dict[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = shown(capsys, files["good"], files["near"], *SPEC, "--check", "idle-speed")
    assert "= UNCHANGED  idle-speed" in out
    assert "650 to 750 rpm" in out
    assert "idle-steady" not in out


def test_several_files_a_side(files: dict[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    more = ("--also-after", files["near"], "--json")
    _, out, _ = shown(capsys, files["high"], files["good"], *SPEC, *more)
    value = json.loads(out)
    assert [len(value[side]) for side in ("before", "after")] == [1, 2]
    idle = next(c for c in value["comparisons"] if c["check"] == "idle-speed")
    assert {w["recording"] for w in idle["after"]["windows"]} == {0, 1}


def test_the_same_file_twice_is_said(
    files: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = shown(capsys, files["good"], files["good"], *SPEC)
    assert code == 0
    assert "The same file stands on both sides" in out
    assert "BETTER" not in out
    _, out, _ = shown(capsys, files["good"], files["good"], *SPEC, "--json")
    value = json.loads(out)
    assert len(value["in_both"]) == 1
    assert {c["change"] for c in value["comparisons"]} == {"cannot tell"}


def test_a_recording_that_shows_nothing_tells_nothing(
    files: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = shown(capsys, files["high"], files["bare"], *SPEC)
    assert code == 0
    assert "BETTER" not in out
    assert "? CANNOT TELL  idle-speed" in out


def test_of_two_sounds_of_the_key_it_is_said_how_to_name_when_it_was_turned_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sounds = []
    for name, ticking_s in (("before", 5.0), ("after", 0.0)):
        (tmp_path / f"{name}.wav").write_bytes(wav(key_ons(KeyOn(ticking_s=ticking_s))))
        sounds.append(str(tmp_path / f"{name}.wav"))
    _, out, _ = shown(capsys, *sounds)
    words = " ".join(out.split())
    assert "--key-on-before 3.2s,21.5s --key-on-after 3.2s,21.5s" in words
    assert "pedal-response" not in out, "nobody asks a sound for a pedal"
    _, out, _ = shown(capsys, *sounds, "--key-on-before", "3,18", "--key-on-after", "3,18")
    assert "BETTER  key-on-ticking" in out
    assert "--key-on-before" not in out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["{good}", "{missing}"], "missing.csv"),
        (["{good}", "{high}", "--check", "idle-sped"], 'write "idle-speed"'),
        (["{good}", "{high}", "--spec", "idle_sped=700"], 'write "idle_speed"'),
        (["{good}", "{high}", "--map", "rpm"], "--map"),
        (["{good}", "{high}", "--also-before", "{missing}"], "missing.csv"),
    ],
)
def test_bad_input_is_one_message_and_2(
    words: list[str], says: str, files: dict[str, str], tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    names = {**files, "missing": str(tmp_path / "missing.csv")}
    code, out, err = shown(capsys, *(w.format(**names) for w in words))
    assert (code, out) == (2, "")
    assert says in err
    assert "Traceback" not in err


def drawn(found: list[Comparison], width: int = 80, **more: bool) -> str:
    stream = io.StringIO()
    console = Console(file=stream, width=width, highlight=False)
    for block in changes(found, **more):
        console.print(block)
    console.print(counted_changes(found))
    return stream.getvalue()


def test_every_word_has_its_mark_and_nothing_is_lost_on_a_narrow_screen() -> None:
    none = CheckResult("x", 1, Verdict.UNDECIDED, "channel-missing", "no pedal.", "record it")
    number = replace(none, finding="near-limit", value=1.0, unit="rpm", uncertainty=0.5)
    found = [
        Comparison(f"check-{i}", word, "because", number, number, difference=0.0, uncertainty=1.0,
                   unit="rpm")
        for i, word in enumerate(Change)
    ]  # fmt: skip
    found.append(Comparison("check-9", Change.CANNOT_TELL, "no pedal", none, none, "record it"))
    for text in (drawn(found), drawn(found, 60), drawn(found, full=True)):
        for c in found:
            assert c.check in text
        for word, mark in CHANGE_MARKS.items():
            assert f"{mark} {word.value.upper()}" in text
    assert max(len(line) for line in drawn(found, 60).splitlines()) <= 60
    assert "Not compared: check-9." in drawn(found)
    words = " ".join(drawn(found).split())
    assert (
        "In short: ▼ 1 worse · ▲ 1 better · = 1 unchanged · ? 1 cannot tell · 1 not compared"
        in words
    )
