"""`keysback checks`: what it lists, what it explains, and what it refuses."""

from __future__ import annotations

import json
import os
import re
import sys

import pexpect
import pyte
import pytest

from tests.conftest import ROOT
from verify.__main__ import main
from verify.evidence.checks.catalogue import CATALOGUE, COMMON
from verify.terminal.check_words import settled
from verify.words import Verdict


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["checks", *words])
    out = capsys.readouterr()
    return code, out.out, out.err


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_list_names_every_check_with_its_question(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = shown(capsys)
    assert (code, err) == (0, "")
    for check in CATALOGUE.values():
        assert f"{check.name} {check.question}" in flat(out)
    assert max(len(line) for line in out.splitlines()) <= 80
    assert "\x1b" not in out


@pytest.mark.parametrize("name", CATALOGUE)
def test_one_check_is_explained_whole(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    check = CATALOGUE[name]
    code, out, _ = shown(capsys, name)
    text = flat(out)
    assert code == 0
    assert max(len(line) for line in out.splitlines()) <= 80
    for told in (
        check.question,
        *check.channels,
        *(s for s in check.findings if s not in COMMON),
        *check.specs,
        *check.uses,
        *check.settles.values(),
        *check.look_alikes,
        *check.blind_spots,
    ):
        # Bullets stand between the items of a list, never within one.
        assert flat(told) in text.replace(" · ", " "), told
    assert flat(check.quantity)[1:] in text
    assert flat(check.limits)[1:] in text


@pytest.mark.parametrize("name", CATALOGUE)
def test_json_holds_all_of_it(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    check = CATALOGUE[name]
    one = json.loads(shown(capsys, name, "--json")[1])
    assert one["findings"] == {n: v.value for n, v in check.findings.items()}
    assert set(one) == {
        *("check", "version", "question", "channels", "quantity", "limits", "findings"),
        *("settles", "specs_needed", "specs_used", "look_alikes", "blind_spots"),
    }
    every = json.loads(shown(capsys, "--json")[1])["checks"]
    assert [c["check"] for c in every] == list(CATALOGUE)
    assert one in every


def test_equal_answers_stand_together_and_only_for_undecided_findings() -> None:
    for check in CATALOGUE.values():
        names = [n for joined, _ in settled(check) for n in joined.split(", ")]
        undecided = {n for n, v in check.findings.items() if v is Verdict.UNDECIDED}
        assert sorted(names) == sorted(undecided - set(COMMON)), "each once, and none left out"
        assert all(check.findings[n] is Verdict.UNDECIDED for n in names)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["idle-sped"], 'write "idle-speed"'),
        (["nonsense"], "a known check"),
        (["idle-speed", "--markdown"], "--markdown"),
        (["--json", "--markdown"], "--markdown"),
    ],
)
def test_bad_input_is_one_message_and_2(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = shown(capsys, *words)
    assert (code, out) == (2, "")
    assert says in err


def test_marks_stand_beside_their_words(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = shown(capsys, "idle-speed")
    assert re.search(r"✓ PASS +in-range", out)
    assert re.search(r"✗ FAIL +too-low", out)
    assert re.search(r"\? UNDECIDED +near-limit", out)


@pytest.mark.parametrize("columns", [60, 80])
def test_in_a_real_terminal_no_line_breaks_by_itself(columns: int) -> None:
    words = ["-m", "verify", "checks", "idle-steady"]
    env = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
    with pexpect.spawn(
        sys.executable,
        words,
        dimensions=(24, columns),
        encoding="utf-8",
        timeout=60,
        cwd=ROOT,
        env={**env, "TERM": "xterm"},
    ) as child:
        child.expect(pexpect.EOF)
        said = child.before or ""
    screen = pyte.HistoryScreen(columns, 24, history=200)
    pyte.Stream(screen).feed(said)
    seen = [line.rstrip() for line in screen.display]
    # What a line too long pushed over the edge would begin in the first column.
    begins = ("What", "Looks", "idle-steady", "Does", " ")
    assert [line for line in seen if line and not line.startswith(begins)] == []
    assert any("no-idle" in line for line in seen)
