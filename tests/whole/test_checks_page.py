"""docs/checks.md is what the code says of its checks."""

from __future__ import annotations

import re

import pytest

from tests.conftest import ROOT
from verify.__main__ import main
from verify.evidence.checks.catalogue import CATALOGUE, COMMON
from verify.terminal.check_words import RENEW, page

PAGE = ROOT / "docs" / "checks.md"


def test_the_page_is_the_code_s() -> None:
    found = PAGE.read_text(encoding="utf-8")
    if found != page():
        pytest.fail(f"docs/checks.md is not what the code says; renew it: {RENEW}", pytrace=False)


def test_the_command_that_renews_it_exists(capsys: pytest.CaptureFixture[str]) -> None:
    words = RENEW.split(" > ")[0].split()
    assert words[0] == "keysback"
    assert main(words[1:]) == 0
    assert capsys.readouterr().out == page()


def test_the_page_speaks_of_every_check_and_its_findings() -> None:
    text = page()
    for check in CATALOGUE.values():
        assert f"\n## {check.name}\n" in text
        section = text.split(f"\n## {check.name}\n")[1].split("\n## ")[0]
        assert all(f"`{finding}`" in section for finding in set(check.findings) - set(COMMON))
    links = re.findall(r"\]\(#([\w-]+)\)", text)
    assert links == list(CATALOGUE)


def test_a_check_that_changed_changes_the_page() -> None:
    from dataclasses import replace

    name, check = next(iter(CATALOGUE.items()))
    other = {**CATALOGUE, name: replace(check, question="Is it so?")}
    assert page(other) != page()
