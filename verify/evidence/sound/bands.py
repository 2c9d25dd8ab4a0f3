"""Of every second of sound, two slow signals: a low band for firing, the loudness of clicks.

Streams: what is kept between blocks is the length of a filter. Filters are windowed sinc kernels
(Oppenheim and Schafer, Discrete-Time Signal Processing, "FIR filter design by windowing").
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from verify.evidence.recording import Array

LOW_RATE_HZ = 2000.0
CLICK_STEP_S = 0.002
CLICK_FROM_HZ, CLICK_TO_HZ = 1000.0, 7000.0
# A file's loudest number, or so near to it that a codec made the difference.
CLIPPED_AT, CLIPPED_RUN = 0.985, 3
SILENCE_DB = -120.0


def low_pass(cutoff: float, taps: int) -> NDArray[np.float32]:
    """cutoff: share of the sampling rate. Shape (taps,), sum 1; Hamming window."""
    n = np.arange(taps) - (taps - 1) / 2.0
    kernel = np.sinc(2.0 * cutoff * n) * np.hamming(taps)
    made: NDArray[np.float32] = (kernel / kernel.sum()).astype(np.float32)
    return made


@dataclass
class Bands:
    """rate: of the sound; low_rate, click_rate: of what comes out, in Hz.

    low: every `low_rate`-th second one sample below about 0.45 of it; clicks_db: power of the
    click band in steps of about 2 ms, in dB of a full-scale square.
    """

    rate: int

    def __post_init__(self) -> None:
        self.factor = max(1, int(self.rate / LOW_RATE_HZ))
        self.low_rate = self.rate / self.factor
        self.step = max(1, round(self.rate * CLICK_STEP_S))
        self.click_rate = self.rate / self.step
        self._low_kernel = low_pass(0.45 / self.factor, 12 * self.factor + 1)
        # A kernel of a millisecond: the slopes are gentle, the echo short.
        taps = 2 * (self.rate // 2000) + 1
        top = min(CLICK_TO_HZ, 0.45 * self.rate) / self.rate
        band = low_pass(top, taps) - low_pass(CLICK_FROM_HZ / self.rate, taps)
        self._band_kernel = (band - band.mean()).astype(np.float32)
        self._low_tail = np.zeros(len(self._low_kernel) // 2, np.float32)
        self._band_tail = np.zeros(taps // 2, np.float32)
        self.samples = 0
        self.clipped = 0

    def feed(self, block: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """(low, clicks_db) that this block completes."""
        self.samples += len(block)
        self.clipped += _clipped(block)
        return self._low(block), self._clicks(block)

    def finish(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """What is left, as if silence followed."""
        low = self._low(np.zeros(len(self._low_kernel) // 2, np.float32))
        return low, self._clicks(np.zeros(len(self._band_kernel) // 2, np.float32))

    def _low(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        joined = np.concatenate([self._low_tail, block])
        length = len(self._low_kernel)
        if len(joined) < length:
            self._low_tail = joined
            return np.zeros(0, np.float32)
        made = sliding_window_view(joined, length)[:: self.factor] @ self._low_kernel
        self._low_tail = joined[len(made) * self.factor :]
        return np.asarray(made, np.float32)

    def _clicks(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        joined = np.concatenate([self._band_tail, block])
        length = len(self._band_kernel)
        steps = (len(joined) - length + 1) // self.step
        if steps <= 0:
            self._band_tail = joined
            return np.zeros(0, np.float32)
        used = steps * self.step
        band = np.convolve(joined[: used + length - 1], self._band_kernel, "valid")
        self._band_tail = joined[used:]
        power = np.einsum("ij,ij->i", *(2 * [band.reshape(steps, self.step)])) / self.step
        made: NDArray[np.float32] = 10.0 * np.log10(np.maximum(2.0 * power, 1e-12))
        return made.astype(np.float32)


def _clipped(block: NDArray[np.float32]) -> int:
    """Samples in runs of at least three at the file's loudest number."""
    loud = np.abs(block) >= CLIPPED_AT
    if not loud.any():
        return 0
    runs = loud[:-2] & loud[1:-1] & loud[2:]
    return int(np.count_nonzero(runs))


def level_db(values: Array) -> float:
    """Mean power in dB of full scale."""
    power = float(np.mean(np.square(values))) if len(values) else 0.0
    return float(10.0 * np.log10(max(2.0 * power, 1e-12)))
