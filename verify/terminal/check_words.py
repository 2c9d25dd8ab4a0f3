"""What a check is, in words for a person: for `keysback checks`, for its JSON, and for the page.

Pure: one description, three forms, so that they cannot disagree.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verify.evidence.checks.catalogue import CATALOGUE, COMMON, SPEC_UNITS
from verify.evidence.checks.kind import COULD_NOT_RUN, IMPOSSIBLE_READINGS, Check
from verify.words import Verdict

RENEW = "keysback checks --markdown > docs/checks.md"
SAID_THEN = "the answer says it, by what the recording lacks"
ORDER = (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED)


def check_json(check: Check) -> dict[str, Any]:
    """All a check says of itself, as plain JSON values."""
    return {
        "check": check.name,
        "version": check.version,
        "question": check.question,
        "channels": list(check.channels),
        "quantity": check.quantity,
        "limits": check.limits,
        "findings": {name: verdict.value for name, verdict in check.findings.items()},
        "settles": {name: check.settles[name] for name in check.findings if name in check.settles},
        "specs_needed": list(check.specs),
        "specs_used": {name: SPEC_UNITS.get(name) for name in specs_of(check)},
        "look_alikes": list(check.look_alikes),
        "blind_spots": list(check.blind_spots),
    }


def specs_of(check: Check) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*check.specs, *check.uses)))


def findings(check: Check) -> list[tuple[Verdict, list[str]]]:
    """The check's own words by verdict, but those that every check has."""
    return [
        (verdict, [n for n, v in check.findings.items() if v is verdict and n not in COMMON])
        for verdict in ORDER
    ]


def settled(check: Check) -> list[tuple[str, str]]:
    """(undecided findings joined by commas, what settles them), equal answers together.

    Last those of which only a result can say it, because it depends on the recording.
    """
    by_answer: dict[str, list[str]] = {}
    for name, verdict in check.findings.items():
        if verdict is Verdict.UNDECIDED and name in check.settles:
            by_answer.setdefault(check.settles[name], []).append(name)
    rest = [
        name
        for name, verdict in check.findings.items()
        if verdict is Verdict.UNDECIDED and name not in check.settles and name not in COMMON
    ]
    if rest:
        by_answer[SAID_THEN] = rest
    return [(", ".join(names), answer) for answer, names in by_answer.items()]


def spec_words(check: Check) -> list[tuple[str, str]]:
    """(name, unit and whether the check can do without) of each number of the vehicle."""
    words = []
    for name in specs_of(check):
        unit = SPEC_UNITS.get(name)
        need = "needed to decide" if name in check.specs else "taken where it is given"
        words.append((name, f"{f' in {unit}' if unit and unit != '1' else ''}: {need}"))
    return words


def page(checks: Mapping[str, Check] = CATALOGUE) -> str:
    """The page docs/checks.md, whole."""
    lines = [
        "# The checks",
        "",
        f"This page is made from the program: `{RENEW}`. Do not edit it by hand.",
        "",
        "A check puts one question to a recording of the car's own data. It answers *pass*, *fail* "
        "or",
        "*undecided*: pass where what was measured lies within its limits with a probability of "
        "0.95 or",
        "more, fail where that probability is 0.05 or less, and undecided between, or where the "
        "recording",
        "cannot show it. An undecided answer says what would settle it. Every check has two "
        "findings more,",
        f"both undecided: `{IMPOSSIBLE_READINGS}`, a pass that would rest on readings no car can "
        "have, and",
        f"`{COULD_NOT_RUN}`, the check itself broke, and the others still ran.",
        "",
        "| check | question |",
        "|---|---|",
        *(f"| [`{c.name}`](#{c.name}) | {_cell(c.question)} |" for c in checks.values()),
    ]
    for check in checks.values():
        lines += ["", *_section(check)]
    return "\n".join(lines) + "\n"


def _section(check: Check) -> list[str]:
    lines = [
        f"## {check.name}",
        "",
        f"**{check.question}** (version {check.version})",
        "",
        f"- **Must be recorded:** {'; '.join(check.channels)}",
        f"- **What is measured:** {check.quantity}",
        f"- **Limits:** {check.limits}",
    ]
    if words := spec_words(check):
        told = "; ".join(f"`{name}`{rest}" for name, rest in words)
        lines.append(f"- **Numbers of the vehicle:** {told}")
    lines += ["", "| verdict | findings |", "|---|---|"]
    for verdict, names in findings(check):
        if names:
            lines.append(f"| {verdict.value} | {', '.join(f'`{n}`' for n in names)} |")
    if answers := settled(check):
        lines += ["", "| undecided because | what settles it |", "|---|---|"]
        for joined, answer in answers:
            marked = ", ".join(f"`{n}`" for n in joined.split(", "))
            lines.append(f"| {marked} | {_cell(answer)} |")
    for title, items in (
        ("Looks like the fault, and is none", check.look_alikes),
        ("What it cannot see", check.blind_spots),
    ):
        if items:
            lines += ["", f"{title}:", "", *(f"- {item}" for item in items)]
    return lines


def _cell(text: str) -> str:
    return text.replace("|", "\\|")
