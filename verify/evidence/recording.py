"""A recording: time series of the car's own data, as the importers hand it to the checks.

Every channel keeps its own times, because loggers ask one value after the other: a common table
would invent values between the readings. Arrays are read-only; nothing derived is stored here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from verify.values import dataclass

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One quantity over time, in the canonical unit of its name.

    name: canonical ("engine_speed", "vehicle_speed", "pedal", "throttle", "coolant" …; the closed
        list with units stands in seeds/channels.csv, that of a sound in importers/sound.py).
    time_s: shape (n,), seconds since the start of the recording, strictly increasing, finite.
    values: shape (n,), finite, in `unit`. Only genuine refreshes of the value: rows in which the
        logger merely repeated it are left out where the file's pattern shows that.
    resolution: the smallest step the numbers can show, in `unit` (0.0 where none can be seen).
    interval_s: the median time between genuine readings (nan with fewer than two).
    header: the column's own words.
    skew_s: the greatest age a reading may have at its time. A logger that asks several values and
        writes them as one row gives them one time, though they were read one after the other; 0
        where every reading carries its own time.
    """

    name: str
    unit: str
    time_s: Array
    values: Array
    resolution: float
    interval_s: float
    header: str = ""
    skew_s: float = 0.0

    def __post_init__(self) -> None:
        if self.time_s.shape != self.values.shape or self.time_s.ndim != 1:
            raise ValueError("time_s and values must be one-dimensional and of equal length")
        self.time_s.setflags(write=False)
        self.values.setflags(write=False)

    @property
    def rate_hz(self) -> float:
        """Genuine readings per second (nan where unknown)."""
        return 1.0 / self.interval_s if self.interval_s > 0 else float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """What a file says, and how it was read.

    sha256: of the file's bytes; importer, importer_version, mapping: the rest of what decides the
        channels, so that an audit can read the same file the same way.
    mapping: column header → canonical channel ("-" where a person said that it is none).
    rows: data rows in the file; seconds: last time minus first.
    gaps: (start_s, end_s) stretches in which the logger wrote nothing; no exposure.
    repairs: plain sentences, one for each thing that was mended or left out while reading.
    """

    source_name: str
    sha256: str
    importer: str
    importer_version: int
    rows: int
    seconds: float
    channels: Mapping[str, Channel]
    gaps: tuple[tuple[float, float], ...] = ()
    repairs: tuple[str, ...] = ()
    mapping: Mapping[str, str] = field(default_factory=dict)
    unmapped: tuple[str, ...] = ()
