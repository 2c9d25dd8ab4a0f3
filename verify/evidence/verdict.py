"""From a measurement and its limits to a verdict: the last stage before an outcome.

A measurement carries its stated distribution; the probability of conformity is taken over it (as
JCGM 106:2012 does), and the verdict follows from that probability alone. Pass is earned: whatever
was not foreseen, NaN included, is undecided.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field
from enum import StrEnum
from typing import Any

from verify.evidence.distributions import (
    chi_square_cdf,
    normal_cdf,
    student_cdf,
    triangular_cdf,
    uniform_cdf,
)
from verify.values import dataclass
from verify.words import Verdict

# Flows may ask for more certainty than this, never for less.
LOOSEST_PASS_AT = 0.90
LOOSEST_FAIL_AT = 0.10
# With this many effective degrees of freedom Student's distribution is as good as the normal one.
MANY_DOF = 30.0


class Distribution(StrEnum):
    """How a measurement's doubt is spread; each is taken with the stated standard uncertainty."""

    NORMAL = "normal"
    STUDENT = "student"
    UNIFORM = "uniform"
    TRIANGULAR = "triangular"
    CHI_SQUARE = "chi-square"


@dataclass(frozen=True, slots=True)
class Limits:
    """The tolerance interval [lower, upper] in `unit`; an end that is None is open."""

    lower: float | None
    upper: float | None
    unit: str
    source: str

    def __post_init__(self) -> None:
        ends = [end for end in (self.lower, self.upper) if end is not None]
        if not ends:
            raise ValueError("limits need at least one end")
        if not all(math.isfinite(end) for end in ends):
            raise ValueError("the ends of limits must be finite")
        if len(ends) == 2 and not ends[0] < ends[1]:
            raise ValueError("the lower limit must lie below the upper one")
        if not self.source:
            raise ValueError("limits must say where they come from")

    def to_json(self) -> dict[str, Any]:
        return {
            "lower": self.lower,
            "upper": self.upper,
            "unit": self.unit,
            "source": self.source,
        }

    @staticmethod
    def from_json(value: Mapping[str, Any]) -> Limits:
        return Limits(value["lower"], value["upper"], value["unit"], value["source"])


@dataclass(frozen=True, slots=True)
class Measurement:
    """A number with its doubt.

    value, uncertainty: estimate and standard uncertainty, in `unit`. With CHI_SQUARE, value is a
        standard deviation from `dof` degrees of freedom and the uncertainty is only shown.
    dof: effective degrees of freedom (inf where they do not matter).
    samples: readings it rests on. resolution: the step of the readings, in `unit`.
    Raises ValueError where a number is not finite, the uncertainty is not above 0, or it is
    narrower than resolution/√12 (a reading cannot be known better than its last step).
    """

    value: float
    unit: str
    uncertainty: float
    distribution: Distribution = Distribution.NORMAL
    dof: float = math.inf
    samples: int = 1
    resolution: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.uncertainty)):
            raise ValueError("a measurement must be finite")
        if not self.uncertainty > 0.0:
            raise ValueError("a measurement must have an uncertainty above 0")
        if not self.dof > 0.0:
            raise ValueError("a measurement must have degrees of freedom above 0")
        if not self.uncertainty >= least_uncertainty(self.resolution) * (1.0 - 1e-12):
            raise ValueError("an uncertainty narrower than the resolution allows")
        if self.distribution is Distribution.STUDENT and not math.isfinite(self.dof):
            raise ValueError("Student's distribution needs finite degrees of freedom")
        if self.distribution is Distribution.CHI_SQUARE and not (
            math.isfinite(self.dof) and self.value >= 0.0
        ):
            raise ValueError("a spread needs finite degrees of freedom and must not be negative")


def least_uncertainty(resolution: float) -> float:
    """Standard uncertainty of rounding to steps of `resolution`: a uniform error, step/√12."""
    return resolution / math.sqrt(12.0)


def mean_measurement(
    mean: float, unit: str, deviation: float, effective: float, samples: int, resolution: float
) -> Measurement:
    """The mean of readings as a measurement.

    deviation: standard deviation of one reading; effective: how many independent readings they are
    worth (> 1). Student with effective − 1 degrees of freedom where these are few, else normal.
    The doubt of the resolution is joined in quadrature: averaging does not remove it when the
    readings hardly move.
    """
    uncertainty = math.hypot(deviation / math.sqrt(effective), least_uncertainty(resolution))
    dof = effective - 1.0
    few = dof < MANY_DOF
    return Measurement(
        mean,
        unit,
        uncertainty,
        Distribution.STUDENT if few else Distribution.NORMAL,
        dof if few else math.inf,
        samples,
        resolution,
    )


def probability_of_conformity(measurement: Measurement, limits: Limits) -> float:
    """How probable it is that the true value lies within the limits, in [0, 1].

    Taken over the measurement's stated distribution.
    Raises ValueError where the units differ: the caller compares unlike things.
    Source: JCGM 106:2012, clause 7 (one and two-sided tolerance intervals).
    """
    if measurement.unit != limits.unit:
        raise ValueError(f"a value in {measurement.unit} against limits in {limits.unit}")
    if measurement.distribution is Distribution.CHI_SQUARE:
        below_upper = 1.0 if limits.upper is None else _spread_below(measurement, limits.upper)
        below_lower = 0.0 if limits.lower is None else _spread_below(measurement, limits.lower)
        return max(0.0, below_upper - below_lower)
    below = 0.0 if limits.lower is None else _below(measurement, limits.lower)
    above = 0.0 if limits.upper is None else _above(measurement, limits.upper)
    return min(1.0, max(0.0, 1.0 - below - above))


