"""`keysback flows prove --watch`, through a pseudo-terminal, while files are edited under it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pexpect
import pyte
import pytest

from tests.flow.authors import PARTS
from tests.terminal.walks import SMALL, keysback
from verify.terminal.watching import stamps, watched

PROVEN = r"\d\d:\d\d:\d\d  PROVEN"
GOOD = SMALL.read_text(encoding="utf-8")
TYPO = GOOD.replace("\nsteps:", "\nstepps:", 1)


class Watch:
    """The command on a pseudo-terminal, and what its screen shows."""

    def __init__(self, *files: Path, rows: int = 24) -> None:
        self.screen = pyte.Screen(80, rows)
        self.stream = pyte.Stream(self.screen)
        self.child = pexpect.spawn(
            sys.executable,
            ["-m", "verify", "flows", "prove", "--watch", *map(str, files)],
            env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", "LINES": str(rows)},
            dimensions=(rows, 80),
            encoding="utf-8",
        )

    def until(self, pattern: str, seconds: float = 20.0) -> list[str]:
        """The rows of the screen as soon as they hold `pattern`."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if re.search(pattern, "\n".join(self.screen.display)):
                return [row.rstrip() for row in self.screen.display]
            try:
                self.stream.feed(self.child.read_nonblocking(65536, 0.1))
            except pexpect.TIMEOUT:
                continue
            except pexpect.EOF:
                break
        raise AssertionError("\n".join(self.screen.display))

    def quiet(self, seconds: float) -> None:
        """Nothing is written meanwhile, once the screen is whole."""
        with suppress(pexpect.TIMEOUT):
            while True:
                self.stream.feed(self.child.read_nonblocking(65536, 0.2))
        with pytest.raises(pexpect.TIMEOUT):
            self.child.read_nonblocking(1, seconds)

    def end(self) -> int:
        self.child.sendintr()
        self.child.expect("No longer watching")
        self.child.expect(pexpect.EOF)
        self.child.close()
        assert self.child.signalstatus is None
        return int(self.child.exitstatus)


@pytest.fixture
def flow(tmp_path: Path) -> Path:
    path = tmp_path / "small.yaml"
    path.write_text(GOOD, encoding="utf-8")
    return path


@pytest.fixture
def watch(flow: Path) -> Iterator[Watch]:
    it = Watch(flow)
    yield it
    it.child.close(force=True)


def test_a_mistake_and_its_cure_are_shown_as_they_are_saved(watch: Watch, flow: Path) -> None:
    rows = watch.until(r"Watching; .*Ctrl-C ends")
    assert re.match(PROVEN, rows[0])
    assert "proven." in "".join(rows[1:4])
    flow.write_text(TYPO, encoding="utf-8")
    rows = watch.until(r"NOT PROVEN[\s\S]*Watching")
    assert re.match(r"\d\d:\d\d:\d\d  NOT PROVEN$", rows[0]), "the old result is gone"
    assert 'the unknown field "stepps"' in "\n".join(rows)
    flow.write_text(GOOD, encoding="utf-8")
    rows = watch.until(PROVEN + r"[\s\S]*Ctrl-C ends\.")
    assert "stepps" not in "\n".join(rows)
    watch.quiet(0.8)  # nothing is saved, nothing is shown
    assert watch.end() == 0


def test_files_half_written_renamed_away_or_not_text_do_not_end_it(
    watch: Watch, flow: Path
) -> None:
    watch.until(PROVEN)
    flow.write_bytes(GOOD.encode()[: len(GOOD) // 2] + b"\xc3")
    watch.until("NOT PROVEN[\\s\\S]*no UTF-8 text")
    flow.write_text("", encoding="utf-8")
    watch.until("NOT PROVEN[\\s\\S]*no fields")
    flow.unlink()
    watch.until("NOT PROVEN[\\s\\S]*(cannot be read|a known flow)")
    beside = flow.with_suffix(".new")
    beside.write_text(GOOD, encoding="utf-8")
    beside.replace(flow)  # as editors save
    watch.until(PROVEN)
    flow.write_text("a: [" * 400, encoding="utf-8")
    watch.until("NOT PROVEN")
    assert watch.end() == 0


def test_a_file_that_is_still_being_written_is_waited_for(watch: Watch, flow: Path) -> None:
    watch.until(PROVEN)
    with flow.open("w", encoding="utf-8") as file:
        for line in TYPO.splitlines(keepends=True)[:40]:
            file.write(line)
            file.flush()
            time.sleep(0.03)
        file.truncate(0)
        file.seek(0)
        file.write(TYPO)
    rows = watch.until("NOT PROVEN")
    assert "stepps" in "\n".join(rows)
    assert watch.end() == 0


def test_a_part_beside_the_flow_counts_when_it_is_saved_and_when_it_first_appears(
    tmp_path: Path,
) -> None:
    part = tmp_path / "parts" / "look.yaml"
    flow = tmp_path / "walk-round.yaml"
    flow.write_text(PARTS["walk-round"], encoding="utf-8")
    watch = Watch(flow)
    watch.until('NOT PROVEN[\\s\\S]*"look"')
    part.parent.mkdir()
    part.write_text(PARTS["look"], encoding="utf-8")
    watch.until(PROVEN)
    part.write_text(PARTS["look"].replace("kind: ask", "kind: aks"), encoding="utf-8")
    watch.until('NOT PROVEN[\\s\\S]*write "ask"')
    assert watch.end() == 0


def test_two_files_are_counted_and_a_long_list_is_cut_to_the_screen(
    tmp_path: Path, flow: Path
) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("\n".join(f"wrong{i}: 1" for i in range(60)), encoding="utf-8")
    watch = Watch(bad, flow)
    rows = watch.until("Watching;")
    assert re.match(r"\d\d:\d\d:\d\d  NOT PROVEN, 1 of 2$", rows[0])
    assert any(re.match(r"… and \d+ more lines; without", row) for row in rows)
    assert watch.end() == 0


def test_without_a_terminal_nothing_is_cleared_and_ctrl_c_is_a_good_end(
    tmp_path: Path, flow: Path
) -> None:
    out = tmp_path / "out.txt"
    with out.open("w") as file:
        child = subprocess.Popen(
            [sys.executable, "-m", "verify", "flows", "prove", "--watch", str(flow)], stdout=file
        )
        end = time.monotonic() + 20
        while "Ctrl-C ends" not in out.read_text() and time.monotonic() < end:
            time.sleep(0.05)
        child.send_signal(signal.SIGINT)
        assert child.wait(20) == 0
    lines = out.read_text().splitlines()
    assert re.match(PROVEN, lines[0])
    assert "\x1b" not in out.read_text()
    assert lines[-1] == "No longer watching."


def test_what_cannot_be_watched_is_said() -> None:
    for args, words in (((), "no file to watch"), (("intake-leak",), "which is no file")):
        done = keysback("flows", "prove", "--watch", *args)
        assert done.returncode == 2
        assert words in done.stderr


def test_the_parts_that_count_are_found_through_parts(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    flow = tmp_path / "flow.yaml"
    flow.write_text('steps: {a: {kind: part, part: one}, b: {part: "two"}}')
    (tmp_path / "parts" / "one.yaml").write_text("part: three\npart: one")
    found = {str(p.relative_to(tmp_path)) for p in watched([flow])}
    names = ("one", "two", "three")
    assert found == {
        "flow.yaml",
        *(f"{n}.yaml" for n in names),
        *(f"parts/{n}.yaml" for n in names),
    }
    there = [p for p, stamp in stamps(watched([flow])).items() if stamp is not None]
    assert len(there) == 2
