"""One simulated car put to one question: what was done, what is true, and how it is logged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

import numpy as np

from tests.vehicle.logger import STYLES, Signals, logged
from verify.errors import UserError
from verify.evidence.recording import Recording
from verify.quantity import SpecValue, parse

# Over which multiples of the limit failing cars are drawn: usually, and to look at the limit.
EVERYWHERE, AT_THE_LIMIT = (1.0, 2.0), (1.0, 1.25)
_failing = [EVERYWHERE]


def failing() -> tuple[float, float]:
    """The stretch over which failing cars are drawn now."""
    return _failing[-1]


@contextmanager
def drawn_over(stretch: tuple[float, float]) -> Iterator[None]:
    """Failing cars are drawn over this stretch meanwhile."""
    _failing.append(stretch)
    try:
        yield
    finally:
        _failing.pop()


@dataclass(frozen=True)
class Case:
    """kind: what is wrong, in a word. share: the true quantity as a multiple of its limit (inf for
    plain events, nan where the limit is two-sided and a share makes no sense).
    truth: "bad", "good", or "between" (neither: undecided is the right answer).
    value: the true quantity in the unit the check tells it in (nan where there is none).
    """

    check: str
    kind: str
    share: float
    truth: str
    value: float
    recordings: Sequence[Signals]
    channels: Sequence[str]
    specs: Mapping[str, SpecValue] = field(default_factory=dict)


def truth_of(share: float) -> str:
    """Beyond the limit bad, at most 0.8 of it good, else near."""
    if share > 1.0:
        return "bad"
    return "good" if share <= 0.8 else "near"


def specs_of(idle_rpm: float = 700.0, **more: str) -> dict[str, SpecValue]:
    """Specs as a person would type them; those in units the tool does not know are left out."""
    found = {}
    for name, text in {"idle_speed": f"{idle_rpm:g} rpm", "gross_mass": "1500 kg", **more}.items():
        try:
            found[name] = SpecValue(parse(text), "service information")
        except UserError:
            continue
    return found


def recordings_of(case: Case, rng: np.random.Generator, rate_hz: float) -> list[Recording]:
    """The case as one logger saw it: one style for all its recordings."""
    style = STYLES[int(rng.integers(len(STYLES)))]
    jitter = float(rng.uniform(0.0, 0.12))
    return [
        logged(
            rng,
            signals,
            rate_hz,
            style=style,
            channels=[c for c in case.channels if c in signals.values],
            jitter=jitter,
            name=f"{case.kind} {place} {rng.integers(1 << 40)}",
        )
        for place, signals in enumerate(case.recordings)
    ]


Maker = Callable[[np.random.Generator, int], list[Case]]
