"""`keysback flows new` at the command line: asked, scripted, and what it never does unasked."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pexpect
import pytest

from tests.terminal.walks import keysback
from verify.flow.skeleton import DANGERS, RECORDINGS

ALL = (
    "--title", "Boot hinge replaced", "--for", "both", "--danger", "leaks", "--complaint",
    "The lid falls", "--relearn", "yes", "--recording", "charge",
)  # fmt: skip
TYPED = "Boot hinge replaced\n3\n4\nThe lid falls\n2\n4\n"


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files are named as somebody in that folder names them; the command runs elsewhere."""
    monkeypatch.setenv("TERM", "dumb")


def new(tmp_path: Path, *args: str, stdin: str = "") -> tuple[int, str, str]:
    done = keysback("flows", "new", "-o", str(tmp_path / "hinge.yaml"), *args, stdin=stdin)
    return done.returncode, done.stdout, done.stderr


def test_what_is_written_proves_and_can_be_tried(tmp_path: Path) -> None:
    code, out, err = new(tmp_path, *ALL)
    assert (code, err) == (0, "")
    path = tmp_path / "hinge.yaml"
    first, *then = out.splitlines()
    steps = re.findall(r": a flow of (\d+) steps that proves\. Look for EDIT in it, then:$", first)
    assert then == [f"  keysback flows prove --watch {path}", f"  keysback flows try {path}"]
    assert keysback("flows", "prove", str(path)).stdout.startswith(
        f"{path}: proven. {steps[0]} steps"
    )
    answers = tmp_path / "answers.yaml"
    answers.write_text("opening/odometer: [12 km]\nopening/complaint: [It falls]\n"
                       "opening/cause: [Seen]\nopening/codes-before: [{cannot: no reader}]\n"
                       "fitted/walk-round: [{cannot: dark}]\n")  # fmt: skip
    tried = keysback("flows", "try", str(path), "--answers", str(answers))
    assert tried.returncode == 0, tried.stderr
    assert "The work is not finished" in tried.stdout


def test_asked_or_given_it_is_the_same_flow(tmp_path: Path) -> None:
    assert new(tmp_path, *ALL)[0] == 0
    given = (tmp_path / "hinge.yaml").read_text(encoding="utf-8")
    (tmp_path / "hinge.yaml").unlink()
    code, out, _ = new(tmp_path, stdin=TYPED)
    assert code == 0, out
    assert (tmp_path / "hinge.yaml").read_text(encoding="utf-8") == given


def test_every_word_is_offered_when_it_is_asked(tmp_path: Path) -> None:
    _, out, _ = new(tmp_path, stdin=TYPED)
    for label in (*DANGERS.values(), *RECORDINGS.values()):
        assert label in out
    helped = keysback("flows", "new", "--help").stdout
    for word in (*DANGERS, *RECORDINGS):
        assert re.search(rf"\b{word}\b", helped)


def test_only_what_is_not_given_is_asked(tmp_path: Path) -> None:
    code, out, _ = new(tmp_path, *ALL[:-2], stdin="none\n")
    assert code == 0
    assert "Which recordings" in out
    assert "For whom" not in out


def test_a_file_that_is_there_is_kept_unless_somebody_says_so(tmp_path: Path) -> None:
    path = tmp_path / "hinge.yaml"
    path.write_text("mine\n")
    code, _, err = new(tmp_path, *ALL)
    assert code == 2
    assert err == (
        f"  found {path}, which is there already; expected a new file\n"
        "  choose another with -o, or say --force to replace it\n"
    )
    code, out, _ = new(tmp_path, stdin=TYPED + "1\n")
    assert (code, out.splitlines()[-1]) == (0, "Number: Nothing was written.")
    code, _, err = new(tmp_path, stdin=TYPED)  # the answers end before the question is answered
    assert code == 2
    assert "Nothing was written." in err
    assert path.read_text() == "mine\n"
    assert new(tmp_path, stdin=TYPED + "2\n")[0] == 0
    assert "keysback_flow: 1" in path.read_text(encoding="utf-8")
    path.write_text("mine\n")
    assert new(tmp_path, *ALL, "--force")[0] == 0
    assert "keysback_flow: 1" in path.read_text(encoding="utf-8")
    assert [p.name for p in tmp_path.iterdir()] == ["hinge.yaml"]


def test_answers_that_end_too_soon_write_nothing(tmp_path: Path) -> None:
    code, _, err = new(tmp_path, stdin="Boot hinge replaced\n3\n")
    assert (code, err) == (2, "\nThe answers ended too soon. Nothing was written.\n")
    assert not list(tmp_path.iterdir())


def test_a_wrong_word_a_taken_name_and_a_folder_are_said(tmp_path: Path) -> None:
    said = new(tmp_path, *ALL, "--danger", "leks")
    assert said[0] == 2
    assert said[2] == (
        'danger\n  found "leks"; expected a known danger: brakes, dies, leaks, revs\n'
        '  write "leaks"\n'
    )
    said = new(tmp_path, "intake-leak", *ALL)
    assert said[0] == 2
    assert 'choose another, such as "our-intake-leak"' in said[2]
    (tmp_path / "hinge.yaml").mkdir()
    said = new(tmp_path, *ALL, "--force")
    assert said[0] == 2
    assert "which is no file" in said[2]


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    done = keysback("flows", "new", *ALL, "-o", str(tmp_path / "no" / "x.yaml"))
    assert done.returncode == 2
    assert "a file that cannot be written (No such file or directory)" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_title_too_long_is_asked_again(tmp_path: Path) -> None:
    code, out, _ = new(tmp_path, stdin="x" * 81 + "\n" + "\u202e\n" + TYPED)
    assert code == 0
    assert "found 81 characters; expected at most 80" in out
    assert "Please type something that can be seen." in out


def test_printed_it_is_the_file_and_nothing_else(tmp_path: Path) -> None:
    assert new(tmp_path, *ALL)[0] == 0
    printed = keysback("flows", "new", *ALL[:-2], "-o", "-", stdin="4\n")
    assert printed.returncode == 0
    assert printed.stdout == (tmp_path / "hinge.yaml").read_text(encoding="utf-8")
    assert "Which recordings" in printed.stderr


def test_it_can_be_answered_with_the_arrow_keys(tmp_path: Path) -> None:
    path = tmp_path / "hinge.yaml"
    child = pexpect.spawn(
        sys.executable,
        ["-m", "verify", "flows", "new", "-o", str(path)],
        env={**os.environ, "TERM": "xterm-256color"},
        dimensions=(24, 80),
        encoding="utf-8",
        timeout=30,
    )

    def after(words: str, keys: str) -> None:
        while child.expect([re.escape(words), r"\x1b\[6n"]) == 1:
            child.send("\x1b[1;1R")  # where the cursor is, as a terminal answers
        child.send(keys)

    down, enter = "\x1b[B", "\r"
    after("repaired?", "Boot hinge" + enter)
    after("For whom", down * 3 + enter)
    after("What could go wrong", down * 5 + enter)
    after("Those that apply", down + enter)
    after("come with", down + enter)
    after("relearn something", down + enter)
    after("Which recordings?", down + enter)
    after("proves", "")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
    text = path.read_text(encoding="utf-8")
    assert "cure-leak" in text
    assert "audience: [technician, owner]" in text