def _below(m: Measurement, end: float) -> float:
    return _cdf(m, (end - m.value) / m.uncertainty)


def _above(m: Measurement, end: float) -> float:
    # All four are symmetric: the upper tail is the lower tail mirrored, and keeps its digits.
    return _cdf(m, (m.value - end) / m.uncertainty)


def _cdf(m: Measurement, z: float) -> float:
    if m.distribution is Distribution.STUDENT:
        return student_cdf(z, m.dof)
    if m.distribution is Distribution.UNIFORM:
        return uniform_cdf(z)
    if m.distribution is Distribution.TRIANGULAR:
        return triangular_cdf(z)
    return normal_cdf(z)


def _spread_below(m: Measurement, end: float) -> float:
    """P(true spread ≤ end), from dof·s²/σ² being chi-square distributed."""
    if end <= 0.0:
        return 0.0
    return 1.0 - chi_square_cdf(m.dof * (m.value / end) ** 2, m.dof)


@dataclass(frozen=True, slots=True)
class Rule:
    """From which probability on it is a pass, and down from which a fail.

    Raises ValueError where that is looser than 0.90 and 0.10.
    """

    pass_at: float = 0.95
    fail_at: float = 0.05

    def __post_init__(self) -> None:
        if not LOOSEST_PASS_AT <= self.pass_at <= 1.0:
            raise ValueError(f"pass_at must lie between {LOOSEST_PASS_AT} and 1")
        if not 0.0 <= self.fail_at <= LOOSEST_FAIL_AT:
            raise ValueError(f"fail_at must lie between 0 and {LOOSEST_FAIL_AT}")


def decide(p: float, pass_at: float = 0.95, fail_at: float = 0.05) -> Verdict:
    """The verdict for a probability of conformity. Raises ValueError where the bounds are loose."""
    rule = Rule(pass_at, fail_at)
    if p >= rule.pass_at:
        return Verdict.PASS
    if p <= rule.fail_at:
        return Verdict.FAIL
    return Verdict.UNDECIDED  # NaN lands here, and must


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of one recording, in seconds since its start.

    recording: its place among those that were judged together, counted from 0.
    """

    recording: int
    start_s: float
    end_s: float

    @property
    def seconds(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What one check says, complete enough to be stored, shown, and computed again.

    finding: one of the check's own words, tied to the verdict. value, uncertainty: in `unit`, None
    where nothing was measured. probability: of conformity with `limits`; None where the verdict
    does not rest on one. why: one plain sentence with the number. settle: what hands can do, for an
    undecided one. notes: second results and cautions. details: what only this check has to say
    (plain JSON values); it stands beside the other fields in the JSON form.
    """

    check: str
    version: int
    verdict: Verdict
    finding: str
    why: str
    settle: str = ""
    value: float | None = None
    unit: str = ""
    uncertainty: float | None = None
    limits: Limits | None = None
    probability: float | None = None
    windows: tuple[Window, ...] = ()
    samples: int = 0
    notes: tuple[str, ...] = ()
    details: Mapping[str, Any] = field(default_factory=dict)

    @property
    def limits_source(self) -> str:
        return self.limits.source if self.limits else ""

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values; every number finite, so that RFC 8785 can write it.

        Raises ValueError where a number is not finite: a defect of the check.
        """
        value = {
            "check": self.check,
            "version": self.version,
            "verdict": self.verdict.value,
            "finding": self.finding,
            "value": self.value,
            "unit": self.unit,
            "uncertainty": self.uncertainty,
            "limits": self.limits.to_json() if self.limits else None,
            "probability": self.probability,
            "windows": [],
            "samples": self.samples,
            "why": self.why,
            "settle": self.settle,
            "notes": list(self.notes),
        }
        value |= {name: _plain(own) for name, own in self.details.items() if name not in value}
        _refuse_endless(value)
        # A long recording has thousands of windows, each of which is two plain numbers.
        if not all(math.isfinite(w.start_s) and math.isfinite(w.end_s) for w in self.windows):
            raise ValueError("a result with a window that is not finite")
        value["windows"] = [
            {"recording": w.recording, "start_s": w.start_s, "end_s": w.end_s} for w in self.windows
        ]
        return value

    @staticmethod
    def from_json(value: Mapping[str, Any]) -> CheckResult:
        """The inverse of `to_json`. Raises KeyError, ValueError or TypeError on a foreign form."""
        return CheckResult(
            check=value["check"],
            version=value["version"],
            verdict=Verdict(value["verdict"]),
            finding=value["finding"],
            value=value["value"],
            unit=value["unit"],
            uncertainty=value["uncertainty"],
            limits=Limits.from_json(value["limits"]) if value["limits"] is not None else None,
            probability=value["probability"],
            windows=tuple(
                Window(w["recording"], w["start_s"], w["end_s"]) for w in value["windows"]
            ),
            samples=value["samples"],
            why=value["why"],
            settle=value["settle"],
            notes=tuple(value["notes"]),
            details={name: own for name, own in value.items() if name not in _OWN},
        )


_OWN = frozenset(
    (
        *("check", "version", "verdict", "finding", "value", "unit", "uncertainty", "limits"),
        *("probability", "windows", "samples", "why", "settle", "notes"),
    )
)


def _plain(value: Any) -> Any:
    """Tuples become lists, as they will be after a round trip."""
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, Mapping):
        return {name: _plain(item) for name, item in value.items()}
    return value


def _refuse_endless(value: Any) -> None:
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("a result with a number that is not finite")
    if isinstance(value, dict):
        for item in value.values():
            _refuse_endless(item)
    elif isinstance(value, list):
        for item in value:
            _refuse_endless(item)
