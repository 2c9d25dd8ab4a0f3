"""What became of each code between readings, and where codes were read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.code_history import Change, Past, changes, new_codes
from verify.car.codes import CodeReading, class_of, is_brake_module, parse_codes, parse_placed


def read(
    stored: str = "",
    pending: str | None = "",
    permanent: str | None = None,
    modules: tuple[str, ...] = ("engine",),
    **more: object,
) -> CodeReading:
    def memory(text: str | None) -> tuple[str, ...] | None:
        return None if text is None else tuple(text.split())

    return CodeReading(tuple(stored.split()), memory(pending), memory(permanent), modules, **more)  # type: ignore[arg-type]


def words(earlier: list[Past], now: CodeReading) -> list[str]:
    return [change.words for change in changes(earlier, now)]


def test_the_first_reading_is_compared_with_nothing() -> None:
    assert words([], read("P0507")) == []


def test_returned_gone_still_there_and_new_are_told_apart() -> None:
    before = [Past(read("P2111 P0507"), cleared_after=True)]
    assert words(before, read("P0171", "P2111")) == [
        "P2111: returned after clearing, pending only",
        "P0171: new",
        "P0507: gone",
    ]
    assert words([Past(read("P2111"))], read("P2111")) == ["P2111: still there"]


def test_a_code_that_is_gone_in_between_and_comes_back_after_the_clear_has_returned() -> None:
    history = [Past(read("P2111"), cleared_after=True), Past(read(), cleared_after=False)]
    assert words(history, read("", "P2111")) == ["P2111: returned after clearing, pending only"]
    uncleared = [Past(read("P2111")), Past(read())]
    assert words(uncleared, read("P2111")) == ["P2111: back again"]


def test_what_was_not_read_again_is_not_gone() -> None:
    before = [Past(read("P2111", "P0300"))]
    assert [c.change for c in changes(before, read(pending=None))] == [Change.UNKNOWN] * 2
    elsewhere = [Past(read("P2111", modules=("engine", "gearbox")))]
    assert [c.change for c in changes(elsewhere, read())] == [Change.UNKNOWN]
    placed = [Past(read("P2111", modules=("engine", "gearbox"), where=(("P2111", "engine"),)))]
    assert [c.change for c in changes(placed, read())] == [Change.GONE]


def test_a_permanent_code_alone_is_named_so_and_never_gone_while_permanents_are_unread() -> None:
    before = [Past(read("P2111", "", "P2111"), cleared_after=True)]
    assert [c.change for c in changes(before, read("", "", "P2111"))] == [Change.PERMANENT_ONLY]
    assert [c.change for c in changes(before, read("", "", None))] == [Change.UNKNOWN]
    assert [c.change for c in changes(before, read("", "", ""))] == [Change.GONE]


def test_set_by_the_work_is_believed_only_until_codes_were_cleared() -> None:
    uncleared = [Past(read())]
    by_work = read("P2135", by_work=("P2135",))
    assert words(uncleared, by_work) == ["P2135: set by the work itself"]
    cleared = [Past(by_work, cleared_after=True)]
    assert words(cleared, by_work) == ["P2135: returned after clearing"]
    assert new_codes(uncleared, by_work) == ("P2135",)
    assert new_codes(cleared, by_work) == ()


CODES = st.sampled_from(["P2111", "P0507", "U0100", "C0035"])
READINGS = st.builds(
    CodeReading,
    st.lists(CODES, unique=True, max_size=3).map(tuple),
    st.none() | st.lists(CODES, unique=True, max_size=3).map(tuple),
    st.none() | st.lists(CODES, unique=True, max_size=3).map(tuple),
    st.just(("engine",)),
)


@given(st.lists(st.builds(Past, READINGS, st.booleans()), min_size=1, max_size=4), READINGS)
def test_every_code_ever_seen_is_told_once_and_none_there_is_gone(
    earlier: list[Past], now: CodeReading
) -> None:
    found = changes(earlier, now)
    everything = [p.reading for p in earlier] + [now]
    all_codes = {c for r in everything for c in (*r.present, *(r.permanent or ()))}
    assert sorted(c.code for c in found) == sorted(all_codes)
    gone = {c.code for c in found if c.change in (Change.GONE, Change.UNKNOWN)}
    assert not gone & {*now.present, *(now.permanent or ())}


# Where a code was read


@pytest.mark.parametrize("module", ["brakes", "Brake", "ABS", "brake booster", "abs/esp", "ESC"])
def test_any_fault_of_a_brake_module_forbids_the_makers_own_too(module: str) -> None:
    assert is_brake_module(module)
    assert class_of("C1234") == "other"
    assert class_of("C1234", (module,)) == "forbids"
    reading = read("C1234", modules=("engine", module), where=(("C1234", module),))
    assert reading.label() == "forbids"
    permanent = read("", "", "C1234", modules=(module,), where=(("C1234", module),))
    assert permanent.label() == "forbids"


@pytest.mark.parametrize("module", ["engine", "gearbox", "body", "escalator", "absent", "unbraked"])
def test_other_modules_are_no_brakes(module: str) -> None:
    assert not is_brake_module(module)
    assert class_of("P0507", (module,)) == class_of("P0507")


def test_places_are_read_and_nothing_is_dropped() -> None:
    parsed, where = parse_placed("P0507, C1234@brakes p2111-00 @ gearbox U0100")
    assert parsed.codes == ("P0507", "C1234", "P2111", "U0100")
    assert where == (("C1234", "brakes"), ("P2111", "gearbox"))
    for text, lost in (("@brakes", "@brakes"), ("P0507 lamp@brakes", "@brakes"), ("P0507@", "@")):
        assert lost in parse_placed(text)[0].rest


@given(st.text(max_size=80))
def test_reading_places_never_raises_and_agrees_where_there_are_none(text: str) -> None:
    parsed, where = parse_placed(text)
    assert {code for code, _ in where} <= set(parsed.codes)
    if "@" not in text:
        assert (parsed, where) == (parse_codes(text), ())


def test_a_reading_of_before_these_were_asked_is_the_same_reading() -> None:
    plain = read("P0507")
    assert set(plain.to_json()) == {"stored", "pending", "permanent", "modules"}
    full = read("P0507", where=(("P0507", "engine"),), by_work=("P0507",), notes=("a note",))
    for reading in (plain, full):
        assert CodeReading.from_json(reading.to_json()) == reading
