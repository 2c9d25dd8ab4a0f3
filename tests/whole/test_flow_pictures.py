"""docs/flows is what the code draws of the library."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import ROOT
from verify.__main__ import main

PAGES = ROOT / "docs" / "flows"
RENEW = "keysback flows draw --all docs/flows"


def test_the_pages_are_the_code_s(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*RENEW.split()[1:-1], str(tmp_path)]) == 0
    capsys.readouterr()
    made = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    kept = {p.name: p.read_bytes() for p in PAGES.iterdir()}
    other = sorted(n for n in made.keys() | kept.keys() if made.get(n) != kept.get(n))
    if other:
        pytest.fail(f"not what the code draws: {', '.join(other)}; renew: {RENEW}", pytrace=False)
