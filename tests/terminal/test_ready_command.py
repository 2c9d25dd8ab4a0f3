"""`keysback ready`: the answer in words and as JSON, and every bad input in one clear message."""

from __future__ import annotations

import json

import pytest

from verify.__main__ import main

REPLY = "41 01 00 07 65 04"
PERMANENT = (REPLY, "--year", "2012", "--where", "california", "--permanent", "P0420")
HEAVY = ("41 01 00 0F EB 00", "--year", "2015", "--where", "california-heavy")


def ready(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["ready", *words])
    out, err = capsys.readouterr()
    return code, out, err


def test_the_answer_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = ready(
        capsys, REPLY, "--year", "2005", "--where", "california", "--fuel", "gasoline"
    )
    assert (code, err) == (0, "")
    assert out.startswith("WOULD PASS  california\n")
    text = " ".join(out.split())
    for words in (
        "least sure of these rules is second-hand: check it before you rely on it",
        "Evaporative system: a cold start",
        "16 CCR 3340.42.2(c)(1)",
        "Not barred by this; proof to follow: evaporative system: not complete",
        "(nobody has looked)",
        "no statutory test",
    ):
        assert words in text
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        ([REPLY, "--year", "2005", "--where", "federal"], "would pass"),
        (["41 01 00 07 65 05", "--year", "2005", "--where", "federal"], "would be turned away"),
        (["41 01 00 07 65 01", "--year", "2005", "--where", "california"], "would fail"),
        ([REPLY, "--year", "2012", "--where", "california"], "undecided"),
        ([REPLY, "--year", "2012", "--where", "california", "--permanent", "none"], "would pass"),
        (
            [*PERMANENT, "--warm-ups", "14", "--distance", "120 mi"],
            "would fail",
        ),
        (
            [*PERMANENT, "--warm-ups", "255", "--distance", "65535 km"],
            "would pass",
        ),
        ([REPLY, "--year", "2005", "--where", "somewhere else"], "undecided"),
        ([REPLY, "--year", "2005", "--where", "federal", "--connector", "not"], "would fail"),
        ([REPLY, "--year", "2005", "--where", "california", "--lamp", "lit"], "would fail"),
        ([REPLY, "--year", "2005", "--where", "california", "--key-on", "dark"], "would fail"),
        (
            [REPLY, "41 01 81 04 00 00", "--year", "2005", "--where", "federal"],
            "would fail",
        ),
        (
            [*HEAVY, "--permanent", "none", "--time", "100 min"],
            "would be turned away",
        ),
    ],
)
def test_each_answer_as_json(
    capsys: pytest.CaptureFixture[str], words: list[str], answer: str
) -> None:
    code, out, err = ready(capsys, *words, "--json")
    assert (code, err) == (0, "")
    found = json.loads(out)
    assert found["answer"] == answer
    assert found["hand_back"]["bars"] is False
    assert all(rule["source"] and rule["sure"] and rule["date"] for rule in found["rules"])


def test_boxes_as_a_reader_shows_them(capsys: pytest.CaptureFixture[str]) -> None:
    once = ["catalyst", "evap", "o2", "o2 heater", "egr", "gpf", "heated catalyst", "secondary air"]
    boxes = [w for name in once for w in ("--box", f"{name}=ready")]
    more = ["--mil", "off", "--codes", "0", "--year", "2005", "--where", "california", "--json"]
    assert json.loads(ready(capsys, *boxes, *more)[1])["answer"] == "would pass"
    found = json.loads(ready(capsys, *boxes[2:], *more)[1])
    assert found["answer"] == "undecided"
    assert found["status"]["monitors"]["catalyst"] == "not read"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--year", "2005", "--where", "federal"], "no reply and no box"),
        (["rubbish", "--year", "2005", "--where", "federal"], '"rubbish"'),
        ([REPLY, "--year", "05", "--where", "federal"], "four digits"),
        ([REPLY, "--year", "MMV", "--where", "federal"], "--year"),
        ([REPLY, "--year", "2005", "--where", "federal", "--warm-ups", "256"], "--warm-ups"),
        ([REPLY, "--year", "2005", "--where", "federal", "--warm-ups", "1.5"], "--warm-ups"),
        ([REPLY, "--year", "2005", "--where", "federal", "--distance", "9 kg"], "--distance"),
        ([REPLY, "--year", "2005", "--where", "federal", "--distance", "99999 km"], "--distance"),
        ([REPLY, "--year", "2005", "--where", "federal", "--permanent", "lots"], "--permanent"),
        ([REPLY, "--year", "2005", "--where", "federal", "--box", "a=b"], "a reply and boxes"),
        (["--box", "catalist=ready", "--year", "2005", "--where", "x"], 'write "catalyst"'),
        (["--box", "catalyst", "--year", "2005", "--where", "x"], "--box"),
        (["--box", "misfire=ready", "--year", "2005", "--where", "federal"], "both have"),
        (
            ["--box", "evap=ready", "--codes", "128", "--year", "2005", "--where", "x"],
            "--codes",
        ),
    ],
)
def test_bad_input_is_one_clear_message(
    capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    code, out, err = ready(capsys, *words)
    assert code == 2
    assert out == ""
    assert said in err
    assert "Traceback" not in err
