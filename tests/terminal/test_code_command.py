"""`keysback code`: what it says, what it leaves open, and that nothing pasted is lost."""

from __future__ import annotations

import io
import json
import sys

import pytest

from verify.__main__ import main


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["code", *words])
    out = capsys.readouterr()
    return code, out.out, out.err


def words_of(text: str) -> str:
    return " ".join(text.split())


def block(out: str, code: str) -> str:
    start = out.index(code)
    return words_of(out[start : out.index("\n\n", start)])


def test_each_code_says_meaning_definer_class_driving_relearn_and_verify(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, err = shown(capsys, "P2111", "C0035", "U0100", "P1234", "P2176", "B3001")
    assert (code, err) == (0, "")
    stuck = block(out, "P2111")
    assert "stuck open: it could not be commanded closed" in stuck
    assert "by the standard; two public lists agree" in stuck
    assert "■ DO NOT DRIVE" in stuck
    assert "relearn cannot cure it: it points to wiring or a part" in stuck
    assert "verify After the repair: Plate and spring return move freely" in stuck
    wheel = block(out, "C0035")
    assert "other lists: left front wheel speed sensor" in wheel
    assert "public lists disagree: look it up" in wheel
    assert "■ DO NOT DRIVE: a fault read in the brake module" in wheel
    assert "? not forbidden by the code alone" in block(out, "U0100")
    maker = block(out, "P1234")
    assert "by the vehicle's maker" in maker
    assert "? cannot be told from here" in maker
    assert "relearn can cure it, if nothing is leaking" in block(out, "P2176")
    assert "by nobody yet: reserved by the standard" in block(out, "B3001")
    assert "✓" not in out
    assert "Amber lamps that came together with a throttle code" in words_of(out)
    assert "A red brake warning, a hard pedal or any fault read in the brake module" in words_of(
        out
    )
    assert "never allow it" in out


def test_a_maker_s_own_chassis_code_forbids_if_it_came_from_the_brakes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    _, out, _ = shown(capsys, "C1234")
    assert "if it was read in the brake module, yes" in words_of(out)
    assert "forbids driving" in out


def test_amber_lamps_are_no_matter_of_a_code_far_from_the_throttle(
    capsys: pytest.CaptureFixture[str],
) -> None:
    _, out, _ = shown(capsys, "P0420")
    assert "mber lamps" not in out
    assert "red brake" not in out


def test_what_was_not_read_is_listed_with_its_reason(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = shown(capsys, "P2111-00", "lamp", "2111", "P4000", "PO122")
    assert code == 0
    assert "typed P2111-00: failure type 00" in words_of(out)
    assert "Only the groups of the standard (SAE J2012-DA) are known here" in words_of(out)
    assert "PO122: the letter O was read as 0" in words_of(out)
    rest = words_of(out[out.index("Not read") :])
    assert "2111 four digits alone" in rest
    assert "P4000 4 after the letter" in rest
    assert "words lamp" in rest


@pytest.mark.parametrize("words", [["lamp"], ["2111"], [""], ["P0000"], ["--json", "none"]])
def test_nothing_read_is_two(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = shown(capsys, *words)
    assert (code, err) == (2, "")
    assert out


def test_json_says_the_same_and_null_where_it_is_not_known(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, _ = shown(capsys, "p2111-00", "P1234", "P40", "P4000", "--json")
    assert code == 0
    value = json.loads(out)
    stuck, maker = value["codes"]
    assert (stuck["code"], stuck["typed"], stuck["failure_type"]) == ("P2111", "p2111-00", "00")
    assert (stuck["class"], stuck["relearn"], stuck["forbids_driving"]) == ("forbids", "part", True)
    assert maker["known"] is False
    assert maker["forbids_driving"] is None
    assert maker["class"] == "other"
    assert [u["typed"] for u in value["not_read"]] == ["P40", "P4000"]
    assert value["notes"][-1].startswith("A code can forbid driving, never allow it")


def test_a_pasted_screen_comes_in_on_the_standard_input(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pasted = "Stored:\n  P2111-00 x\x1b[31m\xff\n".encode("latin-1")
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(pasted)))
    code, out, _ = shown(capsys, "-")
    assert code == 0
    assert "P2111" in out
    assert "\x1b" not in out
    assert "Stored" in out


def test_no_line_is_wider_than_the_page(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = shown(capsys, "P2111", "C0035", "U0129", "P0138", "P" * 200, "P1234-" + "9" * 90)
    assert max(map(len, out.splitlines())) <= 80
