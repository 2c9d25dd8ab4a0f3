"""`keysback listen`: what it prints and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.engines_heard.engine import Engine, finished, hear, noise_of
from tests.engines_heard.files import wav
from tests.engines_heard.key_on import KeyOn, key_ons
from verify.__main__ import main

IDLE = ("--told", "warm,standing,released", "--spec", "idle_speed=720 rpm")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("sounds")
    idle = hear(Engine(seed=6, rpm=720.0, seconds=62.0, rate=16_000, unlike=0.3)).sound
    (made / "idle.wav").write_bytes(wav(idle, 16_000))
    (made / "quiet.wav").write_bytes(wav(key_ons(KeyOn())))
    (made / "ticking.wav").write_bytes(wav(key_ons(KeyOn(ticking_s=5.0))))
    (made / "silent.wav").write_bytes(wav(finished(0.0 * idle), 16_000))
    noise = 0.1 * noise_of("pink", np.random.default_rng(1), 30 * 16_000, 16_000)
    (made / "noise.wav").write_bytes(wav(noise, 16_000))
    (made / "drive.csv").write_text("time_s,engine_speed_rpm\n0,700\n1,701\n2,702\n")
    (made / "picture.wav").write_bytes(b"\xff\xd8\xff\xe0" + bytes(300))
    return made


def shown(
    capsys: pytest.CaptureFixture[str], folder: Path, name: str, *words: str
) -> tuple[int, str, str]:
    code = main(["listen", str(folder / name), *words])
    out = capsys.readouterr()
    return code, " ".join(out.out.split()), out.err


def test_an_idle_is_judged_and_its_octaves_shown(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = shown(capsys, folder, "idle.wav", "--cylinders", "4", *IDLE)
    assert (code, err) == (0, "")
    assert "✓ PASS idle-speed-by-ear" in out
    assert "✓ PASS idle-steady-by-ear" in out
    assert "✓ PASS no-stall-by-ear" in out
    assert "Heard as 4 cylinders: 720 rpm (" in out
    assert "told: warm, standing, released" in out
    assert "62.0 s at 16 kHz" in out
    assert "engine speed, longest stretch judged (rpm)" in out
    assert "In short: ✓ 3 passed" in out
    assert "lets no car go. It was tried on made-up sounds only" in out


def test_without_what_must_be_told_nothing_of_the_idle_passes(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = shown(capsys, folder, "idle.wav", "--cylinders", "4", "--spec", "idle_speed=720")
    assert "? UNDECIDED idle-speed-by-ear not-told" in out
    assert "PASS idle-s" not in out
    _, out, _ = shown(capsys, folder, "idle.wav", *IDLE)
    assert "How many cylinders the engine has is not known" in out
    assert "rpm with 3" in out
    assert "PASS" not in out


def test_key_ons_are_judged_where_their_times_are_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = shown(capsys, folder, "quiet.wav")
    assert "it may have been at 3 s, 18 s" in out
    assert "PASS" not in out
    code, out, _ = shown(capsys, folder, "quiet.wav", "--key-on", "3s,18s")
    assert code == 0
    assert "✓ PASS key-on-ticking" in out
    assert "key on at 3 s, 18 s" in out
    code, out, _ = shown(capsys, folder, "ticking.wav", "--key-on", "3s,18s")
    assert code == 0
    assert "✗ FAIL key-on-ticking ticking" in out


@pytest.mark.parametrize(
    ("name", "words", "said"),
    [
        ("quiet.wav", (), "for example: --key-on 3s,18s"),
        ("idle.wav", (), "for example: --cylinders 4"),
        ("idle.wav", ("--cylinders", "4"), "for example: --told warm,standing,released"),
        ("idle.wav", ("--cylinders", "4", *IDLE[:2]), 'for example: --spec idle_speed="700 rpm"'),
        ("idle.wav", ("--cylinders", "4", *IDLE), ""),
        ("quiet.wav", ("--key-on", "3,18"), ""),
    ],
)
def test_what_was_not_said_is_asked_for_by_its_option(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    name: str,
    words: tuple[str, ...],
    said: str,
) -> None:
    code, out, _ = shown(capsys, folder, name, *words)
    assert code == 0
    assert said in out
    assert ("for example:" in out) == bool(said)


def test_clicks_out_of_quiet_are_asked_about_the_key_and_not_about_an_engine(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = shown(capsys, folder, "quiet.wav")
    assert "? UNDECIDED key-on-ticking" in out
    assert "idle-speed" not in out


def test_the_sound_from_before_stands_beside(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = ("--before", str(folder / "ticking.wav"), "--before-key-on", "3,18")
    code = main(["listen", str(folder / "quiet.wav"), "--key-on", "3,18", *before, "--json"])
    found = json.loads(capsys.readouterr().out)
    assert code == 0
    assert found["before"]["mapping"] == {"(key-on)": "3 s, 18 s", "(told)": "before"}
    (check,) = found["checks"]
    assert check["finding"] == "quiet"
    assert check["ticked_before"] == 2


def test_json_holds_all_that_was_heard(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["listen", str(folder / "idle.wav"), "--cylinders", "4", *IDLE, "--json"])
    found = json.loads(capsys.readouterr().out)
    assert code == 0
    assert found["recording"]["importer"] == "sound"
    speed = next(c for c in found["checks"] if c["check"] == "idle-speed-by-ear")
    assert speed["verdict"] == "pass"
    assert speed["by_ear"]["alternatives"][0]["of_chosen"] == 1.0
    assert {o["cylinders"] for o in speed["by_ear"]["with_other_cylinders"]} == {2, 3, 5, 6, 8}


def test_a_single_check_is_shown_in_full(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--cylinders", "4", *IDLE, "--check", "idle-speed-by-ear")
    _, out, _ = shown(capsys, folder, "idle.wav", *words)
    assert "670 to 770 rpm (idle speed: as typed; ±50 rpm: common practice)" in out
    assert "idle-steady" not in out


@pytest.mark.parametrize(
    "words",
    [
        ("--cylinders", "4"),
        ("--spec", "cylinders=4"),
        ("--spec", "idle_speed=700 rpm"),
        ("--told", "warm"),
    ],
)
@pytest.mark.parametrize("name", ["silent.wav", "noise.wav", "quiet.wav"])
def test_where_nothing_is_heard_what_was_told_of_an_engine_is_still_answered(
    folder: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], name: str
) -> None:
    assert main(["listen", str(folder / name), *words, "--json"]) == 0
    checks = {c["check"]: c for c in json.loads(capsys.readouterr().out)["checks"]}
    assert {"idle-speed-by-ear", "idle-steady-by-ear", "no-stall-by-ear"} <= set(checks)
    for check in checks.values():
        assert check["verdict"] == "undecided"
        assert check["why"]
        assert check["settle"]


def test_silence_is_undecided(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = shown(capsys, folder, "silent.wav", "--cylinders", "4", *IDLE)
    assert code == 0
    assert "The file is silent" in out
    assert "PASS" not in out
    code, out, _ = shown(capsys, folder, "silent.wav", "--key-on", "3,18")
    assert "PASS" not in out


@pytest.mark.parametrize(
    ("name", "words", "said"),
    [
        ("idle.wav", ("--key-on", "99"), "--key-on\n  found a key-on at 99 s"),
        ("idle.wav", ("--key-on", "soon"), '--key-on\n  found "soon"'),
        ("idle.wav", ("--told", "lukewarm"), '--told\n  found "lukewarm"'),
        ("idle.wav", ("--cylinders", "four"), "--spec cylinders"),
        ("idle.wav", ("--check", "idle-sped"), '--check\n  found "idle-sped"'),
        ("idle.wav", ("--before-key-on", "3"), "--before-key-on\n  found times"),
        ("idle.wav", ("--before", "nowhere.wav"), "found a file that cannot be opened"),
        ("drive.csv", (), "found a recording that is no sound"),
        ("picture.wav", (), "found a picture (JPEG)"),
        ("nowhere.wav", (), "found a file that cannot be opened"),
    ],
)
def test_what_cannot_be_judged_is_refused_with_the_option_or_the_file(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    name: str,
    words: tuple[str, ...],
    said: str,
) -> None:
    code, out, err = shown(capsys, folder, name, *words)
    assert code == 2
    assert out == ""
    assert said in err
    assert "Traceback" not in err
    assert len(err.strip().split("\n")) >= 2


def test_judge_takes_a_sound_as_well(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--spec", "cylinders=4", "--map", "(told)=warm standing released"]
    code = main(["judge", str(folder / "idle.wav"), "--spec", "idle_speed=720", *words])
    out = " ".join(capsys.readouterr().out.split())
    assert code == 0
    assert "✓ PASS idle-speed-by-ear" in out


def test_compare_takes_two_sounds_with_times_of_their_own(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [str(folder / "ticking.wav"), str(folder / "quiet.wav")]
    code = main(["compare", *files, "--key-on-before", "3,18", "--key-on-after", "3s, 18s"])
    out = " ".join(capsys.readouterr().out.split())
    assert code == 0
    assert "▲ BETTER key-on-ticking ✗ FAIL → ✓ PASS" in out
    code = main(["compare", *files, "--key-on-after", "99"])
    err = capsys.readouterr().err
    assert code == 2
    assert "--key-on-after\n  found a key-on at 99 s" in err
    idle = str(folder / "idle.wav")
    words = ["--cylinders", "4", "--told", "warm standing released", "--spec", "idle_speed=720"]
    code = main(["compare", idle, str(folder / "silent.wav"), *words])
    out = " ".join(capsys.readouterr().out.split())
    assert code == 0
    assert "? CANNOT TELL idle-speed-by-ear" in out
