"""Packaged files: found in a checkout and in a wheel, read-only, hashed by their bytes."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import ROOT
from verify import tables
from verify.errors import UserError


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An installation in another folder, with nothing in it yet."""
    package = tmp_path / "site" / "verify"
    package.mkdir(parents=True)
    monkeypatch.setattr(tables, "_PACKAGE", package)
    caches = (tables.data_root, tables.rows, tables.table_hash)
    for cached in caches:
        cached.cache_clear()
    yield package
    for cached in caches:
        cached.cache_clear()


def lay(root: Path, caution: str) -> None:
    (root / "flows").mkdir(parents=True)
    (root / "seeds").mkdir()
    text = f"hazard,caution\nrolling,{caution}\n"
    (root / "seeds" / "hazards.csv").write_text(text, encoding="utf-8")


def test_a_checkout_keeps_its_files_beside_the_package() -> None:
    assert tables.data_root() in (ROOT, ROOT / "verify" / "_data")
    assert tables.read_bytes("seeds/hazards.csv")


def test_a_wheel_carries_its_files_inside_and_they_win(elsewhere: Path) -> None:
    lay(elsewhere.parent, "beside")
    assert tables.rows("seeds/hazards.csv")[0]["caution"] == "beside"
    lay(elsewhere / "_data", "inside ü")
    for cached in (tables.data_root, tables.rows):
        cached.cache_clear()
    assert tables.data_root() == elsewhere / "_data"
    assert tables.rows("seeds/hazards.csv")[0]["caution"] == "inside ü"


def test_an_installation_without_its_files_says_so(elsewhere: Path) -> None:
    with pytest.raises(UserError, match="an installation without its flows and tables"):
        tables.data_root()


def test_a_missing_file_is_answered_with_the_nearest() -> None:
    with pytest.raises(UserError) as caught:
        tables.read_bytes("seeds/hazard.csv")
    [problem] = caught.value.problems
    assert (problem.found, problem.next) == ('"seeds/hazard.csv"', 'write "seeds/hazards.csv"')
    for name in ("nowhere/at-all.csv", "seeds"):
        with pytest.raises(UserError):
            tables.read_bytes(name)


def test_the_hash_is_that_of_the_bytes() -> None:
    for name in tables.listing("seeds", ".csv"):
        raw = tables.read_bytes(f"seeds/{name}")
        assert tables.table_hash(f"seeds/{name}") == hashlib.sha256(raw).hexdigest()


def test_rows_carry_their_columns_and_a_ragged_row_is_a_mistake(elsewhere: Path) -> None:
    lay(elsewhere.parent, "Brake on")
    assert tables.rows("seeds/hazards.csv") == ({"hazard": "rolling", "caution": "Brake on"},)
    for ragged in ("a,b\n1\n", "a,b\n1,2,3\n"):
        (elsewhere.parent / "seeds" / "hazards.csv").write_text(ragged, encoding="utf-8")
        tables.rows.cache_clear()
        with pytest.raises(ValueError, match=r"seeds/hazards\.csv, line 2"):
            tables.rows("seeds/hazards.csv")


def test_listings_are_sorted_and_only_of_the_folder_itself(elsewhere: Path) -> None:
    lay(elsewhere.parent, "x")
    flows = elsewhere.parent / "flows"
    (flows / "parts").mkdir()
    for name in ("b.yaml", "a.yaml", "a.txt", "parts/c.yaml"):
        (flows / name).write_text("", encoding="utf-8")
    assert tables.listing("flows", ".yaml") == ("a.yaml", "b.yaml")
    assert tables.listing("nowhere", ".yaml") == ()
