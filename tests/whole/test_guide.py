"""docs/write-your-first-flow.md works when it is followed to the letter.

The page is played from top to bottom in an empty folder: its commands are typed, its files written,
its lines looked for and replaced, and what it shows is compared. What a block is for stands behind
its language: `console` (commands and what they say; "…" stands for anything), `yaml find` and
`yaml put` (in the flow), `yaml shown` (stands in the flow), `yaml file NAME`, `text typed` (what is
typed at the next command).
"""

from __future__ import annotations

import os
import re
import shlex
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.conftest import ROOT
from verify import tables

PAGE = ROOT / "docs" / "write-your-first-flow.md"
TEXT = PAGE.read_text(encoding="utf-8")
FLOW = "starter-motor-replaced.yaml"
BLOCK = re.compile(r"^```(\w+)(?: ([^\n]*))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
KINDS = ("console", "yaml shown", "yaml find", "yaml put", "yaml file", "text typed")


@dataclass
class Reader:
    """Somebody who does what the page says, in `folder`, and takes it to the letter."""

    folder: Path
    typed: str = ""
    find: str = ""
    done: list[str] = field(default_factory=list)

    @property
    def flow(self) -> Path:
        return self.folder / FLOW

    def block(self, language: str, role: str, body: str) -> None:
        kind = " ".join([language, *role.split()[:1]])
        self.done.append(kind)
        if kind == "console":
            self.console(body)
        elif kind == "yaml shown":
            assert body in self.flow.read_text(encoding="utf-8"), body
        elif kind == "yaml find":
            assert self.flow.read_text(encoding="utf-8").count(body) == 1, f"not once:\n{body}"
            self.find = body
        elif kind == "yaml put":
            assert self.find, "nothing was looked for"
            text = self.flow.read_text(encoding="utf-8")
            self.flow.write_text(text.replace(self.find, body), encoding="utf-8")
            self.find = ""
        elif kind == "yaml file":
            (self.folder / role.split()[1]).write_text(body, encoding="utf-8")
        else:
            assert kind == "text typed", kind
            self.typed = body

    def console(self, body: str) -> None:
        assert body.startswith("$ ")
        for part in body.removeprefix("$ ").split("\n$ "):
            command, _, shown = part.partition("\n")
            said = self.run(shlex.split(command))
            pattern = re.escape(shown.rstrip("\n")).replace("…", "[\\s\\S]*?")
            assert re.fullmatch(pattern, said.rstrip("\n")), f"$ {command}\n{said}"

    def run(self, words: list[str]) -> str:
        assert words[0] == "keysback"
        env = {**os.environ, "PYTHONPATH": str(ROOT), "KEYSBACK_STORE": str(self.folder / "jobs")}
        child = subprocess.Popen(
            [sys.executable, "-m", "verify", *words[1:]],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=self.folder,
            env=env,
        )
        if "--watch" in words:
            assert child.stdout is not None
            lines = []
            while "Ctrl-C ends" not in "".join(lines):
                lines.append(child.stdout.readline())
                assert lines[-1], "it ended by itself"
            time.sleep(0.3)
            child.send_signal(signal.SIGINT)
            return "".join(lines) + child.communicate(timeout=60)[0]
        typed, self.typed = self.typed, ""
        said: str = child.communicate(typed, timeout=60)[0]
        assert "Traceback" not in said
        return said


def test_the_page_works_when_it_is_followed_to_the_letter(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    for language, role, body in BLOCK.findall(TEXT):
        reader.block(language, role, body)
    assert reader.find == ""
    assert reader.typed == ""
    assert set(reader.done) == set(KINDS)
    assert {p.name for p in tmp_path.iterdir()} == {
        FLOW,
        "answers.yaml",
        "starter-motor-replaced-card.html",
        "jobs",
    }
    jobs = reader.run(["keysback", "jobs"])
    assert "Starter motor replaced" in jobs or "starter-motor-replaced" in jobs


def test_no_block_is_of_a_kind_that_nobody_plays() -> None:
    assert TEXT.count("```") == 2 * len(BLOCK.findall(TEXT))
    for language, role, _ in BLOCK.findall(TEXT):
        assert " ".join([language, *role.split()[:1]]) in KINDS


def test_the_repair_is_none_of_the_library() -> None:
    assert FLOW not in tables.listing("flows", ".yaml")


def test_the_steps_of_the_page_are_in_order_and_its_links_lead_somewhere() -> None:
    numbers = [int(n) for n in re.findall(r"^## (\d+)\. ", TEXT, re.MULTILINE)]
    assert numbers == list(range(1, len(numbers) + 1))
    for link in re.findall(r"\]\(([\w.-]+)\)", TEXT):
        assert (PAGE.parent / link).is_file(), link


def test_a_page_that_says_something_else_is_noticed(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    with pytest.raises(AssertionError):
        reader.console("$ keysback checks charging\nDoes the generator … ?\n")
