"""The numbers that a job's evidence is held against: specs as typed, and its freeze frame.

A freeze frame is typed at a step that reads codes, and a later recording is held against it
(`same-conditions`). What the frame says follows from the entries, so it is a pure function of the
fold and an audit finds it again.
"""

from __future__ import annotations

from collections.abc import Mapping

from verify.car.codes import CodeReading
from verify.car.freeze_frame import FreezeFrame
from verify.job.visits import ReadOnlySession
from verify.quantity import SpecValue, parse, with_unit

# Spec → field of the frame, unit.
FRAME_SPECS: Mapping[str, tuple[str, str]] = {
    "frame_engine_speed": ("rpm", "rpm"),
    "frame_load": ("load_pct", "%"),
    "frame_coolant": ("coolant_c", "°C"),
    "frame_vehicle_speed": ("speed_kmh", "km/h"),
}
OTHER_CODE = "frame_other_code"


def spec_values(session: ReadOnlySession) -> dict[str, SpecValue]:
    """The numbers that are known, as the checks take them; one that was not found is left out.

    The freeze frame is that of the last code reading of the live walk that has one.
    """
    typed = {
        name: SpecValue(parse(with_unit(s.text, s.unit)), s.source, s.detail)
        for name, s in session.specs.items()
        if s.text
    }
    return frame_specs(session) | typed


def frame_specs(session: ReadOnlySession) -> dict[str, SpecValue]:
    """The last freeze frame of the live walk as specs; {} where none was typed."""
    for visit in reversed(session.walk):
        values = visit.values or {}
        if session.graph.steps[visit.step].kind == "codes" and values.get("freeze_frame"):
            frame = FreezeFrame(**values["freeze_frame"])
            return _specs(frame, CodeReading.from_json(values).present)
    return {}


def _specs(frame: FreezeFrame, present: tuple[str, ...]) -> dict[str, SpecValue]:
    source = f"freeze frame of {frame.code or 'a code that was not read'}"
    found = {
        spec: SpecValue(parse(f"{getattr(frame, name):.6g} {unit}"), source, "")
        for spec, (name, unit) in FRAME_SPECS.items()
        if getattr(frame, name) is not None
    }
    if found and frame.code and present:
        # A frame of a code that this reading does not hold says nothing of those it does.
        other = "0" if frame.code in present else "1"
        found[OTHER_CODE] = SpecValue(parse(other, expect="1"), source, "")
    return found
