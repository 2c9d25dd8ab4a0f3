"""Numbers as people type them: exact, never guessed at, and shown as they were."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.errors import UserError
from verify.quantity import (
    UNITS,
    convert,
    convert_span,
    is_unit,
    parse,
    show,
    shown_unit,
    unit,
)


def refused(text: str, expect: str | None = None) -> str:
    with pytest.raises(UserError) as caught:
        parse(text, expect=expect)
    return str(caught.value)


@pytest.mark.parametrize(
    ("typed", "value", "name", "place"),
    [
        ("750 rpm", 750, "rpm", 1),
        ("750rpm", 750, "rpm", 1),
        ("  7.4  ft·lbf ", "7.4", "ft·lbf", "0.1"),
        ("7,40 ft-lb", "7.40", "ft·lbf", "0.01"),
        ("12.50 V", "12.5", "V", "0.01"),
        (".5 bar", "0.5", "bar", "0.1"),
        ("-40 °F", -40, "°F", 1),
        ("−6,7 °C", "-6.7", "°C", "0.1"),
        ("+3 %", 3, "%", 1),
        ("1e3 Pa", 1000, "Pa", 1000),
        ("1.5E-1 V", "0.15", "V", "0.01"),
        ("0,750 V", "0.75", "V", "0.001"),
        ("12.125 V", "12.125", "V", "0.001"),
        ("85 º C", 85, "°C", 1),
        ("85 DEG C", 85, "°C", 1),
        ("5", 5, "1", 1),
        ("10 KM/H", 10, "km/h", 1),
    ],
)
def test_what_is_typed_is_read_exactly(
    typed: str, value: str | int, name: str, place: str | int
) -> None:
    found = parse(typed)
    assert (found.value, found.unit, found.last_place) == (Fraction(value), name, Fraction(place))


def test_a_bare_number_takes_the_expected_unit_and_another_unit_keeps_its_own() -> None:
    assert (parse("750", expect="rpm").unit, parse("30", expect="°C").unit) == ("rpm", "°C")
    assert parse("86 °F", expect="°C").unit == "°F"
    assert parse("86 °F", expect="°C").to("°C").value == 30


@pytest.mark.parametrize(
    "bare", ["89", "89 lb", "89 lbs", "89 in", "89 ft", "7.4 ft lbs x", "10 newton metres"]
)
def test_a_torque_without_its_unit_is_asked_for_and_not_guessed(bare: str) -> None:
    number = bare.split()[0]
    assert refused(bare, "N·m") == (
        f'  found "{bare}"; expected a torque with its unit spelled out\n'
        f'  write "{number} Nm", "{number} in-lbf" or "{number} ft-lbf": '
        "the last two differ by a factor of 12"
    )


@pytest.mark.parametrize("unit_name", ["N·m", "Nm", "ft·lbf", "lb-ft", "in-lb", "lbf in", "kgf·m"])
def test_a_torque_with_its_unit_is_read(unit_name: str) -> None:
    if unit_name == "lbf in":
        assert "factor of 12" in refused("9 lbf in", "N·m")
    else:
        assert parse(f"9 {unit_name}", expect="N·m").to("N·m").value > 0


@pytest.mark.parametrize(
    ("typed", "expect", "said"),
    [
        (
            "1,200 rpm",
            "rpm",
            '  found "1,200"; expected a number without thousands marks\n  write "1200" or "1.200"',
        ),
        (
            "12,500",
            "km",
            '  found "12,500"; expected a number without thousands marks\n'
            '  write "12500" or "12.500"',
        ),
        *(
            (
                text,
                "rpm",
                f'  found "{text}"; expected one number, without thousands marks or gaps\n'
                "  write its digits together, with one decimal sign at most",
            )
            for text in ("1 200 rpm", "1'200 rpm", "1.200,5 rpm", "12.5.3", "7..4")
        ),
        (
            "750 rmp",
            "rpm",
            '  found "750 rmp"; expected a number with a unit of rotational speed\n'
            '  write "750 rpm"',
        ),
        (
            "12.2 A",
            "V",
            '  found "12.2 A"; expected a number with a unit of voltage\n  write "12.2 V"',
        ),
        (
            "12.2 bar",
            "V",
            "  found bar, a unit of pressure; expected a unit of voltage, such as V\n"
            "  give the number in V",
        ),
        (
            "about 12",
            "V",
            '  found "about 12"; expected a number with a unit of voltage\n'
            '  write for example "12.5 V"',
        ),
        ("", None, '  found ""; expected a number\n  write for example "750 rpm"'),
        ("nan", None, '  found "nan"; expected a number\n  write for example "750 rpm"'),
        ("1/2 V", "V", '  found "1/2 V"; expected a number with a unit of voltage\n  write "1 V"'),
    ],
)
def test_what_cannot_be_meant_is_refused_with_the_way_out(
    typed: str, expect: str | None, said: str
) -> None:
    assert refused(typed, expect) == said


@pytest.mark.parametrize(
    "typed", ["٧٥٠ rpm", "7५ V", "९", "9" * 5000, "1e999 V", "inf", "0x10", "7 4", "1_000", "--5"]
)
def test_other_digits_and_endless_numbers_are_refused(typed: str) -> None:
    assert "found" in refused(typed)


@given(st.text(max_size=70), st.sampled_from([None, *UNITS]))
def test_any_text_is_a_quantity_or_refused(typed: str, expect: str | None) -> None:
    try:
        found = parse(typed, expect=expect)
    except UserError:
        return
    assert found.unit in UNITS
    assert expect is None or UNITS[found.unit].dimension == UNITS[expect].dimension


_decimals = st.decimals(-(10**6), 10**6, allow_nan=False, allow_infinity=False, places=3)


@given(_decimals, st.sampled_from(list(UNITS)))
def test_a_number_comes_back_as_it_was_typed_with_point_or_comma(number: object, name: str) -> None:
    text = f"{number:f}"
    behind = f" {name}" if name != "1" else ""
    found = parse(text + behind)
    assert found.value == Fraction(text)
    assert str(found) == text + behind
    assert found.last_place == Fraction(1, 1000)
    # A comma before three digits could mark thousands, so it is read only where it cannot.
    comma = text.replace(".", ",")
    if re.fullmatch(r"-?[1-9][0-9]{0,2},[0-9]{3}", comma):
        assert "thousands" in refused(comma + behind)
    else:
        assert parse(comma + behind).value == found.value


@given(_decimals, st.sampled_from(list(UNITS)), st.data())
def test_there_and_back_is_the_same_number(number: object, name: str, data: st.DataObject) -> None:
    fitting = [u for u in UNITS if UNITS[u].dimension == UNITS[name].dimension]
    other = data.draw(st.sampled_from(fitting))
    value = Fraction(str(number))
    assert convert(convert(value, name, other), other, name) == value
    assert convert_span(convert_span(value, name, other), other, name) == value
    difference = convert(value, name, other) - convert(Fraction(0), name, other)
    assert convert_span(value, name, other) == difference


@given(_decimals, st.sampled_from(list(UNITS)), st.data())
def test_a_converted_quantity_never_shows_its_old_digits(
    number: object, name: str, data: st.DataObject
) -> None:
    fitting = [u for u in UNITS if UNITS[u].dimension == UNITS[name].dimension]
    quantity = parse(f"{number:f}", expect=name) if name == "1" else parse(f"{number:f} {name}")
    converted = quantity.to(data.draw(st.sampled_from(fitting)))
    shown = parse(str(converted))
    assert shown.unit == converted.unit
    assert abs(shown.value - converted.value) <= max(converted.last_place, Fraction(1, 10**12)) / 2


def test_a_converted_quantity_is_shown_in_its_new_unit() -> None:
    assert str(parse("86 °F").to("°C")) == "30.0 °C"
    assert str(parse("7.4 ft·lbf").to("N·m")) == "10.0 N·m"
    assert str(parse("7.40 ft·lbf").to("in·lbf")) == "88.8 in·lbf"
    assert str(parse("12.50 V").to("V")) == "12.50 V"
    assert str(parse("12.50 V").to("mV")) == "12500 mV"


def test_what_rounding_hid_is_a_width_and_converts_as_one() -> None:
    assert parse("160 °F").to("°C").last_place == Fraction(5, 9)


def test_every_spelling_names_one_unit() -> None:
    taken: dict[str, str] = {}
    for name, known in UNITS.items():
        for spelling in (name, *known.spellings):
            assert unit(spelling).name == name
            assert unit(f" {spelling.upper()} ").name == name
            assert taken.setdefault(spelling.casefold(), name) == name


def test_an_unknown_unit_is_refused_with_the_nearest() -> None:
    with pytest.raises(UserError) as caught:
        unit("kpaa")
    [problem] = caught.value.problems
    assert (problem.found, problem.next) == ('"kpaa"', 'write "kPa"')
    assert not is_unit("furlong")
    assert is_unit("Nm")


def test_units_of_unlike_things_do_not_convert() -> None:
    for convert_it in (convert, convert_span):
        with pytest.raises(UserError, match="found V, a unit of voltage; expected a unit of torq"):
            convert_it(Fraction(1), "V", "N·m")


@pytest.mark.parametrize(
    ("value", "name", "system", "shown"),
    [
        (749.6, "rpm", "metric", "750 rpm"),
        (749.6, "rpm", "us", "750 rpm"),
        (40.2336, "km/h", "us", "25 mph"),
        (30.0, "°C", "us", "86 °F"),
        (86.0, "°F", "metric", "30 °C"),
        (12.345, "V", "metric", "12.3 V"),
        (10.0, "N·m", "us", "7.38 ft·lbf"),
        (89.0, "in·lbf", "metric", "10.1 N·m"),
        (0.0, "V", "metric", "0 V"),
        (-0.0, "V", "metric", "0 V"),
        (0.0000125, "s", "metric", "0.0000125 s"),
        (1234.5, "km", "metric", "1234 km"),
        (math.nan, "V", "metric", "unknown"),
        (math.inf, "V", "us", "unknown"),
        (3.0, "1", "metric", "3"),
    ],
)
def test_values_are_shown_as_people_read_them(
    value: float, name: str, system: str, shown: str
) -> None:
    assert show(value, name, system) == shown


@given(
    st.floats(-1e6, 1e6),
    st.sampled_from([n for n in UNITS if n != "1"]),
    st.sampled_from(["metric", "us"]),
)
def test_what_is_shown_is_the_value_to_three_figures(value: float, name: str, system: str) -> None:
    shown = parse(show(value, name, system))
    assert shown.unit == shown_unit(name, system)
    exact = float(convert(Fraction(value), name, shown.unit))
    assert float(shown.value) == pytest.approx(exact, rel=0.006, abs=1e-12)


def test_the_chosen_system_changes_units_and_back() -> None:
    for name in UNITS:
        us, metric = shown_unit(name, "us"), shown_unit(name, "metric")
        assert UNITS[us].dimension == UNITS[metric].dimension == UNITS[name].dimension
        assert shown_unit(us, "us") == us
        assert shown_unit(metric, "metric") == metric
