"""Which car it is: what is said of a VIN, and that plate and VIN stay in the shop."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.terminal.walks import SMALL, keysback
from verify.terminal.identity import vin_lines
from verify.terminal.masks import car_words, known_marks, mask_car, vin_in

WRONG = "1M8GDM9A0KP042788"
# Published as an example of the check digit (see tests/outside/test_vin_published.py).
PUBLISHED = "1M8GDM9AXKP042788"
ELSEWHERE = "ZZZ1234567A123456"


def said(text: str) -> str:
    return " ".join(vin_lines(text))


def test_a_fitting_digit_is_no_proof_and_a_wrong_one_is_no_refusal() -> None:
    assert "fits" in said(PUBLISHED)
    assert "once in eleven" in said(PUBLISHED)
    assert "does not fit" in said(WRONG)
    assert "would have to be X" in said(WRONG)
    assert "That matters only where the car was made for a market" in said(WRONG)


def test_elsewhere_position_nine_says_nothing() -> None:
    assert "position 9 is free" in said(ELSEWHERE)
    assert "That matters only" not in said(ELSEWHERE)


def test_the_model_year_is_one_or_two() -> None:
    assert "Model year: 1989." in said(PUBLISHED), "K, and a digit at position 7"
    assert "Model year: 1980 or 2010." in said(ELSEWHERE[:9] + "A" + ELSEWHERE[10:])


@pytest.mark.parametrize(
    "text", ["1M8GDM9AXKPO42788", "1M8GDM9AXKP04278", "1M8GDM9AXKP0427888", "1M8 GDM9 AXK PI42788"]
)
def test_a_mistyped_vin_is_said_to_be_one_and_kept(text: str) -> None:
    assert "does not have the form" in said(text)
    assert "kept as it was typed" in said(text)


@pytest.mark.parametrize("text", ["", "AB-123-CD", "job card 7", "grey van, dent left", "4711"])
def test_what_is_no_vin_is_not_called_one(text: str) -> None:
    assert vin_in(text) == ""
    assert vin_lines(text) == []


@pytest.mark.parametrize(
    ("text", "hidden"),
    [
        (PUBLISHED, "GDM9AXKP0427"),
        ("1M8 GDM9A XKP0 42788", "XKP0"),
        ("1M8GDM9AXKP04278", "1M8"),
        ("AB-123-CD", "123"),
        ("ab 123 cd", "123"),
        ("HELLO", "HELL"),
        ("B XY 1234", "1234"),
        ("12", "12"),
        ("grey van AB-123-CD", "AB-123"),
        (f"grey van {PUBLISHED}", "GDM9"),
    ],
)
def test_plate_and_vin_are_hidden_in_what_describes_a_car(text: str, hidden: str) -> None:
    assert hidden in text
    masked = mask_car(text)
    assert hidden not in masked
    assert "*" in masked


def test_words_that_name_no_car_stay_readable() -> None:
    assert mask_car("job card 7") == "job card 7"
    assert mask_car("grey van, dent left") == "grey van, dent left"
    assert mask_car("grey van AB-123-CD").startswith("grey van *****")


@pytest.mark.parametrize("other", ["AB 123 CD", "ab123cd", "AB-123CD"])
def test_the_car_s_own_plate_is_found_again_however_it_is_joined(other: str) -> None:
    (mark,) = known_marks("AB-123-CD")
    assert mark.search(f"the plate {other} is bent")
    assert not mark.search("XAB123CD7")


def opened(tmp_path: Path, *more: str) -> tuple[str, str]:
    """A job with the car's numbers in its free texts. Returns its store and id."""
    store = str(tmp_path / "store")
    run = keysback(
        "open", str(SMALL), "--as", "owner", "--mode", "as-work", "--units", "metric",
        "--store", store, *more,
        stdin=f"{PUBLISHED} or ab123cd hunts\n!note\nwrote to the owner of AB 123 CD\n",
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    job = json.loads(keysback("jobs", "--json", "--store", store).stdout)[0]["job"]
    return store, str(job)


def test_what_leaves_the_shop_hides_plate_and_vin_unless_asked(tmp_path: Path) -> None:
    store, job = opened(tmp_path, "--car", "AB-123-CD", "--model", "2019 Model Q 1.2")
    for command in (("show", job), ("show", job, "--json"), ("note", job)):
        masked = keysback(*command, "--store", store).stdout
        assert "hunts" in masked or "--json" in command
        for number in ("GDM9", "123-CD", "ab123cd", "AB 123 CD"):
            assert number not in masked, command
    shown = keysback("show", job, "--store", store).stdout
    assert "Model: 2019 Model Q 1.2" in shown
    assert "Car: *****D" in shown
    full = keysback("show", job, "--unmask", "--store", store).stdout
    for number in (PUBLISHED, "AB-123-CD", "ab123cd", "AB 123 CD"):
        assert number in full
    account = json.loads(keysback("show", job, "--json", "--store", store).stdout)
    assert (account["car"], account["model"]) == ({"car": "*****D"}, "2019 Model Q 1.2")
    account = json.loads(keysback("show", job, "--json", "--unmask", "--store", store).stdout)
    assert account["car"] == {"car": "AB-123-CD"}
    assert PUBLISHED in keysback("note", job, "--unmask", "--store", store).stdout


def test_a_vin_is_spoken_of_when_a_job_is_opened(tmp_path: Path) -> None:
    run = keysback(
        "open", str(SMALL), "--as", "owner", "--mode", "as-work", "--units", "metric",
        "--store", str(tmp_path / "s"), stdin=f"{WRONG}\n2019 Model Q\nIt hunts\n",
    )  # fmt: skip
    words = " ".join(run.stdout.split())
    assert "Check digit: does not fit." in words
    assert "is open" in words, "never refused"
    assert WRONG not in words


def test_a_model_holds_nothing_personal(tmp_path: Path) -> None:
    for model in (PUBLISHED, "x" * 81):
        run = keysback(
            "open", str(SMALL), "--as", "owner", "--mode", "as-work", "--units", "metric",
            "--car", "x", "--model", model, "--store", str(tmp_path / "s"),
        )  # fmt: skip
        assert run.returncode == 2
        assert "--model" in run.stderr
        assert "Traceback" not in run.stderr
        assert PUBLISHED not in run.stderr


def test_a_list_tells_two_cars_apart_and_shows_neither_plate_nor_vin() -> None:
    assert car_words("AB12 CDE", "2031 hatch 1.6") == f"{mask_car('AB12 CDE')}, 2031 hatch 1.6"
    assert "AB12" not in car_words("AB12 CDE", "hatch of AB12CDE")
    assert car_words("job card 7", "") == "job card 7"
    assert car_words("", "2031 hatch 1.6") == "2031 hatch 1.6"
    assert car_words("", "") == ""
