"""`keysback judge`: what it prints, what it refuses, and that colour is never needed."""

from __future__ import annotations

import io
import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console
from rich.style import Style

from tests.nasty import SPECS, broken_files, drive, with_values
from verify.__main__ import main
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.checks.ear import ENGINE_CHECKS, KEY_CHECK
from verify.evidence.recording import Channel
from verify.evidence.verdict import CheckResult, Limits, Window
from verify.terminal.complaint_words import complaint_of, proof_of
from verify.terminal.show_verdict import limits_text, measured, trace_plot, verdict_block
from verify.terminal.verdict_list import arranged, not_judged, tally
from verify.words import Verdict

HEAD = "time [s],engine rpm [rpm],vehicle speed [km/h],accelerator pedal [%],coolant [°C]"


def rows(seconds: int = 200) -> list[str]:
    """Idle, three presses, idle: written out, twice a second."""
    made = []
    for number in range(2 * seconds):
        t = number / 2
        pressed = 90 <= t < 120 and t % 10 < 5
        rpm = 1900 if pressed else 700 + (number * 37 % 19) - 9
        made.append(f"{t:.1f},{rpm},0,{20 if pressed else 0},90")
    return made


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "drive.csv"
    path.write_text("\n".join([HEAD, *rows()]) + "\n", encoding="utf-8")
    return str(path)


