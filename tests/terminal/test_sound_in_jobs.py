"""A sound as a step's evidence: what is asked beside it, what is kept, and the audit of it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.engines_heard.engine import Engine, hear
from tests.engines_heard.files import encoded, wav
from tests.engines_heard.key_on import KeyOn, key_ons
from tests.job.jobfiles import audited, file_of
from tests.terminal.walks import play, small_desk
from verify.errors import UserError
from verify.evidence.checks.ear import ENGINE_CHECKS, KEY_CHECK
from verify.job.catalogue import catalogue
from verify.job.entry import Entry
from verify.job.recompute import Recompute
from verify.job.same import Recomputed
from verify.job.signoff import Weight, points
from verify.terminal import recordings
from verify.terminal.desk import Desk
from verify.terminal.draw_phone import WIDEST, phone_drawing
from verify.terminal.library import flow_names, load_flow
from verify.terminal.runner import Paused
from verify.terminal.since import check_kind
from verify.terminal.tongue import speaking
from verify.words import LANGUAGES, EndingKind

FLOW = Path(__file__).with_name("sound_flow.yaml")


@cache
def idle_sound() -> bytes:
    return wav(hear(Engine(seed=6, rpm=720.0, seconds=62.0, rate=16_000, unlike=0.3)).sound, 16_000)


@cache
def key_sound(ticking_s: float, seed: int) -> bytes:
    return wav(key_ons(KeyOn(ticking_s=ticking_s, seed=seed)))


@pytest.fixture
def files(tmp_path: Path) -> dict[str, str]:
    made = {
        "before": key_sound(5.0, 1),
        "after": key_sound(0.0, 2),
        "idle": idle_sound(),
    }
    for name, raw in made.items():
        (tmp_path / f"{name}.wav").write_bytes(raw)
    return {name: str(tmp_path / f"{name}.wav") for name in made}


# Of the numbers of the car: where from, how many, which page.
CYLINDERS = ("1", "4", "page 3")
IDLE_SPEED = ("1", "720 rpm", "page 4")


def walk(desk: Desk, files: dict[str, str], *, keys: str = "3, 18", idle: str = "none") -> str:
    return play(
        desk,
        *("1", files["before"], keys, "1"),
        "1",
        "1",
        *("1", files["after"], keys, "1"),
        *("1", files["idle"], idle, *CYLINDERS, *IDLE_SPEED, "1"),
    )


def evidence(desk: Desk, step: str) -> list[dict[str, Any]]:
    return list(desk.session().last(step).evidence)


def results(desk: Desk, step: str) -> dict[str, str]:
    return {r["check"]: r["finding"] for r in desk.session().last(step).results}


def test_an_owner_with_a_telephone_closes_a_job_out(files: dict[str, str]) -> None:
    desk = small_desk(flow=FLOW)
    shown = walk(desk, files)
    session = desk.session()
    assert session.ending is not None
    assert session.ending.kind is EndingKind.HAND_BACK
    assert results(desk, "before") == {"key-on-ticking": "ticking"}
    assert results(desk, "after") == {"key-on-ticking": "quiet"}
    assert results(desk, "idle") == {
        "idle-speed-by-ear": "in-range",
        "idle-steady-by-ear": "steady",
        "no-stall-by-ear": "none-heard",
    }
    assert session.last("idle").outcome.grade.value == "recorded"
    words = " ".join(shown.split())
    assert "Something clicks at 3, 18 s; whether that was the key, only you can say." in words
    assert "The engine was warm" in shown


def test_the_drawing_is_shown_as_often_as_it_is_asked_for(files: dict[str, str]) -> None:
    desk = small_desk(flow=FLOW)
    shown = play(
        desk,
        *("2", "2", "1", files["before"], "3, 18", "1"),
        "1",
        "1",
        *("1", files["after"], "3, 18", "1"),
        *("2", "1", files["idle"], "none", *CYLINDERS, *IDLE_SPEED, "1"),
    )
    assert shown.count("(T) throttle body") == 2
    assert shown.count("(M) engine") == 1
    assert desk.session().ending is not None


@pytest.mark.parametrize("language", ["", *LANGUAGES])
def test_every_step_of_the_library_that_asks_for_a_sound_has_a_drawing_a_phone_can_show(
    language: str,
) -> None:
    drawn = 0
    for name in flow_names():
        for step in load_flow(name, catalogue()).graph.steps.values():
            sounds = {KEY_CHECK, *ENGINE_CHECKS} & set(step.detail.get("checks", ()))
            with speaking(language):
                rows = phone_drawing(step)
            assert bool(rows) == bool(sounds), step.name
            assert max(map(len, rows), default=0) <= WIDEST
            drawn += bool(rows)
    assert drawn >= 3


def test_what_was_told_of_a_sound_stands_in_its_entry(files: dict[str, str]) -> None:
    desk = small_desk(flow=FLOW)
    walk(desk, files)
    (idle,) = evidence(desk, "idle")
    assert idle["mapping"] == {"(told)": "warm, standing, released, left-on"}
    assert idle["importer"] == "sound"
    assert idle["tables"] == {}
    before, after = evidence(desk, "after")
    assert after["mapping"] == {"(key-on)": "3 s, 18 s"}
    # The complaint on file measures what must be heard, and is not judged itself.
    assert before["mapping"] == {"(key-on)": "3 s, 18 s", "(told)": "before"}
    (first,) = evidence(desk, "before")
    assert before["sha256"] == first["sha256"] != after["sha256"]
    (result,) = desk.session().last("after").results
    assert result["ticked_before"] == 2


def test_what_was_told_of_one_sound_is_not_offered_for_the_next(files: dict[str, str]) -> None:
    desk = small_desk(flow=FLOW)
    walk(desk, files)
    for name in files:
        from verify.evidence.importers.port import look

        with Path(files[name]).open("rb") as stream:
            assert desk.journal.mapping(look(stream, name).key) is None


@pytest.mark.parametrize("answer", ["1,2"])
def test_what_was_not_so_leaves_the_idle_open(files: dict[str, str], answer: str) -> None:
    desk = small_desk(flow=FLOW)
    again = ("1", files["idle"], answer, "1")
    play(
        desk,
        *("1", files["before"], "3, 18", "1"),
        *("1", "1"),
        *("1", files["after"], "3, 18", "1"),
        *("1", files["idle"], answer, *CYLINDERS, *IDLE_SPEED, "1"),
        *again,
    )
    assert results(desk, "idle")["idle-speed-by-ear"] == "not-told"
    assert desk.session().last("idle").outcome.label == "undecided"
    ending = desk.session().ending
    assert ending is not None
    assert ending.kind is EndingKind.PROOF_TO_FOLLOW


@pytest.mark.parametrize("keys", ["", "soon\n3", "99\n1"])
def test_times_of_the_key_that_are_none_are_asked_again(files: dict[str, str], keys: str) -> None:
    desk = small_desk(flow=FLOW)
    lines = ["1", files["before"], *keys.split("\n")]
    if keys.startswith("99"):
        # Beyond the file: the whole answer is asked for once more.
        lines = ["1", files["before"], "99", "1", files["before"], "3"]
    with pytest.raises(Paused):
        play(desk, *lines, "1")
    finding = results(desk, "before")["key-on-ticking"]
    assert finding == ("no-key-on" if not keys else "ticking")


def again(desk: Desk, entries: tuple[Entry, ...]) -> list[tuple[str, str, Recomputed]]:
    """(step, check, what becomes of its verdict when it is computed from the entries)."""
    found = Recompute(entries, desk.machine, desk.journal.open_evidence).all()
    return [(a.step, a.check, a.state) for a in found]


def test_an_audit_hears_the_same(files: dict[str, str]) -> None:
    desk = small_desk(flow=FLOW)
    walk(desk, files)
    assert audited(file_of(desk)).findings == ()
    assert again(desk, desk.journal.entries("tester")) == [
        ("before", "key-on-ticking", Recomputed.SAME),
        ("after", "key-on-ticking", Recomputed.SAME),
        ("idle", "idle-speed-by-ear", Recomputed.SAME),
        ("idle", "idle-steady-by-ear", Recomputed.SAME),
        ("idle", "no-stall-by-ear", Recomputed.SAME),
    ]


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ("after", {"(key-on)": "9 s, 25 s"}),
        ("idle", {"(told)": "warm"}),
    ],
)
def test_an_audit_finds_what_was_told_changed(
    files: dict[str, str], step: str, said: dict[str, str]
) -> None:
    desk = small_desk(flow=FLOW)
    walk(desk, files)
    entries = []
    for entry in desk.journal.entries("tester"):
        if entry.body.get("step") == step and entry.body.get("evidence"):
            items = list(entry.body["evidence"])
            items[-1] = {**items[-1], "mapping": said}
            entry = replace(entry, body={**entry.body, "evidence": items})
        entries.append(entry)
    states = {s for name, _, s in again(desk, tuple(entries)) if name == step}
    assert Recomputed.DIFFERS in states


def test_what_a_telephone_writes_is_kept_as_it_is(tmp_path: Path) -> None:
    pytest.importorskip("av")
    import hashlib

    sound = key_ons(KeyOn(ticking_s=5.0, seed=1))
    raw = encoded(sound, 44_100, container="ipod", codec="aac")
    path = tmp_path / "before.m4a"
    path.write_bytes(raw)
    desk = small_desk(flow=FLOW)
    with pytest.raises(Paused):
        play(desk, "1", str(path), "3, 18", "1")
    (item,) = evidence(desk, "before")
    assert item["sha256"] == hashlib.sha256(raw).hexdigest()
    with desk.journal.open_evidence(item["sha256"]) as stream:
        assert stream.read() == raw
    assert results(desk, "before") == {"key-on-ticking": "ticking"}


def test_a_table_is_refused_where_all_is_judged_by_ear(tmp_path: Path) -> None:
    path = tmp_path / "drive.csv"
    path.write_text("time_s,engine_speed_rpm\n" + "".join(f"{i},700\n" for i in range(60)))
    desk = small_desk(flow=FLOW)
    with pytest.raises(Paused):
        play(desk, "1", str(path), "!pause")
    words = " ".join(play.shown.getvalue().split())  # type: ignore[attr-defined]
    assert "found a recording of the car's own data; expected a sound" in words
    assert not desk.session().walk


def test_the_complaint_put_on_file_is_not_grave_once_it_is_heard_no_more(
    files: dict[str, str],
) -> None:
    desk = small_desk(flow=FLOW)
    walk(desk, files)
    found = {p.name: p for p in points(desk.session())}
    assert "fail" not in found
    assert found["fail-before"].weight is Weight.NOTE
    assert found["fail-before"].words == (
        "“The noise before” failed: key-on-ticking ticking. It is the complaint: “The noise after” "
        "was held against it and passed."
    )


def test_a_complaint_that_nothing_was_held_against_stands(files: dict[str, str]) -> None:
    desk = small_desk(flow=FLOW)
    with pytest.raises(Paused):
        play(
            desk,
            *("1", files["before"], "3, 18", "1"),
            "1",
            "1",
            "!cannot",
            "no telephone",
            "!pause",
        )
    found = {p.name: p for p in points(desk.session())}
    assert found["fail"].weight is Weight.GRAVE
    assert "fail-before" not in found


def test_a_sound_is_refused_where_nothing_is_judged_by_ear(files: dict[str, str]) -> None:
    """Else it would be used up there, and the step that asks for a sound would not take it."""
    desk = small_desk(flow=FLOW)
    sha256 = recordings.keep(desk.journal, files["idle"])
    layout = recordings.layout_of(desk.journal, sha256, "idle.wav")
    idle = desk.session().graph.steps["idle"]
    check_kind(idle, layout, "idle.wav")
    by_data = replace(idle, detail={**idle.detail, "checks": ("idle-speed",)})
    with pytest.raises(UserError) as told:
        check_kind(by_data, layout, "idle.wav")
    (problem,) = told.value.problems
    assert (problem.file, problem.found) == ("idle.wav", "a sound")
    assert "the car's own data" in problem.expected
