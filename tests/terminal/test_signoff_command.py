"""`keysback signoff`, `resume` where proof is to follow, `comeback`: as people type them."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.terminal.test_people_command import Shop
from tests.terminal.walks import SMALL, idle_csv, play, small_desk
from verify.job.journal import SqliteJournal
from verify.job.signing import check_signature
from verify.job.signoff_point import Weight
from verify.terminal.answers_file import load_answers
from verify.terminal.cmd_jobs import _due
from verify.terminal.desk import desk_for
from verify.terminal.elsewhere import elsewhere
from verify.terminal.endings import head
from verify.terminal.prove import ProofRunner, takes_proof
from verify.terminal.script import ScriptHands
from verify.terminal.signoff_screen import _show
from verify.terminal.ui_lines import LineUi

TECH, SIGNER = "Tanja Torque", "Sami Signer"
# The small flow without a recording: the idle is to follow.
TO_FOLLOW = [
    "It hunts", "none", "9 N·m", "", "1", "", "1", "9 N·m", "sheet 4", "12.6 V", "3",
    "none", "none", "?", "1", "2", "hurry", "1", "1", "!cannot", "no adapter here",
    "1",  # the answer that ends the job is asked once more
]  # fmt: skip
LOOK = "second_look: {lock: The connector is locked, lamps: No lamp is lit}\n"


def typed(*lines: str) -> str:
    return "".join(line + "\n" for line in lines)


@pytest.fixture
def shop(tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> Shop:
    shop = Shop(tmp_path, capsys, monkeypatch)
    shop.people("add", TECH)
    shop.people("add", SIGNER, "--role", "signer")
    return shop


@pytest.fixture
def job(shop: Shop) -> str:
    code, _, err = shop.open(stdin=typed(*TO_FOLLOW))
    assert (code, err) == (0, "")
    return shop.job()


def entries(shop: Shop, job: str) -> tuple[Any, ...]:
    with SqliteJournal(shop.store, readonly=True) as journal:
        return journal.entries(job)


def accept(shop: Shop, job: str, *more: str) -> tuple[int, str, str]:
    return shop.run("signoff", job, "--by", SIGNER, "--accept", *more)


def test_what_matters_is_shown_and_nothing_is_written(shop: Shop, job: str) -> None:
    before = entries(shop, job)
    code, out, err = shop.run("signoff", job, "--points")
    assert (code, err) == (0, "")
    assert "“no adapter here”" in out  # what a person wrote, read through the desk
    assert "The wait of 2 min at “Let it rest” was skipped. [entry 10]" in out
    assert entries(shop, job) == before


def test_accepted_written_and_signed_by_the_signer(shop: Shop, job: str) -> None:
    code, out, err = accept(shop, job)
    assert (code, err) == (0, "")
    assert f"Accepted and signed by {SIGNER}" in out
    *_, decision, signature = entries(shop, job)
    assert (decision.kind, decision.body["decision"]) == ("sign-off", "accepted")
    assert {p["point"] for p in decision.body["shown"]} >= {"undecided", "wait-skipped"}
    assert (signature.kind, signature.body["purpose"]) == ("signature", "sign-off")
    check_signature(signature, decision)
    shown = json.loads(shop.run("show", job, "--json")[1])
    assert shown["signed_off"] is True
    assert shown["sign_offs"][0]["signed"] is True
    assert "signed off" in shop.run("jobs")[1]
    assert "Signed off by a second person" in shop.run("note", job)[1]


def test_that_nobody_signed_is_said_plainly(shop: Shop, job: str) -> None:
    assert "No second person signed this off." in shop.run("show", job)[1]
    assert "No second person signed." in shop.run("note", job)[1]


def test_a_walk_through_the_screens(shop: Shop, job: str) -> None:
    code, out, _ = shop.run(
        "signoff", job, "--by", SIGNER, "--lines", stdin=typed("1", "1", "2", "bolt", "Too little")
    )
    assert code == 0
    assert "BEFORE YOU SIGN: 5 TO LOOK AT" in out
    assert "Sent back to “The bolt”" in out
    assert "sent back by the signer; at: The bolt" in shop.run("jobs")[1]
    shown = shop.run("show", job)[1]
    assert "sent back to “The bolt” (Too little)" in shown


def test_among_the_points_one_can_go_a_page_back() -> None:
    points = [SimpleNamespace(weight=Weight.LOOK, words=f"Point {n}. " * 20, entries=(), said=())
              for n in range(6)]  # fmt: skip
    desk = small_desk()
    session = desk.session()
    shown = io.StringIO()
    ui = LineUi(io.StringIO("1\n2\n\n\n\n\n"), shown)
    _show(desk, session, points, ui)
    places = re.findall(r"(\d) of (\d)", shown.getvalue())
    last = places[0][1]
    assert [p for p, _ in places] == ["1", "2", "1", *map(str, range(2, int(last) + 1))]


def test_sent_back_it_goes_on_and_is_signed_anew(shop: Shop, job: str) -> None:
    shop.run("signoff", job, "--by", SIGNER, "--send-back", "start", "--reason", "hear it myself")
    code, out, err = accept(shop, job)
    assert (code, "while the job goes on" in err) == (2, True)
    code, out, err = shop.run("resume", job, "--lines", stdin=typed("1", "1", "1"))
    assert (code, err) == (0, "")
    assert "This is attempt 2 at this step." in out
    assert accept(shop, job)[0] == 0


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ((), "nobody named"),
        (("--by", TECH), f"{TECH}, who is technician"),
        (("--by", "Nobody"), '"Nobody"'),
        (("--by", SIGNER, "--accept", "--send-back", "list", "--reason", "x"), "one of them"),
        (("--by", SIGNER, "--send-back", "list"), "--send-back without --reason"),
        (("--by", SIGNER, "--send-back", "lisst", "--reason", "x"), '"lisst"'),
        (("--by", SIGNER, "--reason", "x"), "--reason alone"),
        (("--by", SIGNER, "--look", "fine"), "--look alone"),
        (("--by", SIGNER, "--accept", "--look", "fine"), "flow that asks for a look"),
    ],
)
def test_bad_input_is_one_message_and_changes_nothing(
    shop: Shop, job: str, words: tuple[str, ...], found: str
) -> None:
    before = entries(shop, job)
    code, _, err = shop.run("signoff", job, *words)
    assert code == 2
    assert found in err
    assert "Traceback" not in err
    assert entries(shop, job) == before


def test_who_worked_at_the_job_does_not_sign_it_off(shop: Shop) -> None:
    both = "Bea Both"
    shop.people("add", both, "--role", "technician", "--role", "signer")
    shop.open("--by", both, stdin=typed(*TO_FOLLOW))
    code, _, err = shop.run("signoff", shop.job(), "--by", both, "--accept")
    assert code == 2
    assert "who worked at this job" in err
    assert "does not fit" not in err


def test_a_signer_without_a_key_or_retired(shop: Shop, job: str) -> None:
    shop.people("add", "Kim Keyless", "--role", "signer", "--no-key")
    assert "who has no key" in shop.run("signoff", job, "--by", "Kim Keyless", "--accept")[2]
    shop.people("retire", SIGNER)
    assert "who retired on" in accept(shop, job)[2]


def test_a_wrong_passphrase_writes_nothing(shop: Shop, job: str) -> None:
    shop.asked("secret", "secret")
    shop.people("add", "Pia Pass", "--role", "signer")
    shop.asked("wrong", "wrong", "wrong")
    before = entries(shop, job)
    code, _, err = shop.run("signoff", job, "--by", "Pia Pass", "--accept")
    assert code == 2
    assert "passphrase" in err
    assert entries(shop, job) == before
    shop.asked("secret")
    assert shop.run("signoff", job, "--by", "Pia Pass", "--accept")[0] == 0


def test_the_signers_own_look_is_asked_for_and_said(shop: Shop, tmp_path: Path) -> None:
    flow = tmp_path / "looked.yaml"
    flow.write_text(SMALL.read_text() + LOOK)
    shop.run("open", str(flow), "--as", "technician", "--mode", "as-work", "--units", "metric",
             "--lines", "--car", "x", "--model", "y", stdin=typed(*TO_FOLLOW))  # fmt: skip
    job = shop.job()
    assert "no word about your own look" in accept(shop, job)[2]
    assert '"bonnet"' in accept(shop, job, "--look", "bonnet")[2]
    code, _, err = accept(shop, job, "--look", "lamps")
    assert (code, "the signer saw wrong: lamps" in err) == (2, True)
    # By exception: seen, and one line not so, so that accepting is not offered.
    code, out, _ = shop.run(
        "signoff", job, "--by", SIGNER, "--lines", stdin=typed("1", "1", "1", "2", "2")
    )
    assert "A signature at a desk is no inspection." in out
    look = out[out.index("YOUR OWN LOOK") : out.index("Did you look?")]
    for danger in ("Exhaust gas", "Car can move", "Moving parts"):
        assert f"CAUTION, {danger}: " in look, "before the engine is started for it"
    assert "1. Send it back to a step" in out
    assert "Nothing was decided." in out
    code, out, _ = accept(shop, job, "--look", "desk")
    assert (code, "Desk signature only" in out) == (0, True)
    assert "Desk signature only" in shop.run("show", job)[1]
    assert "at the desk only" in shop.run("note", job)[1]


def test_proof_is_asked_for_judged_and_closes_the_job(shop: Shop, job: str, tmp_path: Path) -> None:
    idle = str(idle_csv(tmp_path / "idle.csv"))
    accept(shop, job)
    code, out, err = shop.run(
        "resume", job, "--lines", stdin=typed("1", "1", idle, "1", "750 rpm", "sheet 5", "1")
    )
    assert (code, err) == (0, "")
    assert "WHAT WAS TO FOLLOW" in out
    assert "The idle: record it again (by: within a week, that is" in out
    assert "THE KEYS WENT BACK; ALL PROOF HAS COME IN" in out
    assert "handed back, proven; signed off" in shop.run("jobs")[1]
    shown = shop.run("show", job)[1]
    assert "Proof came in after that. No second person has signed it." in shown
    assert "Proof that came in after the keys went back:" in shown
    found = json.loads(shop.run("show", job, "--json")[1])
    assert (found["proven_later"], found["open"]) == (True, [])
    assert found["proofs"][0]["results"][0]["verdict"] == "pass"
    # Looked at once more, nothing is asked.
    code, out, _ = shop.run("resume", job, "--lines")
    assert (code, "ALL PROOF HAS COME IN" in out) == (0, True)
    assert accept(shop, job)[0] == 0


def test_a_failed_proof_sends_for_the_car(shop: Shop, job: str, tmp_path: Path) -> None:
    high = str(idle_csv(tmp_path / "high.csv", rpm=1200))
    code, out, _ = shop.run(
        "resume", job, "--lines", stdin=typed("1", "1", high, "1", "750 rpm", "sheet 5", "1")
    )
    assert code == 0
    assert "PROOF FAILED: THE CAR MUST COME BACK" in out
    assert f"keysback comeback {job}" in " ".join(out.split())
    assert "PROOF FAILED" in shop.run("jobs")[1]
    assert "PROOF FAILED" in shop.run("note", job)[1]
    before = entries(shop, job)
    code, out, _ = shop.run("resume", job, "--lines", stdin=typed("1", "1", high))
    assert (code, "PROOF FAILED" in out) == (0, True)
    assert entries(shop, job) == before


def test_a_told_fail_typed_wrong_is_corrected(shop: Shop, job: str) -> None:
    code, out, _ = shop.run("resume", job, "--lines", stdin=typed("1", "2", "2", "1"))
    assert "A PROOF FAILED" in out
    assert "PROOF FAILED: THE CAR MUST COME BACK" in out
    code, out, err = shop.run(
        "resume", job, "--lines", stdin=typed("2", "1", "2", "3", "pressed the wrong one", "2")
    )
    assert (code, err) == (0, "")
    assert "PROOF STILL TO FOLLOW" in out


def test_no_old_recording_proves_anything(shop: Shop, tmp_path: Path) -> None:
    """The file that left the idle undecided shows nothing of the drives since."""
    short = str(idle_csv(tmp_path / "short.csv", seconds=5))
    undecided = ["1", short, "1", "750 rpm", "", "1"]
    again = ["1", str(idle_csv(tmp_path / "s2.csv", seconds=6)), "1"]
    third = ["1", str(idle_csv(tmp_path / "s3.csv", seconds=7)), "1"]
    shop.open(stdin=typed(*TO_FOLLOW[:-3], *undecided, *again, *third))
    job = shop.job()
    assert "proof to follow" in shop.run("jobs")[1]
    code, out, _ = shop.run("resume", job, "--lines", stdin=typed("1", "1", short, "!pause"))
    assert code == 0
    assert "expected a new one: proof that follows is made after all" in " ".join(out.split())


def test_stop_while_proving(shop: Shop, job: str) -> None:
    code, out, _ = shop.run("resume", job, "--lines", stdin=typed("1", "!stop"))
    assert code == 0
    assert "###  STOP  ###" in out
    assert "not to be driven" in shop.run("jobs")[1]


def test_looking_at_what_is_to_follow_writes_nothing(shop: Shop, job: str) -> None:
    before = entries(shop, job)
    code, out, err = shop.run("resume", job, "--lines", stdin=typed("2"))
    assert (code, err) == (0, "")
    assert "Still open:" in out
    assert entries(shop, job) == before


def test_overdue_proof_is_shown_in_the_list() -> None:
    row: dict[str, str | int] = {"proof_due": "2031-05-15"}
    assert _due(row, "2031-05-15") == "; proof due 2031-05-15"
    assert _due(row, "2031-05-16") == "; PROOF OVERDUE since 2031-05-15"
    assert _due({}, "2031-05-16") == ""


def test_the_list_of_open_jobs_holds_those_with_proof_to_follow(shop: Shop, job: str) -> None:
    assert job in shop.run("jobs", "--open")[1]
    words = ("--flow", str(SMALL), "--lines", "--mode", "as-work")
    assert shop.run("comeback", job, *words, stdin="!pause\n")[0] == 0
    assert f"\n{job}" not in "\n" + shop.run("jobs", "--open")[1]


def test_a_comeback_is_a_linked_job_of_the_same_car(shop: Shop, tmp_path: Path) -> None:
    idle = str(idle_csv(tmp_path / "first.csv"))
    shop.open(stdin=typed(*TO_FOLLOW[:-3], "1", idle, "1", "750 rpm", "", "1"))
    old = shop.job()
    code, out, err = shop.run(
        *("comeback", old, "--flow", str(SMALL), "--lines", "--mode", "as-work"), stdin="!pause\n"
    )
    assert (code, err) == (0, "")
    assert "Its recordings are the before:" in out
    assert "first.csv" in out
    new = json.loads(shop.run("jobs", "--json")[1])[0]["job"]
    if new == old:
        new = json.loads(shop.run("jobs", "--json")[1])[1]["job"]
    ended, began = entries(shop, old), entries(shop, new)
    link = began[0].body["comeback_of"]
    assert link["job"] == old
    assert link["head"] in [e.digest for e in ended]
    assert ended[-1].kind == "comeback"
    assert ended[-1].body == {"job": new, "head": began[0].digest}
    # One car, told twice, with nothing in the entries by which to see that.
    cars = {ended[0].body["car"]["car"], began[0].body["car"]["car"]}
    assert len(cars) == 2
    shown = [json.loads(shop.run("show", j, "--json", "--unmask")[1]) for j in (old, new)]
    assert shown[0]["car"] == shown[1]["car"] == {"car": "KB 1 X"}
    assert "The car came back" in shop.run("show", old)[1]
    assert f"the job before is {old}" in shop.run("show", new)[1]
    code, _, err = shop.run("comeback", old)
    assert (code, f"came back already as job {new}" in err) == (2, True)
    assert "has not ended" in shop.run("comeback", new)[2]


def test_a_link_that_was_broken_off_is_written_the_next_time(
    shop: Shop, job: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("comeback", job, "--flow", str(SMALL), "--lines", "--mode", "as-work")

    def dies(*_args: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("verify.job.bodies.comeback_body", dies)
        assert shop.run(*words, stdin="!pause\n")[0] == 130
    assert entries(shop, job)[-1].kind != "comeback"
    assert f"a comeback of {job}" in shop.run("jobs")[1]
    code, _, err = shop.run(*words, stdin="!pause\n")
    assert (code, "came back already" in err) == (2, True)
    assert entries(shop, job)[-1].kind == "comeback"
    assert len(json.loads(shop.run("jobs", "--json")[1])) == 2


def test_the_flow_of_a_comeback_must_be_there(shop: Shop, job: str) -> None:
    before = entries(shop, job)
    code, _, err = shop.run("comeback", job)
    assert (code, "expected --flow FILE" in err) == (2, True)
    assert entries(shop, job) == before


VIN = "KBX1TEST000000017"


def test_the_store_knows_a_file_of_another_job_and_the_vin_in_it(
    shop: Shop, tmp_path: Path
) -> None:
    file = str(idle_csv(tmp_path / f"{VIN}.csv"))
    idle = ["1", file, "1", "750 rpm", "", "1"]
    for car in ("KB 1 X", "KBX1TEST000000018"):
        shop.run(
            *("open", str(SMALL), "--as", "technician", "--mode", "as-work", "--units", "metric"),
            *("--lines", "--car", car, "--model", ""),
            stdin=typed(*TO_FOLLOW[:-3], *idle),
        )
    with SqliteJournal(shop.store, readonly=True) as journal:
        first, second = [str(r["job"]) for r in reversed(journal.jobs())]
        one, two = (elsewhere(desk_for(journal, job)) for job in (first, second))
    assert [list(jobs) for jobs in one.jobs.values()] == [[second]]
    assert [list(jobs) for jobs in two.jobs.values()] == [[first]]
    assert (one.vin, one.other_vin) == ("", frozenset())
    assert len(two.other_vin) == 1
    assert VIN not in str(two)
    out = shop.run("signoff", second, "--points")[1].replace("\n      ", "")
    assert f"was also used in job {first}." in out
    assert "GRAVE 2  The recording at “The idle” names the VIN" in out


def test_a_scripted_proof_makes_a_rehearsal_of_it(tmp_path: Path) -> None:
    desk = small_desk()
    play(desk, *TO_FOLLOW)
    assert takes_proof(desk.session())
    idle_csv(tmp_path / "idle.csv")
    script = tmp_path / "answers.yaml"
    script.write_text("specs: {idle_speed: 750 rpm}\nidle: [{file: idle.csv}]\n")
    answers = load_answers(script, desk.session().graph)
    session = ProofRunner(desk, ScriptHands(answers, desk.clock), "as-work", answers).run()
    answers.finish()
    assert session.proven_later
    assert session.scripted
    assert head(session).startswith("REHEARSAL ONLY")


# ---- grave points -------------------------------------------------------------------------------

# A fail that stands.
GRAVE_WALK = [
    "It hunts", "none", "9 N·m", "", "1", "", "1", "20 N·m", "sheet 4", "1",
]  # fmt: skip
WHY = ("The bolt is a stretch bolt, angle was used", "Seen by myself on the ramp", "Told at noon")


def test_grave_points_stand_at_the_top_of_the_account_and_the_report(
    shop: Shop, tmp_path: Path
) -> None:
    shop.open(stdin=typed(*GRAVE_WALK))
    job = shop.job()
    _, points, _ = shop.run("signoff", job, "--points")
    grave = [line for line in points.splitlines() if line.startswith("GRAVE")]
    assert len(grave) >= 1
    words = " ".join(grave[0].removeprefix("GRAVE 1").split())
    shown = " ".join(shop.run("show", job)[1].split())
    assert words in shown
    assert "A signer must see first: " in shown
    assert shown.index(words) < shown.index("The story")
    page = tmp_path / "signer.html"
    assert shop.run("report", job, "--for", "signer", "-o", str(page))[0] == 0
    html = " ".join(page.read_text().split())
    assert f"GRAVE: {words.split(' [')[0]}" in html
    assert html.index("GRAVE: ") < html.index("The path, step by step")
    assert json.loads(shop.run("show", job, "--json")[1])["points"][0]["weight"] == "grave"


@pytest.fixture
def grave(shop: Shop) -> str:
    """A job that ended with grave points."""
    shop.open(stdin=typed(*GRAVE_WALK))
    return shop.job()


def how_many(shop: Shop, job: str) -> int:
    found = json.loads(shop.run("show", job, "--json")[1])["points"]
    return sum(p["weight"] == "grave" for p in found)


def test_enter_alone_never_accepts_a_grave_point(shop: Shop, grave: str) -> None:
    many = how_many(shop, grave)
    assert many >= 1
    before = entries(shop, grave)
    code, out, _ = shop.run("signoff", grave, "--by", SIGNER, "--lines", stdin=typed(*[""] * 20))
    assert code == 0
    assert entries(shop, grave) == before
    walk = ["1", "1", "", "ok", "aaaaaaaa", "....... .", "yes yes"]
    code, out, _ = shop.run("signoff", grave, "--by", SIGNER, "--lines", stdin=typed(*walk[:-1]))
    assert f"YOU ACCEPT GRAVE POINT 1 OF {many}" in out.upper()
    assert out.count("That is no reason in words.") == 3
    assert "Nothing was decided." in out
    assert entries(shop, grave) == before


def test_each_grave_point_is_answered_by_itself_and_the_record_carries_it(
    shop: Shop, grave: str, tmp_path: Path
) -> None:
    many = how_many(shop, grave)
    code, out, err = shop.run(
        "signoff", grave, "--by", SIGNER, "--lines", stdin=typed("1", "1", *WHY[:many])
    )
    assert (code, err) == (0, "")
    assert "Accepted and signed by" in out
    decision = entries(shop, grave)[-2]
    assert (decision.kind, decision.version) == ("sign-off", 2)
    weights = [p["weight"] for p in decision.body["shown"]]
    assert weights.count("grave") == many
    assert [("reason" in p) for p in decision.body["shown"]] == [w == "grave" for w in weights]
    assert WHY[0] not in str(decision.body), "a person's words stand apart, by their digest"
    shown = " ".join(shop.run("show", grave)[1].split())
    assert f"Because: “{WHY[0]}”" in shown
    assert "“The bolt” failed: fail" in shown.split("Accepted:")[1]
    page = tmp_path / "signer.html"
    shop.run("report", grave, "--for", "signer", "-o", str(page))
    assert f"Because: “{WHY[0]}”" in " ".join(page.read_text().split())
    # The ending is the flow's: a signature changes nothing of it.
    assert json.loads(shop.run("show", grave, "--json")[1])["ending"] == "back-to-diagnosis"


@pytest.mark.parametrize(
    ("answers", "found"),
    [
        ((), "grave point 1 of {many}: not answered"),
        (("--answer", "1", ""), "no reason in words"),
        (("--answer", "1", "ok"), "no reason in words"),
        (("--answer", "9", WHY[0]), '--answer "9"'),
        (("--answer", "1", WHY[0], "--answer", "1", WHY[1]), '--answer "1" twice'),
    ],
)
def test_accepting_at_the_command_line_asks_for_the_same(
    shop: Shop, grave: str, answers: tuple[str, ...], found: str
) -> None:
    before = entries(shop, grave)
    code, _, err = accept(shop, grave, *answers)
    assert (code, found.format(many=how_many(shop, grave)) in err) == (2, True)
    assert entries(shop, grave) == before


def test_accepted_at_the_command_line_with_an_answer_to_each(shop: Shop, grave: str) -> None:
    given = [w for n in range(how_many(shop, grave)) for w in ("--answer", str(n + 1), WHY[n])]
    assert accept(shop, grave, *given)[0] == 0
    sign_off = json.loads(shop.run("show", grave, "--json")[1])["sign_offs"][0]
    assert len(sign_off["answered"]) == how_many(shop, grave)