def shown(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["judge", *words])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_words_numbers_limits_and_why(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = shown(capsys, file, "--spec", "idle_speed=700 rpm", "--all")
    assert (code, err) == (0, "")
    assert re.search(r"✓ PASS +idle-speed +in-range", out)
    assert re.search(r"measured +700.* ± .* rpm \(k = 2\)", out)
    assert "650 to 750 rpm (idle speed: as typed; ±50 rpm: common practice)" in " ".join(
        out.split()
    )
    assert re.search(r"\? UNDECIDED +road-coverage +not-yet", out)
    assert "settles it" in out
    assert "engine speed, longest stretch judged (rpm)" in out
    assert "\x1b" not in out
    assert max(len(line) for line in out.splitlines() if file not in line) <= 80


def narrow(results: list[CheckResult], width: int = 80) -> str:
    stream = io.StringIO()
    console = Console(file=stream, width=width, highlight=False)
    for block in arranged(results):
        console.print(block)
        console.print()
    console.print(tally(results))
    return stream.getvalue()


def result(check: str, verdict: Verdict, finding: str, why: str, settle: str = "") -> CheckResult:
    return CheckResult(check, 1, verdict, finding, why, settle)


MANY = [
    result("a-pass", Verdict.PASS, "fine", "all is fine."),
    result("b-open", Verdict.UNDECIDED, "near-limit", "too near to tell.", "drive on for 5 min"),
    result("c-fail", Verdict.FAIL, "bad", "it is bad."),
    result("d-none", Verdict.UNDECIDED, "channel-missing", "the recording has no pedal channel."),
    result("e-none", Verdict.UNDECIDED, "channel-missing", "the recording has no pedal channel."),
    result("f-open", Verdict.UNDECIDED, "too-short", "only 3 s.", "drive on for 5 min"),
    result("g-none", Verdict.UNDECIDED, "channel-missing", "the recording has no coolant channel."),
    result("i-open", Verdict.UNDECIDED, "not-warm", "it is cold.", "drive on for 5 min"),
    result("j-open", Verdict.UNDECIDED, "not-warm", "it is cold.", "drive on for 5 min"),
    result("h-fail", Verdict.FAIL, "bad", "it is bad too."),
]


def test_what_fails_stands_first_and_what_is_not_there_is_one_sentence() -> None:
    lines = [line.rstrip() for line in narrow(MANY).splitlines()]
    assert [line for line in lines if line] == [
        "✗ FAIL  c-fail  bad",
        "              It is bad.",
        "✗ FAIL  h-fail  bad",
        "              It is bad too.",
        "? UNDECIDED  b-open  near-limit",
        "              Too near to tell.",
        "? UNDECIDED  f-open  too-short",
        "              Only 3 s.",
        "? UNDECIDED  i-open, j-open  not-warm",
        "              It is cold.",
        "  settles all Drive on for 5 min.",
        "✓ PASS  a-pass  All is fine.",
        "Not judged, so undecided: d-none, e-none: no pedal channel; g-none: no coolant",
        "channel. What each needs: --all",
        "In short: ✗ failed: c-fail, h-fail · ? 4 undecided · ✓ 1 passed · 3 not judged",
    ]


def test_no_check_is_lost_on_a_narrow_screen() -> None:
    text = narrow(MANY, 60)
    assert max(len(line) for line in text.splitlines()) <= 60
    for one in MANY:
        assert one.check in text


def test_a_result_with_a_number_is_never_folded() -> None:
    one = replace(MANY[3], value=1.0, unit="rpm", uncertainty=1.0)
    assert not not_judged(one)
    assert not not_judged(replace(MANY[3], verdict=Verdict.PASS))
    assert not_judged(MANY[3])


def test_every_check_has_its_word_in_the_short_form_too(
    file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = shown(capsys, file, "--spec", "idle_speed=700 rpm")
    assert re.search(r"✓ PASS +idle-speed +700.* ± .* rpm \(650 to 750 rpm\)", out)
    assert re.search(r"\? UNDECIDED +road-coverage +not-yet", out)
    assert "lets no car" in out
    by_ear = {*ENGINE_CHECKS, KEY_CHECK}
    for name in CATALOGUE:
        # Nobody misses a sound beside the car's own data, unless every check is asked for.
        assert (name in out) is (name not in by_ear), name
    _, every, _ = shown(capsys, file, "--spec", "idle_speed=700 rpm", "--all")
    assert all(name in every for name in CATALOGUE)
    _, out, _ = shown(capsys, file, "--spec", "idle_speed=1500 rpm")
    assert out.index("✗ FAIL") < out.index("? UNDECIDED") < out.index("✓ PASS")
    assert "failed: idle-speed" in out


def test_a_complaint_is_held_against_the_drive(
    file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = shown(capsys, file, "--complaint", "1 in 20 presses")
    assert code == 0
    flat = " ".join(out.split())
    assert '? UNDECIDED complaint "1 in 20 presses"' in flat
    # Zero in 3 presses: 1 − 0.05^(1/3) = 0.632; 59 clean ones rule out 1 in 20 at 95 %.
    assert "63.2 of 100" in flat
    assert "56 more presses" in flat
    assert "3 times the pedal was pressed and let go again" in flat
    assert "if it came on this drive, it is not gone" in flat


@pytest.mark.parametrize(
    ("words", "clean", "unit"),
    [
        ("every 60 km", 0.0, "km"),
        ("every 40 miles", 0.0, "mi"),
        ("every 2 min", 3.32, "min"),
        ("twice a day", 0.0, "day"),
        ("every 3 starts", 0.0, "starts"),
        ("1 in 10 gear changes", 0.0, "gear changes"),
        ("1 in 20 lift-offs", 3.0, "lift-offs"),
    ],
)
def test_what_a_complaint_is_counted_in_comes_from_the_recording(
    words: str, clean: float, unit: str, file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = shown(capsys, file, "--complaint", words, "--json")
    said = json.loads(out)["complaint"]
    assert (said["unit"], said["complaint"]) == (unit, words)
    assert said["clean"] == pytest.approx(clean, abs=0.05)
    assert said["verdict"] == "undecided"
    assert said["counted"]


def test_distance_and_starts_are_counted() -> None:
    """30 min at 70 km/h are 35 km; half a step of 1 km/h below that is sure."""
    made = drive((("off", 5.0), ("crank", 1.0), ("idle", 20.0), ("road", 1800.0), ("idle", 20.0)))
    said = proof_of(complaint_of("every 60 km"), [made, made], ())
    assert said.proof.clean == pytest.approx(2 * 35.0, rel=0.02)
    assert said.proof.clean <= 2 * 35.1
    assert proof_of(complaint_of("every 3 starts"), [made], ()).proof.clean == 1.0


def test_an_event_that_a_check_saw_makes_the_drive_unclean() -> None:
    stalls = CheckResult(
        "no-stall", 1, Verdict.FAIL, "stalled", "the engine stopped at 40 km/h.", value=1.0,
        unit="1", details={"exposure": {"idle_s": 60.0}},
    )  # fmt: skip
    said = proof_of(complaint_of("every 3 presses"), [drive()], [stalls])
    assert said.proof.verdict is Verdict.FAIL
    assert "not clean: no-stall" in drawn(said.block())
    assert said.to_json()["assumes"] == ""


@pytest.mark.parametrize(
    ("check", "verdict", "finding"),
    [
        ("throttle-return", Verdict.FAIL, "stuck-open"),
        ("no-stall", Verdict.UNDECIDED, "stop-unclear"),
        ("no-response", Verdict.UNDECIDED, "answer-unclear"),
        ("hesitation", Verdict.UNDECIDED, "sometimes-hesitates"),
    ],
)
def test_a_drive_is_not_taken_as_clean_where_a_check_saw_what_may_have_been_it(
    check: str, verdict: Verdict, finding: str
) -> None:
    complaint = complaint_of("every 2 presses")
    clean = proof_of(complaint, [drive(), drive()], ())
    assert clean.proof.verdict is Verdict.PASS
    assert "Taken as clean" in drawn(clean.block())
    seen = CheckResult(check, 1, verdict, finding, "something was seen at 40 s.")
    said = proof_of(complaint, [drive(), drive()], [seen])
    assert said.proof.verdict is Verdict.UNDECIDED
    assert f"open, by {check}: something was seen" in " ".join(drawn(said.block()).split())
    assert said.proof.settle
    assert (said.to_json()["assumes"], "Taken as clean" in drawn(said.block())) == ("", False)


def test_json_is_as_documented(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = shown(capsys, file, "--spec", "idle_speed=700 rpm", "--json")
    value = json.loads(out)
    assert code == 0
    assert set(value) == {"recording", "checks"}
    assert {"rows", "seconds", "channels", "repairs"} <= set(value["recording"])
    assert value["recording"]["rows"] == 400
    engine = value["recording"]["channels"]["engine_speed"]
    assert (engine["unit"], engine["rate_hz"], engine["resolution"]) == ("rpm", 2.0, 1.0)
    assert [c["check"] for c in value["checks"]] == list(CATALOGUE)
    for check in value["checks"]:
        assert set(check) >= {
            *("check", "verdict", "finding", "value", "unit", "uncertainty", "limits"),
            *("probability", "windows", "why", "settle"),
        }
        assert check["verdict"] in set(Verdict)
    coverage = next(c for c in value["checks"] if c["check"] == "road-coverage")
    assert "met_at_s" in coverage


def test_one_check_alone(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = shown(capsys, file, "--check", "no-stall", "--json")
    assert [c["check"] for c in json.loads(out)["checks"]] == ["no-stall"]


def test_specs_from_a_file_and_a_typed_one_before_it(
    file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    specs = tmp_path / "car.yaml"
    specs.write_text(
        "idle_speed:\n  value: 900 rpm\n  source: service information\nbolt_torque: 10 N·m\n",
        encoding="utf-8",
    )
    _, out, _ = shown(capsys, file, "--specs", str(specs), "--check", "idle-speed")
    assert "FAIL" in out
    assert "service information" in out
    assert "No check uses these specs: bolt_torque." in out
    _, out, _ = shown(
        capsys, file, "--specs", str(specs), "--spec", "idle_speed=700", "--check", "idle-speed"
    )
    assert "PASS" in out


def test_any_verdict_ends_with_0(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert shown(capsys, file, "--spec", "idle_speed=1500 rpm")[0] == 0
    assert shown(capsys, file)[0] == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--spec", "idle_speed"], "idle_speed"),
        (["--spec", "idle_speed="], "idle_speed="),
        (["--spec", "idle_sped=700 rpm"], 'write "idle_speed"'),
        (["--spec", "idle_speed=700 rmp"], "rpm"),
        (["--spec", "idle_speed=70 °C"], "rotational speed"),
        (["--spec", "idle_speed=fast"], "fast"),
        (["--check", "idle-sped"], 'write "idle-speed"'),
        (["--specs", "{missing}"], "missing.yaml"),
        (["--specs", "{bad}"], "bad.yaml:2"),
        (["--specs", "{doubled}"], "doubled.yaml"),
        (["--specs", "{list}"], "list.yaml"),
        (["--specs", "{word}"], "idle_speed"),
        (["--map", "rpm"], "--map"),
        (["--map", "engine rpm [rpm]=engine_sped"], "engine_sp"),
        (["--every", "soon"], "--every"),
        (["--every", "-1"], "interval"),
        (["--complaint", "now and then"], "--complaint"),
        (["--complaint", "every 5 kg"], "distance"),
    ],
)
def test_bad_input_is_one_clear_message_and_2(
    words: list[str], says: str, file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = {
        "bad": "idle_speed: 700 rpm\n  x: [\n",
        "doubled": "idle_speed: 700 rpm\nidle_speed: 800 rpm\n",
        "list": "- 700 rpm\n",
        "word": "idle_speed: yes please\n",
    }
    for name, text in made.items():
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    names = {n: str(tmp_path / f"{n}.yaml") for n in (*made, "missing")}
    code, out, err = shown(capsys, file, *(w.format(**names) if "{" in w else w for w in words))
    assert code == 2
    assert out == ""
    assert says in err
    assert "Traceback" not in err


def test_a_file_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = shown(capsys, str(tmp_path / "none.csv"))
    assert code == 2
    assert "none.csv" in err
    assert shown(capsys, str(tmp_path))[0] == 2


@pytest.mark.parametrize("name", broken_files())
def test_broken_files_end_with_0_or_2(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "broken.csv"
    path.write_bytes(broken_files()[name])
    code, _, err = shown(capsys, str(path))
    assert code in (0, 2)
    assert (code == 2) is bool(err)


def test_a_file_without_time_needs_every(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "no-time.csv"
    head = HEAD.split(",", 1)[1]
    path.write_text("\n".join([head, *(r.split(",", 1)[1] for r in rows())]), encoding="utf-8")
    assert shown(capsys, str(path))[0] == 2
    code, out, _ = shown(capsys, str(path), "--every", "0.5", "--spec", "idle_speed=700", "--json")
    assert code == 0
    assert json.loads(out)["checks"][0]["finding"] == "in-range"


def drawn(thing: object, **how: object) -> str:
    stream = io.StringIO()
    console = Console(file=stream, width=80, highlight=False, **how)  # type: ignore[arg-type]
    console.print(thing)
    return stream.getvalue()


def of(verdict: Verdict) -> CheckResult:
    settle = "do it again" if verdict is Verdict.UNDECIDED else ""
    return CheckResult(
        "idle-speed", 1, verdict, "f", "because.", settle,
        value=712.3, unit="rpm", uncertainty=4.2, limits=Limits(650.0, 750.0, "rpm", "a source"),
    )  # fmt: skip


def test_colour_only_repeats_the_words(monkeypatch: pytest.MonkeyPatch) -> None:
    for verdict, word, mark in (
        (Verdict.PASS, "PASS", "✓"),
        (Verdict.FAIL, "FAIL", "✗"),
        (Verdict.UNDECIDED, "UNDECIDED", "?"),
    ):
        monkeypatch.delenv("NO_COLOR", raising=False)
        coloured = drawn(verdict_block(of(verdict)), force_terminal=True, color_system="truecolor")
        assert "\x1b[" in coloured
        monkeypatch.setenv("NO_COLOR", "1")
        bare = drawn(verdict_block(of(verdict)), force_terminal=True)
        assert f"{mark} {word}" in re.sub(r"\x1b\[[0-9;]*m", "", bare)
        assert not re.search(r"\x1b\[[0-9;]*3[0-8]", bare), "a colour in spite of NO_COLOR"


def test_the_three_colours_are_blue_orange_and_grey(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    # rich keeps the codes of a style as they were first drawn, perhaps for a poorer terminal.
    Style.parse.cache_clear()
    Style._add.cache_clear()
    codes = {
        v: set(
            re.findall(
                r"38;2;(\d+;\d+;\d+)",
                drawn(verdict_block(of(v)), force_terminal=True, color_system="truecolor"),
            )
        )
        for v in Verdict
    }
    assert codes[Verdict.PASS] == {"0;114;178"}
    assert codes[Verdict.FAIL] == {"213;94;0"}


def test_units_of_the_person() -> None:
    cold = CheckResult(
        "x", 1, Verdict.PASS, "f", "w", value=30.0, unit="°C", uncertainty=1.0,
        limits=Limits(20.0, 40.0, "°C", "s"),
    )  # fmt: skip
    assert measured(cold, "us") == "86.0 ± 3.6 °F (k = 2)"
    assert limits_text(cold.limits, "us") == "68 to 104 °F (s)"
    assert measured(of(Verdict.PASS)) == "712.3 ± 8.4 rpm (k = 2)"
    assert limits_text(Limits(None, 50.0, "rpm", "s")) == "at most 50 rpm (s)"
    assert limits_text(Limits(5.0, None, "rpm", "s")) == "at least 5 rpm (s)"


def test_the_plot_shows_lowest_and_highest_and_the_limits() -> None:
    made = drive()
    text = drawn(trace_plot(made, judge([made], SPECS)))
    lines = text.splitlines()
    assert "longest stretch judged" in lines[0]
    assert lines[1].split()[0] == "750"
    assert lines[-2].split()[0] == "650"
    assert "─" in lines[1]
    assert "─" in lines[-2]
    assert max(len(line) for line in lines) <= 80


def test_a_plot_of_what_cannot_be_judged_and_of_nothing() -> None:
    made = drive((("town", 60.0),))
    assert "whole recording" in drawn(trace_plot(made))
    flat = with_values(made, "engine_speed", lambda v: 0.0 * v)
    assert "rpm" in drawn(trace_plot(flat))
    from tests.nasty import recording, without

    assert trace_plot(without(made, "engine_speed")) is None
    assert trace_plot(recording([])) is None


def test_the_plot_follows_what_was_judged() -> None:
    """Idle before all; else what the first failed check looked at; a voltage fills the height."""
    base = drive()
    coolant = base.channels["coolant"]
    volts = Channel("module_voltage", "V", coolant.time_s, 0 * coolant.values + 14.0, 0.1, 0.5)
    made = replace(base, channels={**base.channels, "module_voltage": volts})
    window = (Window(0, 10.0, 60.0),)
    charging = replace(of(Verdict.PASS), check="charging", windows=window, limits=None)
    warm = replace(charging, check="warm-up", verdict=Verdict.FAIL)
    idle = replace(charging, check="idle-steady")
    assert "module voltage, longest stretch judged (V)" in drawn(trace_plot(made, [charging]))
    assert "coolant, longest stretch" in drawn(trace_plot(made, [charging, warm]))
    assert "engine speed, longest stretch" in drawn(trace_plot(made, [charging, warm, idle]))
    lines = drawn(trace_plot(made, [charging])).splitlines()
    assert 13.0 < float(lines[-2].split()[0]) < 14.0 < float(lines[1].split()[0]) < 15.0


def test_rich_is_not_loaded_for_json(file: str) -> None:
    import subprocess

    code = (
        "import sys; from verify.__main__ import main; "
        f"main(['judge', {file!r}, '--json']); sys.exit('rich' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
