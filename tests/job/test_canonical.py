"""RFC 8785 against its own examples and against the library that others would use."""

from __future__ import annotations

import math
import struct
from typing import Any

import pytest
import rfc8785
from hypothesis import example, given, settings
from hypothesis import strategies as st

from verify.job.canonical import canonical, parse

# RFC 8785, Appendix B: IEEE 754 bits, and how they are written.
APPENDIX_B = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), APPENDIX_B)
def test_numbers_are_written_as_appendix_b_of_rfc_8785_says(bits: str, text: str) -> None:
    (value,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(value).decode() == text


def test_names_are_sorted_as_the_example_of_rfc_8785_says() -> None:
    # RFC 8785, 3.2.3
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    order = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert list(parse(canonical(dict.fromkeys(names, 0)))) == order


def test_a_whole_object_is_written_as_the_example_of_rfc_8785_says() -> None:
    # RFC 8785, 3.2.2
    value = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": '\u20ac$\u000f\nA\'B"\\\\"/',
        "literals": [None, True, False],
    }
    assert canonical(value).decode() == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


NUMBERS = st.floats() | st.integers(-(2**54), 2**54) | st.integers().map(float)
JSON = st.recursive(
    st.none() | st.booleans() | NUMBERS | st.text(),
    lambda inner: st.lists(inner) | st.lists(inner).map(tuple) | st.dictionaries(st.text(), inner),
)


@settings(max_examples=400, deadline=None)
@given(JSON)
@example({"\ue000": 1, "\U00010000": 2})
@example("\x7f\u2028\ud800")
def test_it_writes_and_refuses_what_the_library_writes_and_refuses(value: Any) -> None:
    try:
        expected = rfc8785.dumps(value)
    except ValueError:
        with pytest.raises(ValueError):
            canonical(value)
        return
    assert canonical(value) == expected
    assert canonical(parse(expected)) == expected


@settings(max_examples=2000, deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False) | st.floats(-1e-3, 1e-3))
def test_every_double_survives(value: float) -> None:
    assert canonical(value) == rfc8785.dumps(value)
    assert math.isclose(float(parse(canonical(value))), value, rel_tol=0, abs_tol=0)


@pytest.mark.parametrize("value", [{1: 2}, {None: 1}, b"x", {1}, object(), {"a": {"b": 1j}}])
def test_what_is_no_json_is_refused(value: Any) -> None:
    with pytest.raises(ValueError):
        canonical(value)
