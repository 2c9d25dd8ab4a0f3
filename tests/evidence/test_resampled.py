"""Tables put onto even rows after they were read: found, and nothing else taken for one.

Truth is in the construction: an engine is read at known times, and the table is made of those
readings by `numpy.interp` or by holding each until the next. The real recordings were not resampled
(they are as their loggers wrote them).
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import real_recording
from verify.evidence.checks.catalogue import judge
from verify.evidence.importers.port import read_recording
from verify.evidence.recording import Array, Recording
from verify.evidence.resampled import resampled
from verify.evidence.stuck import Mask
from verify.words import Verdict

PRESSES = (110.0, 125.0, 140.0, 155.0, 170.0)
END_S = 220.0


def engine(seed: int, stall_s: tuple[float, float] | None = None) -> tuple[Array, Array, Array]:
    """(times, rpm, pedal) of a parked engine at 20 readings a second: idle and five presses."""
    t = np.arange(0.0, END_S, 0.05)
    rng = np.random.default_rng(seed)
    rpm, pedal = 750.0 + rng.normal(0.0, 6.0, len(t)), np.zeros(len(t))
    for begin in PRESSES:
        down = (t >= begin) & (t < begin + 5.0)
        pedal[down] = 20.0
        rpm[down] = 1900.0 + rng.normal(0.0, 20.0, int(down.sum()))
    if stall_s is not None:
        rpm[(t > stall_s[0]) & (t < stall_s[1])] = 0.0
    return t, rpm, pedal


def table(
    how: str,
    apart_s: float,
    row_s: float,
    seed: int = 1,
    *,
    step: float = 0.25,
    stall: bool = False,
) -> tuple[bytes, int]:
    """(a table with rows every row_s, how many readings it was made of)."""
    rng = np.random.default_rng(seed)
    read = np.sort(np.arange(0.0, END_S, apart_s) + rng.uniform(0.0, 0.12 * apart_s, 1)[0])
    read = read + rng.uniform(0.0, 0.12 * apart_s, len(read))
    at = read[np.searchsorted(read, 60.0)]
    t, rpm, pedal = engine(seed, (at + 0.05, at + 0.68 * apart_s) if stall else None)
    grid = np.arange(0.0, END_S - 1.0, row_s)

    def put(values: Array) -> Array:
        own = values[np.searchsorted(t, read).clip(max=len(t) - 1)]
        if how == "straight":
            return np.interp(grid, read, own)
        if how == "held":
            return own[np.searchsorted(read, grid, side="right").clip(1) - 1]
        return np.interp(grid, t, values)

    rows = ["time [s],engine speed [rpm],vehicle speed [km/h],accelerator pedal [%],coolant [°C]"]
    columns = np.round(put(rpm) / step) * step, np.round(put(pedal), 2)
    for place, now in enumerate(grid):
        rows.append(f"{now:.3f},{columns[0][place]:.6g},0,{columns[1][place]:.6g},90")
    return "\n".join(rows).encode(), len(read)


def recording(data: bytes) -> Recording:
    return read_recording(io.BytesIO(data), "table.csv")


@pytest.mark.parametrize("how", ["held", "straight"])
@pytest.mark.parametrize("step", [0.01, 0.25])
@pytest.mark.parametrize(("apart_s", "row_s"), [(2.5, 0.25), (1.0, 0.1), (3.1, 0.5)])
def test_its_readings_are_those_it_was_made_of(
    how: str, step: float, apart_s: float, row_s: float
) -> None:
    data, count = table(how, apart_s, row_s, step=step)
    made = recording(data)
    speed = made.channels["engine_speed"]
    assert speed.interval_s == pytest.approx(apart_s, rel=0.15)
    assert 0.6 * count <= len(speed.values) <= 1.1 * count
    # Every other value may be that old, or drawn between two.
    age_s = made.channels["pedal"].skew_s
    assert age_s == pytest.approx(1.2 * apart_s * (2 if how == "straight" else 1), rel=0.2)
    assert any("put onto even rows" in r for r in made.repairs)


@pytest.mark.parametrize("how", ["held", "straight"])
def test_a_stall_between_two_readings_is_not_passed(how: str) -> None:
    """It lasts 1.6 s and stands in no row, though there are four rows a second."""
    made = recording(table(how, 2.5, 0.25, stall=True)[0])
    assert float(made.channels["engine_speed"].values.min()) > 300.0
    assert judge([made], {}, ["no-stall"])[0].finding == "too-slow-to-tell"
    plain = recording(table("read", 0.25, 0.25)[0])
    assert judge([plain], {}, ["no-stall"])[0].verdict is Verdict.PASS


@pytest.mark.parametrize("row_s", [0.05, 0.1, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("step", [0.01, 0.25, 1.0, 4.0, 10.0, 25.0])
def test_a_table_of_readings_stays_as_it_is(row_s: float, step: float) -> None:
    made = recording(table("read", row_s, row_s, step=step)[0])
    assert not any("put onto even rows" in r for r in made.repairs)
    assert made.channels["engine_speed"].interval_s == pytest.approx(row_s, rel=1e-6)


@settings(max_examples=150, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    noise=st.floats(0.0, 40.0),
    forgets=st.floats(0.0, 0.99),
    step=st.sampled_from([0.01, 0.25, 0.78125, 1.0, 5.0, 25.0]),
    swing=st.floats(0.0, 400.0),
    period_rows=st.floats(8.0, 300.0),
)
def test_an_engine_that_is_read_at_every_row_is_never_taken_for_resampled(
    seed: int, noise: float, forgets: float, step: float, swing: float, period_rows: float
) -> None:
    """Calm or rough, in fine or coarse steps, steady or swinging, with white or slow noise."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(seed)
    n = 1500
    slow = lfilter([np.sqrt(1 - forgets**2)], [1.0, -forgets], rng.normal(0.0, noise, n))
    rpm = 900.0 + slow + swing * np.sin(2 * np.pi * np.arange(n) / period_rows)
    rpm[400:450] += 900.0
    told = np.round(np.maximum(rpm, 310.0) / step) * step
    assert resampled(0.1 * np.arange(n), told) is None


