"""Numbers that nobody can have read: below zero where there is nothing below, or off any scale, and
an odometer that runs backwards. They are asked again; what a car can show is never refused. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping

from verify.errors import Problem, UserError
from verify.flow.graph import Step
from verify.job.session import ReadOnlySession
from verify.quantity import Quantity, parse, unit

# Dimension → unit, least, most. The ends are far outside anything a car shows: an odometer has
# seven digits at most, 0 K is -273.15 °C, and a drive battery stays below 1500 V. Common practice,
# no source.
SCALES: Mapping[str, tuple[str, float, float]] = {
    "distance": ("km", 0.0, 9_999_999.0),
    "speed": ("km/h", 0.0, 1000.0),
    "rotational speed": ("rpm", 0.0, 100_000.0),
    "temperature": ("°C", -100.0, 2000.0),
    "voltage": ("V", -1500.0, 1500.0),
    "torque": ("N·m", 0.0, 10_000.0),
    "time": ("s", 0.0, 1e9),
    "mass": ("kg", 0.0, 1e6),
    "mass flow": ("g/s", -10_000.0, 10_000.0),
}


def check_reading(session: ReadOnlySession, step: Step, text: str) -> None:
    """Raises UserError where `text`, typed at `step`, is no reading that can be."""
    if step.kind != "reading":
        return
    quantity = parse(text, expect=step.detail["unit"])
    _check_scale(quantity, step)
    if unit(step.detail["unit"]).dimension == "distance" and step.detail.get("limits") is None:
        _check_not_less(session, step, quantity)


def _check_scale(quantity: Quantity, step: Step) -> None:
    scale = SCALES.get(unit(quantity.unit).dimension)
    if scale is None:
        return
    name, least, most = scale
    if least <= float(quantity.to(name).value) <= most:
        return
    wanted = step.detail["unit"]
    raise UserError(
        Problem(
            found=f"{quantity} for {step.title}",
            expected=f"a reading between {least:.0f} and {most:.0f} {name}",
            next=f"look again, and mind the unit: a bare number counts as {wanted}",
        )
    )


def _check_not_less(session: ReadOnlySession, step: Step, quantity: Quantity) -> None:
    """An odometer read again in the same job has not gone back. Its step may stand in several parts
    of a flow; a correction of the reading itself is held against nothing."""
    pending = session.pending
    if pending is None or pending.step != step.name:
        return
    own = step.name.rpartition("/")[2]
    for visit in reversed(session.walk):
        if visit.step.rpartition("/")[2] != own or not visit.values:
            continue
        before = parse(f"{visit.values['text']} {visit.values['unit']}")
        # Two odometers of one car may round differently, and by the unit typed: less than one off.
        if quantity.to("km").value < before.to("km").value - 1:
            raise UserError(
                Problem(
                    found=f"{quantity} for {step.title}, after {before} was read in this job",
                    expected="no less than was read before",
                    next="look again; if the first was typed wrong, correct that answer (!correct)",
                )
            )
        return
