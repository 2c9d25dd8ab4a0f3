"""A number of the car entered again, and one that is not usual: at the real command."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import ROOT
from tests.terminal.test_people_command import Shop
from tests.terminal.test_signoff_command import TO_FOLLOW, entries, typed
from tests.terminal.walks import keysback
from verify.evidence.checks.catalogue import SPEC_UNITS
from verify.evidence.usual import POSSIBLE, USUAL, unusual, usual_range
from verify.flow.graph import Spec
from verify.job.catalogue import catalogue
from verify.quantity import parse, unit
from verify.terminal.library import load_flow

# Up to the torque, whose figure is typed wrong: the bolt fails and the job ends.
TO_BOLT = ["It hunts", "none", "9 N·m", "", "1", "", "1"]
PROMPT = "Where does the new number come from, and what was wrong with the old one?"
WHY = "Sheet 4 is for the older engine"


@pytest.fixture
def shop(tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> Shop:
    return Shop(tmp_path, capsys, monkeypatch)


def flat(text: str) -> str:
    return " ".join(text.split())


# ---- changed ------------------------------------------------------------------------------------


def changed(shop: Shop, *reason: str) -> str:
    """9 N·m against 9, then the figure is changed to 20: a pass turns into a fail."""
    walk = [*TO_BOLT, "9 N·m", "sheet 4", "!spec", "1", "1", "20 N·m", "sheet 5", *reason]
    code, out, err = shop.open(stdin=typed(*walk))
    assert (code, err) == (0, "")
    return flat(out)


def test_old_and_new_stand_side_by_side_with_the_verdicts_before_it_is_written(shop: Shop) -> None:
    out = changed(shop, "", "!pause")
    shown = out[: out.index(PROMPT)]
    assert "9 N·m (service information, sheet 4) → 20 N·m (service information, sheet 5)" in shown
    assert "The bolt: pass → fail" in shown
    kinds = [e.kind for e in entries(shop, shop.job())]
    assert kinds.count("spec") == 1, "an empty line goes back, and nothing changed"
    assert "rejudged" not in kinds


@pytest.mark.parametrize("word", ["ok", "....", "xxxxxxx", "5 5 5"])
def test_a_reason_has_words(shop: Shop, word: str) -> None:
    out = changed(shop, word, "", "!pause")
    assert "That is no reason in words." in out
    assert [e.kind for e in entries(shop, shop.job())].count("spec") == 1


def test_the_record_the_account_and_the_report_say_why(shop: Shop, tmp_path: Path) -> None:
    changed(shop, WHY)
    job = shop.job()
    (_, change) = [e for e in entries(shop, job) if e.kind == "spec"]
    assert (change.version, len(change.body["reason"])) == (3, 64)
    shown = flat(shop.run("show", job)[1])
    assert f"Bolt torque changed in entry {change.seq}: 9 N·m → 20 N·m (“{WHY}”)" in shown
    assert "The bolt: pass → fail" in shown
    page = tmp_path / "signer.html"
    shop.run("report", job, "--for", "signer", "-o", str(page))
    html = flat(page.read_text())
    assert "Bolt torque, changed: 9 N·m → 20 N·m" in html
    assert f"Because: {WHY}." in html
    assert "Number of the car: Bolt torque was changed from 9 N·m to 20 N·m." in html


def test_a_pass_that_rests_on_a_changed_number_is_grave(shop: Shop) -> None:
    """First against 9.8, where 9 is too near the least to tell; then the figure is made to fit."""
    walk = [
        *(*TO_BOLT, "9.8 N·m", "sheet 4", "1"),
        *("!spec", "1", "1", "9 N·m", "", "the other engine"),
    ]
    shop.open(stdin=typed(*walk, "!pause"))
    points = json.loads(shop.run("show", shop.job(), "--json")[1])["points"]
    weights = [p["weight"] for p in points if p["point"] == "judged-again"]
    assert weights == ["grave"]


def test_a_number_changed_twice_says_each_verdict_once(shop: Shop) -> None:
    again = ["!spec", "1", "1", "8.9 N·m", "", "read again", "!pause"]
    shop.open(stdin=typed(*TO_BOLT, "9 N·m", "s", "!spec", "1", "1", "9.1 N·m", "", WHY, *again))
    shown = flat(shop.run("show", shop.job())[1])
    assert "9 N·m → 9.1 N·m (“Sheet 4" in shown
    assert "9.1 N·m → 8.9 N·m (“read again”) The bolt: pass → pass" in shown


# ---- not usual ----------------------------------------------------------------------------------


def voltage(shop: Shop, *lines: str) -> tuple[str, list[Any]]:
    """The least voltage of the small flow, typed at its step."""
    walk = [*TO_FOLLOW[:9], "12.6 V", "1", *lines]
    code, out, err = shop.open(stdin=typed(*walk, "!pause"))
    assert (code, err) == (0, "")
    found = [e for e in entries(shop, shop.job()) if e.kind == "spec"]
    return flat(out), [e.body for e in found if e.body["name"] == "rest_voltage"]


@pytest.mark.parametrize("number", ["12600 V", "126 V", "1.26 V", "12.6 mV"])
def test_a_slip_is_refused_and_names_what_is_usual(shop: Shop, number: str) -> None:
    out, written = voltage(shop, number, "sheet", "1")
    assert "for Rest voltage; expected 11 V to 13.2 V, as is usual" in out
    assert "if it is so on this vehicle, enter the same again" in out
    assert written == []


def test_below_zero_is_never_taken(shop: Shop) -> None:
    out, written = voltage(shop, "-12 V", "sheet", "-12 V")
    assert "expected a number above zero" in out
    assert written == []


def test_entered_a_second_time_it_counts_and_the_record_says_so(shop: Shop) -> None:
    _, (written,) = voltage(shop, "24.4 V", "sheet", "1", "1", "24.4 V", "sheet of the lorry")
    assert written["insisted"] is True
    job = shop.job()
    assert "not usual and insisted on" in flat(shop.run("show", job)[1])
    names = [p["point"] for p in json.loads(shop.run("show", job, "--json")[1])["points"]]
    assert "number-unusual" in names


def test_another_number_the_second_time_is_looked_at_anew(shop: Shop) -> None:
    out, written = voltage(
        shop, "126 V", "sheet", "1", "1", "1260 V", "", "1", "1", "12.6 V", "sheet"
    )
    assert out.count("as is usual") >= 2
    assert [(w["text"], "insisted" in w) for w in written] == [("12.6", False)]


def test_an_idle_of_2000_is_not_usual(shop: Shop) -> None:
    for text, odd in (("2000 rpm", True), ("750 rpm", False), ("12 rpm", True)):
        assert (unusual("idle_speed", parse(text)) is not None) == odd


def test_an_answers_file_insists_in_writing(shop: Shop, tmp_path: Path) -> None:
    source = (ROOT / "tests" / "terminal" / "small_flow.yaml").read_text()
    flow = tmp_path / "small.yaml"
    flow.write_text(source)
    plain = "story: [x]\nlist: [ok]\nbolt: [{torque: 9 N·m, order: yes}]\n"
    for more, code in (("", 2), (", insist: true", 0)):
        answers = tmp_path / "answers.yaml"
        answers.write_text(f"{plain}specs:\n  bolt_torque: {{value: 900 N·m{more}}}\n")
        done = keysback("flows", "try", str(flow), "--answers", str(answers))
        err = done.stderr
        assert ("as is usual" in err) == (code == 2), err


# ---- the table ----------------------------------------------------------------------------------


def library() -> list[Spec]:
    names = [p.name.removesuffix(".yaml") for p in sorted((ROOT / "flows").glob("*.yaml"))]
    flows = [n for n in names if not n.endswith(".de")]
    return [s for n in flows for s in load_flow(n, catalogue()).graph.specs.values()]


def test_every_number_of_the_library_and_its_default_has_a_usual_range() -> None:
    found = library()
    assert len(found) > 10
    for spec in found:
        name = spec.name.split("/")[-1]
        assert name in USUAL, f"{name}: name what is usual in verify/evidence/usual.py"
        if spec.default:
            assert unusual(name, parse(spec.default, expect=spec.unit)) is None, spec


def test_units_and_ranges_fit_what_the_checks_take_them_for() -> None:
    for name, r in [*USUAL.items(), *POSSIBLE.items()]:
        assert r.low < r.high
        if name in SPEC_UNITS:
            assert unit(r.unit).dimension == unit(SPEC_UNITS[name]).dimension
    for name in POSSIBLE.keys() & USUAL.keys():
        inner, outer = USUAL[name], POSSIBLE[name]
        assert outer.low <= inner.low
        assert inner.high <= outer.high


def test_a_name_that_means_another_thing_elsewhere_goes_by_its_dimension() -> None:
    assert usual_range("idle_speed", "km/h") == usual_range("anything", "km/h")
    assert usual_range("anything", "1") is None
