"""Numbers of a vehicle from files and options, random and damaged: a value or one clear problem."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verify.errors import UserError
from verify.terminal.recording_options import _file_specs, vehicle_specs

GOOD = 'idle_speed: {value: "700 rpm", source: service information}\nwarm_coolant: "85 °C"\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("specs")


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_a_damaged_specs_file_is_read_or_refused_and_never_breaks(
    data: st.DataObject, folder: Path
) -> None:
    at = data.draw(st.integers(0, len(GOOD)))
    cut = data.draw(st.integers(0, 10))
    junk = data.draw(st.binary(max_size=8))
    path = folder / "car.yaml"
    path.write_bytes(GOOD[:at].encode() + junk + GOOD[at + cut :].encode())
    with suppress(UserError):
        for value in _file_specs(str(path)).values():
            assert value.quantity.value is not None


@settings(max_examples=200, deadline=None)
@given(text=st.text(max_size=30))
def test_a_typed_spec_is_read_or_refused_and_never_breaks(text: str) -> None:
    with suppress(UserError):
        vehicle_specs([f"idle_speed={text}"], None)
    with suppress(UserError):
        vehicle_specs([text], None)


def test_the_undamaged_file_is_read(folder: Path) -> None:
    path = folder / "good.yaml"
    path.write_text(GOOD)
    assert set(_file_specs(str(path))) == {"idle_speed", "warm_coolant"}