def test_rows_of_a_standing_engine_stay() -> None:
    t = 0.25 * np.arange(900)
    rng = np.random.default_rng(3)
    held = np.repeat(750.0 + np.round(rng.normal(0.0, 6.0, 100), 2), 9)
    held[100:300] = 0.0
    held[300:320] = np.nan
    found = resampled(t, held)
    assert found is not None
    kept: Mask = found.read
    assert bool(kept[100:320].all())
    assert int(kept.sum()) < 220 + 130


@pytest.mark.parametrize("n", [0, 1, 2, 99, 100, 50_000])
def test_nothing_breaks_on_little_or_dull(n: int) -> None:
    for values in (np.zeros(n), np.full(n, 750.0), np.full(n, np.nan), 700.0 + np.arange(n) % 2):
        assert resampled(0.1 * np.arange(n), values) is None


REAL = (
    "a5430dbfad877991546d2a23322386a123100a883fc21e5fb5c30953525c3020",
    "fcd86f5e4538de004ab3dbf42cdc234c388cb47ea52b1054ef157ed9cdb0c34f",
    "779bafddce7f5e8716cbb8d6118cba49bf0bd90c6a4b3a76dc4d8993210c7c6c",
    "e94fe8a06da8ceb0da1ba814236bf90a2ff18105a489ce3bd9087db41c7f51b7",
    "625c42248587751b40968296636af46f93069721d2be5ede16357af0a133135c",
    "f498d1a26cbc0de086a34b6ff1ddddef12a9040890567e59732ada87a5397380",
)


@pytest.mark.parametrize("sha256", REAL)
def test_real_recordings_were_not_resampled(sha256: str) -> None:
    made = read_recording(io.BytesIO(real_recording(sha256).read_bytes()), "real")
    assert not any("put onto even rows" in r for r in made.repairs)
    speed = made.channels["engine_speed"]
    assert resampled(speed.time_s, speed.values) is None
