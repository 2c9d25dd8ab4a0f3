"""What a check is: its words, its findings, and how it hands over a result.

Below the families of checks and above nothing: `catalogue` gathers them. A check is a pure
function; it neither prints nor reads, and it decides through `Check.result` alone, so that a
finding can never carry another verdict than its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field
from typing import Any

from verify.evidence.recording import Recording
from verify.evidence.verdict import CheckResult, Limits, Measurement, Rule, Window
from verify.quantity import SpecValue
from verify.values import dataclass
from verify.words import Verdict

COMMON_PRACTICE = "common practice"

# A check that broke while running, and one whose pass rests on readings no car can have. The
# catalogue adds both to every check's own findings.
COULD_NOT_RUN = "could-not-run"
IMPOSSIBLE_READINGS = "impossible-readings"

Run = Callable[["Check", Sequence[Recording], Mapping[str, SpecValue], Rule], CheckResult]


@dataclass(frozen=True, slots=True)
class Check:
    """One question put to recordings.

    name, version: a change of the computation is a new version. channels: what must be recorded,
    in words. quantity: what is measured, and how. limits: in words, with source. findings: the
    closed list of its own words, each with its verdict. specs: numbers of this vehicle it cannot
    do without; uses: such as it takes when they are known. settles: finding → what hands can do,
    for undecided findings. look_alikes: healthy cars and harmless doings that look like the fault,
    and how they are told apart. blind_spots: what it cannot see.
    """

    name: str
    version: int
    question: str
    channels: tuple[str, ...]
    quantity: str
    limits: str
    findings: Mapping[str, Verdict]
    run: Run
    specs: tuple[str, ...] = ()
    uses: tuple[str, ...] = ()
    settles: Mapping[str, str] = field(default_factory=dict)
    look_alikes: tuple[str, ...] = ()
    blind_spots: tuple[str, ...] = ()

    def result(
        self,
        finding: str,
        why: str,
        *,
        settle: str = "",
        measurement: Measurement | None = None,
        count: int | None = None,
        limits: Limits | None = None,
        probability: float | None = None,
        windows: Sequence[Window] = (),
        samples: int = 0,
        notes: Sequence[str] = (),
        details: Mapping[str, Any] | None = None,
    ) -> CheckResult:
        """The result for one of the check's own findings, which decides the verdict.

        why: a sentence; its full stop may be left out.
        count: a number of events, where that is the value and has no uncertainty.
        Raises KeyError for a finding that is not its own.
        """
        verdict = self.findings[finding]
        undecided = verdict is Verdict.UNDECIDED
        return CheckResult(
            check=self.name,
            version=self.version,
            verdict=verdict,
            finding=finding,
            why=why if why.endswith(".") else f"{why}.",
            settle=(settle or self.settles.get(finding, "")) if undecided else "",
            value=measurement.value if measurement else None if count is None else float(count),
            unit=measurement.unit if measurement else "" if count is None else "1",
            uncertainty=measurement.uncertainty if measurement else None,
            limits=limits,
            probability=probability,
            windows=tuple(windows),
            samples=samples or (measurement.samples if measurement else 0),
            notes=tuple(notes),
            details=dict(details or {}),
        )


def spec_number(specs: Mapping[str, SpecValue], name: str, unit: str) -> float | None:
    """A vehicle's number in `unit`, None where it is not known. Raises UserError where unlike."""
    found = specs.get(name)
    return None if found is None else float(found.quantity.to(unit).value)
