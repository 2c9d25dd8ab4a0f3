"""Writes down what checks say of their cases: `python -m tests.evidence.pin [CHECK …]`.

Without names, what is new is added and what is gone is left out, and nothing else is changed. With
names, what these checks say is written anew: after a change of the computation, together with a
new version of the check (invariant 4).
"""

from __future__ import annotations

import hashlib
import json
import sys
from typing import Any

from tests.conftest import ROOT
from tests.evidence.every_case import CASES
from verify.evidence.checks.catalogue import CATALOGUE, judge
from verify.evidence.recording import Recording

PINNED = ROOT / "tests" / "evidence" / "pinned.json"
FIELDS = ("finding", "value", "unit", "uncertainty", "probability", "samples")


def said(check: str, finding: str) -> dict[str, Any]:
    """What the check says of its case now; `of` names the recording's bytes."""
    make, specs = CASES[check, finding]
    made = make()
    result = judge([made], specs, [check])[0].to_json()
    windows = [[w["start_s"], w["end_s"]] for w in result["windows"]]
    pin = {"of": digest(made), **{name: result[name] for name in FIELDS}}
    return pin | {"windows": len(windows), "ends": [windows[0], windows[-1]] if windows else []}


def digest(made: Recording) -> str:
    found = hashlib.sha256()
    for name, c in sorted(made.channels.items()):
        found.update(name.encode() + c.time_s.tobytes() + c.values.tobytes())
    return found.hexdigest()[:12]


def pins() -> dict[str, dict[str, Any]]:
    """check → {"version": …, "cases": {finding: what was said}}."""
    found: dict[str, dict[str, Any]] = json.loads(PINNED.read_text(encoding="utf-8"))
    return found


def main(anew: list[str]) -> None:
    old = pins() if PINNED.exists() else {}
    new: dict[str, dict[str, Any]] = {}
    for check in CATALOGUE:
        known = {} if check in anew else old.get(check, {}).get("cases", {})
        cases = {f: known.get(f) or said(check, f) for c, f in CASES if c == check}
        own = CATALOGUE[check].version
        version = own if check in anew else old.get(check, {}).get("version", own)
        new[check] = {"version": version, "cases": dict(sorted(cases.items()))}
    lines = []
    for check, pin in new.items():
        cases = ",\n".join(f"   {json.dumps(f)}: {json.dumps(v)}" for f, v in pin["cases"].items())
        lines.append(
            f' {json.dumps(check)}: {{\n  "version": {pin["version"]},\n  "cases": {{\n'
            f"{cases}\n  }}\n }}"
        )
    PINNED.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
