"""Status bytes and typed boxes. Bits: SAE J1979 / ISO 15031-5 as several public decoders agree."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.car.readiness import (
    Ignition,
    State,
    Status,
    combine,
    monitors,
    not_complete_words,
    status_from_boxes,
    status_from_bytes,
    status_from_text,
    status_from_typed,
)
from verify.errors import UserError

BYTE = st.integers(0, 255)
CONTINUOUS = ("misfire", "fuel-system", "components")


def test_which_bit_is_which_monitor() -> None:
    """The table of bits, written out once more by hand from the published one."""
    spark = [
        "catalyst",
        "heated-catalyst",
        "evaporative",
        "secondary-air",
        "gasoline-particulate-filter",
        "oxygen-sensor",
        "oxygen-sensor-heater",
        "egr-vvt",
    ]
    compression = [
        "nmhc-catalyst",
        "nox-scr",
        "reserved-2",
        "boost-pressure",
        "reserved-4",
        "exhaust-gas-sensor",
        "particulate-filter",
        "egr-vvt",
    ]
    for ignition, names, b in ((Ignition.SPARK, spark, 0), (Ignition.COMPRESSION, compression, 8)):
        for bit, name in enumerate(names):
            assert status_from_bytes(0, b, 1 << bit, 0).states[name] is State.COMPLETE
            status = status_from_bytes(0, b, 1 << bit, 1 << bit)
            assert status.named(State.NOT_COMPLETE) == (name,)
            assert status.ignition is ignition
        for bit, name in enumerate(CONTINUOUS):
            status = status_from_bytes(0, b | 1 << bit | 1 << (bit + 4), 0, 0)
            assert status.named(State.NOT_COMPLETE) == (name,)
            assert status_from_bytes(0, b | 1 << bit, 0, 0).states[name] is State.COMPLETE


@given(BYTE, BYTE, BYTE, BYTE)
def test_every_status_is_read_and_its_bytes_can_be_told_back(
    a: int, b: int, c: int, d: int
) -> None:
    status = status_from_bytes(a, b, c, d)
    assert status.lamp_commanded is (a >= 128)
    assert status.stored_codes == a % 128
    back = {"B": 0, "C": 0, "D": 0}
    for name, state in status.states.items():
        monitor = status.monitor(name)
        assert state is not State.NOT_READ
        if state is State.NOT_SUPPORTED:
            continue
        back[monitor.byte] |= 1 << monitor.bit
        if state is State.NOT_COMPLETE:
            at = ("B", monitor.bit + 4) if monitor.byte == "B" else ("D", monitor.bit)
            back[at[0]] |= 1 << at[1]
    supported_b = b & 0x07
    assert back["C"] == c
    assert back["D"] == d & c, "only supported monitors are evaluated"
    assert back["B"] == supported_b | (b & supported_b << 4)
    if d & ~c:
        assert any("not supported" in note for note in status.notes)


def test_what_does_not_fit_together_is_said_and_not_dropped() -> None:
    assert "reserved" in status_from_bytes(0, 0x80, 0, 0).notes[0]
    assert "no stored code" in status_from_bytes(0x80, 0, 0, 0).notes[0]
    assert status_from_bytes(0, 0x08, 0x04, 0x04).states["reserved-2"] is State.NOT_COMPLETE
    assert "reserved-2" not in status_from_bytes(0, 0x08, 0, 0).states
    assert "byte A" in status_from_bytes(1, 7, 0, 0, cycle=True).notes[0]


@pytest.mark.parametrize("bytes_", [(256, 0, 0, 0), (0, -1, 0, 0)])
def test_a_number_that_is_no_byte_is_refused(bytes_: tuple[int, int, int, int]) -> None:
    with pytest.raises(ValueError, match="between 0 and 255"):
        status_from_bytes(*bytes_)


@pytest.mark.parametrize(
    "text",
    [
        "41 01 00 07 65 04",
        "410100076504",
        " 0x41,0x01,0x00,0x07,0x65,0x04 ",
        "7E8 06 41 01 00 07 65 04",
        "7e8 06 41 01 00 07 65 04 00",
        "18 DA F1 10 06 41 01 00 07 65 04 AA",
        "41:01:00:07:65:04",
    ],
)
def test_a_reply_is_read_however_it_was_pasted(text: str) -> None:
    assert status_from_text(text) == status_from_bytes(0, 7, 0x65, 4)


def test_the_reply_of_this_cycle_says_so_and_holds_no_lamp() -> None:
    status = status_from_text("41 41 00 07 65 04")
    assert status.cycle
    assert status.lamp_commanded is None
    assert status.stored_codes is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "41 01 00 07 65",
        "41 02 00 07 65 04",
        "01 01",
        "41 01 00 07 65 0G",
        "41 01" * 300,
        "P0420",
    ],
)
def test_what_is_no_reply_is_refused_in_one_clear_message(text: str) -> None:
    with pytest.raises(UserError) as error:
        status_from_text(text)
    assert len(error.value.problems) == 1
    assert "41 01 00 07 65 04" in error.value.problems[0].next


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(UserError):
        assert isinstance(status_from_text(text), Status)


def test_boxes_say_what_they_say_and_the_rest_is_not_read() -> None:
    status = status_from_boxes(
        {"Catalyst": "Ready", "EVAP": "incomplete", "secondary_air": "n/a", "O2 sensor": "?"},
        Ignition.SPARK,
        lamp_commanded=False,
        stored_codes=0,
    )
    assert status.named(State.COMPLETE) == ("catalyst",)
    assert status.named(State.NOT_COMPLETE) == ("evaporative",)
    assert status.named(State.NOT_SUPPORTED) == ("secondary-air",)
    assert set(status.named(State.NOT_READ)) == set(monitors(Ignition.SPARK)) - {
        "catalyst",
        "evaporative",
        "secondary-air",
    }
    untouched = status_from_boxes({}, Ignition.COMPRESSION)
    assert set(untouched.states.values()) == {State.NOT_READ}
    assert untouched.lamp_commanded is None
    assert untouched.stored_codes is None


def test_all_wrong_boxes_are_named_at_once_with_the_nearest() -> None:
    with pytest.raises(UserError) as error:
        status_from_boxes(
            {"catalist": "complete", "evap": "maybe"}, Ignition.SPARK, stored_codes=200
        )
    text = str(error.value)
    assert len(error.value.problems) == 3
    assert 'write "catalyst"' in text
    assert "127" in text


def test_two_states_for_one_monitor_are_asked_about() -> None:
    with pytest.raises(UserError, match="one state for a monitor"):
        status_from_boxes({"evap": "complete", "evaporative": "not complete"}, Ignition.SPARK)


@pytest.mark.parametrize(
    ("typed", "ignition"),
    [
        ("catalyst: complete, misfire: complete", Ignition.SPARK),
        ("nmhc: complete, misfire: complete", Ignition.COMPRESSION),
        ("DPF: not ready", Ignition.COMPRESSION),
        ("diesel, misfire: complete, fuel system: complete", Ignition.COMPRESSION),
        ("engine: diesel; egr: complete", Ignition.COMPRESSION),
        ("fuel system: complete; ignition: spark", Ignition.SPARK),
        ("petrol, catalyst: complete", Ignition.SPARK),
    ],
)
def test_the_kind_of_engine_is_said_or_follows_from_the_monitors(
    typed: str, ignition: Ignition
) -> None:
    status = status_from_typed(typed)
    assert status.ignition is ignition
    # Whatever that engine has and nobody named is not read.
    own = {n for n, m in monitors(ignition).items() if m.kind != "reserved"}
    assert set(status.states) == own


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("misfire: complete, fuel system: complete", "a diesel and a gasoline engine both have"),
        ("catalyst: complete, nmhc: complete", "on one screen"),
        ("diesel, catalyst: complete", "monitor of a compression ignition engine"),
        ("diesel, gasoline, misfire: complete", "one kind of engine"),
        ("catalist: complete", 'write "catalyst"'),
    ],
)
def test_the_kind_of_engine_is_never_guessed(typed: str, says: str) -> None:
    with pytest.raises(UserError, match=says):
        status_from_typed(typed)


def test_six_complete_diesel_boxes_do_not_make_a_spark_engine_ready() -> None:
    shared = "misfire: complete, fuel system: complete, components: complete, egr: complete"
    with pytest.raises(UserError):
        status_from_typed(shared)
    assert not_complete_words(status_from_typed(f"diesel, {shared}"))


@given(
    st.dictionaries(
        st.sampled_from([n for i in Ignition for n in (*monitors(i), "misfire", "egr", "x")]),
        st.sampled_from([s.value for s in State]),
        min_size=1,
        max_size=6,
    )
)
def test_boxes_are_read_as_one_kind_of_engine_or_refused(boxes: dict[str, str]) -> None:
    typed = ", ".join(f"{name}: {state}" for name, state in boxes.items())
    fits = [i for i in Ignition if all(n in monitors(i) or n == "egr" for n in boxes)]
    try:
        status = status_from_typed(typed)
    except UserError:
        return
    assert fits == [status.ignition]


@pytest.mark.parametrize("ignition", Ignition)
def test_every_name_of_the_table_is_understood_and_means_one_monitor(ignition: Ignition) -> None:
    for name, monitor in monitors(ignition).items():
        if monitor.kind == "reserved":
            continue
        for spelling in (name, monitor.title, *monitor.other_names, name.upper()):
            status = status_from_boxes({spelling: "complete"}, ignition)
            assert status.named(State.COMPLETE) == (name,), spelling


def test_several_modules_are_one_car_and_the_worst_counts() -> None:
    engine = status_from_text("41 01 00 0F EB 00")
    gearbox = status_from_text("41 01 81 44 00 00")
    both = combine([gearbox, engine])
    assert both.ignition is Ignition.COMPRESSION, "the gearbox leaves the bit at spark"
    assert both.lamp_commanded is True
    assert both.stored_codes == 1
    assert both.named(State.NOT_COMPLETE) == ("components",)
    assert combine([engine]).states == engine.states


def test_a_module_whose_boxes_were_not_read_leaves_the_car_not_read() -> None:
    read = status_from_boxes({"catalyst": "complete"}, Ignition.SPARK, lamp_commanded=False)
    unread = status_from_boxes({"evap": "complete"}, Ignition.SPARK)
    both = combine([read, unread])
    assert both.states["catalyst"] is State.NOT_READ
    assert both.lamp_commanded is None


def test_modules_that_cannot_be_one_car_are_refused() -> None:
    with pytest.raises(UserError, match="spark"):
        combine([status_from_text("41 01 00 0F EB 00"), status_from_text("41 01 00 07 E5 00")])
    with pytest.raises(UserError, match="driving cycle"):
        combine([status_from_text("41 01 00 07 E5 00"), status_from_text("41 41 00 07 E5 00")])
    with pytest.raises(ValueError, match="no status"):
        combine([])
