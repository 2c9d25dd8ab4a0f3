"""`keysback decode`: what it prints, at most 80 columns wide, and what it refuses."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from tests.conftest import real_recording
from verify.__main__ import main

VIN = "49 02 01 31 47 34 41 48 35 39 48 34 35 47 31 31 38 33 34 31"
BUS_LOG = "ca08225eb083727e67b4703c0395bc66c644902f3f8cd5546c805a304ba9f02b"


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["decode", *words])
    out = capsys.readouterr()
    assert all(len(line) <= 80 for line in out.out.splitlines())
    return code, out.out, out.err


def test_status_bytes_are_told_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = shown(capsys, "41 01 81 07 E5 E5")
    assert (code, err) == (0, "")
    words = " ".join(out.split())
    assert "lamp commanded on; 1 stored code; spark ignition; not complete: catalyst," in words


def test_a_page_of_different_answers(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = shown(
        capsys, "7E8 06 43 02 21 11 01 22 AA", "7E8 03 41 62 7D 00 00 00 00", VIN, "NO DATA",
        "41 0C 1G F8", "NO DATA", "42 05 00 7B",
    )  # fmt: skip
    assert code == 0
    assert out == (
        "from 7E8\n"
        "          stored codes\n"
        "  P2111   throttle stuck open: it could not be commanded closed\n"
        "  P0122   throttle or pedal position sensor A: signal too low\n"
        "  62      torque delivered, share of the reference  0 %\n"
        "sender not named\n"
        "  02      vehicle identification number           1G4************41\n"
        "  05 ff0  coolant temperature                     83 °C\n"
        "\n"
        "What these bytes mean is from memory, no list was seen: 62\n"
        "\n"
        "Not read\n"
        "  line 4: NO DATA (2 such lines)\n"
        "  line 5: 41 0C 1G F8\n"
        '    "1G" is no byte, so none of the line is read\n'
    )


def test_bytes_without_quotes_are_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert "P2111" in shown(capsys, "43", "02", "21", "11", "01", "22")[1]
    assert "83 °C" in shown(capsys, "7E8", "03", "41", "05", "7B")[1]


def test_the_vin_is_masked_unless_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    line = "VIN 1G4AH59H45G118341"
    for options in ([], ["--json"], ["--all"]):
        out = shown(capsys, VIN, line, *options)[1]
        assert "118341" not in out
        assert "1G4************41" in out
        assert out.count("118341") == 0
    assert shown(capsys, VIN, line, "--show-vin")[1].count("1G4AH59H45G118341") == 2


def test_json_holds_exact_numbers_and_everything_not_read(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, _ = shown(capsys, "41 04 40", "NO DATA", "41 0C 1A", "--json")
    assert code == 0
    value = json.loads(out)
    (number,) = value["answers"][0]["values"]
    assert (number["exact"], number["raw"], number["unit"]) == ("1280/51", 64, "%")
    assert (number["channel"], number["sure"]) == ("load", "S2")
    assert value["not_read"] == [{"line": 2, "found": "NO DATA", "why": "no bytes"}]
    assert value["remarks"] == [{"line": 3, "text": "engine speed (0C): 1 of 2 bytes, so not read"}]


def test_where_nothing_was_answered_the_exit_code_says_so(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert shown(capsys, "NO DATA")[0] == 2
    assert shown(capsys, "01 0C")[0] == 2
    assert shown(capsys, "41 0C 1A")[0] == 2


def test_a_file_and_the_input_are_read(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.txt"
    for data in (b"41 05 7B\r\n", "41 05 7B\n".encode("utf-16"), b"\xef\xbb\xbf41 05 7B"):
        path.write_bytes(data)
        assert "83 °C" in shown(capsys, "--file", str(path))[1]
        for words in (["-"], ["--file", "-"]):
            monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
            assert "83 °C" in shown(capsys, *words)[1]
    path.write_bytes(b"Stra\xdfe\n41 05 7B\n")
    out = shown(capsys, "--file", str(path))[1]
    assert out.startswith("The text is no UTF-8; it was read one byte a sign.\n")
    assert "83 °C" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "found nothing to read"),
        (["  "], "found nothing to read"),
        (["--file", "no-such-file"], "no-such-file\n  found a file that cannot be read"),
        (["--file", "."], "found a file that cannot be read"),
        (["--file", "a\0b"], "found a file that cannot be read"),
        (["41 05 7B", "--file", "x"], "found lines and a file; expected one of them"),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_reason(
    capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    code, out, err = shown(capsys, *words)
    assert (code, out) == (2, "")
    assert said in err


def test_what_is_pasted_does_not_steer_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = shown(capsys, "\x1b[2J[bold]41 05 7B[/bold]\x07", "41 05 7B")
    assert "\x1b" not in out
    assert "[bold]" in out


def test_a_long_log_is_summed_up_and_counted(capsys: pytest.CaptureFixture[str]) -> None:
    log = str(real_recording(BUS_LOG))
    code, out, _ = shown(capsys, "--file", log)
    assert code == 0
    rows = {line.rpartition(",")[0] or line: line.split() for line in out.splitlines()}
    assert rows["engine speed"][-5:] == ["762", "0.00", "0.00", "3127.00", "1815.00"]
    assert rows["coolant temperature"][-5:] == ["381", "29", "29", "91", "91"]
    assert rows["control module voltage"][-5:] == ["127", "12.320", "11.300", "14.440", "12.860"]
    assert len(out.splitlines()) < 30
    assert len(shown(capsys, "--file", log, "--all")[1].splitlines()) > 4610
