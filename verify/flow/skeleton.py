"""A few answers → the text of a flow that already proves, for its author to go on from.

Pure: asks nobody and writes nothing (`terminal/flows_new` does). Made of the library's shared parts
and of a few steps written out, so that an author sees one of each before changing any. Lines that
say EDIT are what a shop would change first.
"""

from __future__ import annotations

import json
import re
import textwrap
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from verify.errors import Problem, UserError, unknown
from verify.flow.skeleton_steps import (
    BRAKES,
    CHARGE,
    COMPLAINT,
    ENDINGS,
    HEAD,
    LEAKS,
    RELEARN,
    RELEARN_ENDING,
    SECOND_LOOK,
)
from verify.flow.text import visible
from verify.words import Audience

LONGEST_TITLE = 80
LONGEST_COMPLAINT = 300

DANGERS: Mapping[str, str] = {
    "dies": "It could die, start badly or idle wrongly",
    "revs": "The revs could climb, or not follow the foot",
    "brakes": "Brakes or steering could be affected",
    "leaks": "Something could leak: fuel, oil, coolant, exhaust",
}
RECORDINGS: Mapping[str, str] = {
    "pedal": "Held pedal steps, parked",
    "idle": "Hot idle, after a hot restart",
    "mixture": "Fuel trims at idle and at a held speed",
    "charge": "Supply voltage at idle and at raised speed",
}


@dataclass(frozen=True, slots=True)
class Plan:
    """What the author said. `dangers` and `recordings`: keys of DANGERS and RECORDINGS."""

    title: str
    audiences: tuple[Audience, ...] = (Audience.TECHNICIAN, Audience.OWNER)
    dangers: frozenset[str] = frozenset()
    complaint: str = ""
    relearn: bool = False
    recordings: frozenset[str] = frozenset()
    flow_id: str = ""


def name_from(title: str) -> str:
    """A name for the flow in small letters, from its title; "my-flow" where it has none."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    return "-".join(re.findall(r"[a-z0-9]+", plain))[:60].strip("-") or "my-flow"


def one_line(text: str, most: int, field: str) -> str:
    """Typed text as one line of what can be seen. Raises UserError where it is too long."""
    line = " ".join(visible(text).split())
    if len(line) > most:
        raise UserError(
            Problem(
                f"{len(line)} characters", f"at most {most}", "say it in fewer words", field=field
            )
        )
    return line


def checked(plan: Plan) -> Plan:
    """The plan with texts on one line and a name. Raises UserError with all that is wrong."""
    problems: list[Problem] = []

    def line(text: str, most: int, field: str) -> str:
        try:
            return one_line(text, most, field)
        except UserError as error:
            problems.extend(error.problems)
            return ""

    title = line(plan.title, LONGEST_TITLE, "title")
    complaint = line(plan.complaint, LONGEST_COMPLAINT, "complaint")
    if not title and not problems:
        problems.append(
            Problem("no title", "what was repaired", "say it in a few words", field="title")
        )
    for given, known, what in (
        (plan.dangers, DANGERS, "danger"),
        (plan.recordings, RECORDINGS, "recording"),
    ):
        problems += [
            unknown(word, known, what).within(field=what)
            for word in sorted(given)
            if word not in known
        ]
    name = plan.flow_id or name_from(title)
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name) or len(name) > 60:
        problems.append(
            Problem(
                f'the name "{name}"',
                'small letters a to z, digits and "-", at most 60',
                f'write "{name_from(name)}"',
                field="name",
            )
        )
    if problems:
        raise UserError(*problems)
    return Plan(title, plan.audiences, plan.dangers, complaint, plan.relearn, plan.recordings, name)


def skeleton(plan: Plan) -> str:
    """The text of the flow. Raises UserError for a plan that `checked` refuses."""
    plan = checked(plan)
    pages = [
        HEAD.format(
            heading=_comment(plan.title),
            id=_bare(plan.flow_id),
            title=_quoted(plan.title),
            repair=_quoted(_sentence(plan.title)),
            audience=", ".join(a.value for a in plan.audiences),
            second_look=_second_look(plan),
        ),
        "steps:\n",
        *_steps(plan),
        _endings(plan),
        _promises(plan),
    ]
    text = "\n".join(page.strip("\n") + "\n" for page in pages if page)
    if Audience.OWNER not in plan.audiences:
        text = _without_owner(text)
    return text


def _quoted(text: str) -> str:
    """In double quotes: whatever stands in it means nothing to YAML. JSON's are YAML's, too."""
    return json.dumps(text, ensure_ascii=False)


def _bare(name: str) -> str:
    """Without quotes where no reader could take it for a number, a date or a yes."""
    plain = name[:1].isalpha() and name not in ("true", "false", "null")
    return name if plain else _quoted(name)


def _sentence(text: str) -> str:
    return text if text[-1:] in ".!?…。" else f"{text}."


def _comment(text: str) -> str:
    return "\n".join(f"# {line}" for line in textwrap.wrap(text, 96))


def _second_look(plan: Plan) -> str:
    if Audience.TECHNICIAN not in plan.audiences:
        return ""  # nobody signs off for an owner at home
    lines = ["starts", "lamps", *(d for d in ("brakes", "leaks") if d in plan.dangers)]
    body = "\n".join(f"  {name}: {SECOND_LOOK[name]}" for name in lines)
    return (
        "\n# EDIT: what a second person looks at on the car before signing the job off.\n"
        f"second_look:\n{body}\n"
    )


def _part(name: str, part: str, results: Mapping[str, str], comment: str = "") -> str:
    note = "".join(f"  # {line}\n" for line in textwrap.wrap(comment, 94, break_on_hyphens=False))
    leads = "".join(f"      {result}: {to}\n" for result, to in results.items())
    return f"{note}  {name}:\n    kind: part\n    part: {part}\n    results:\n{leads}"


def _heading(text: str) -> str:
    return f"  # ---- {text} ".ljust(100, "-")


def _steps(plan: Plan) -> Iterable[str]:
    trouble = "next-remedy" if plan.relearn else "still-wrong"
    parked = [
        *(["leaks"] if "leaks" in plan.dangers else []),
        *(["brakes"] if "brakes" in plan.dangers else []),
        *(["mixture"] if "mixture" in plan.recordings else []),
        *(["charge"] if "charge" in plan.recordings else []),
        *(["pedal"] if "revs" in plan.dangers or "pedal" in plan.recordings else []),
    ]
    hot = "dies" in plan.dangers or "idle" in plan.recordings
    after = dict(pairwise([*parked, "road"]))
    yield _heading("what is known, put together right, first start")
    yield _part("opening", "opening", {"known": "fitted"})
    yield _part(
        "fitted",
        "fitted",
        {"fitted": "key-on", "not-right": "not-finished"},
        "EDIT: with a torque to keep, take the part `reassembly` instead (results assembled and "
        "not-right).",
    )
    yield _part(
        "key-on",
        "key-on",
        {
            "ready": "first-start",
            "bad-supply": "wiring-fault",
            "contact": "wiring-fault",
            "forbidden": "tow",
            "not-shown": "not-shown",
        },
        "Supply, lamps, codes. A flow comes back to here after anything was done to the car.",
    )
    yield _part(
        "first-start",
        "first-start",
        {
            "runs": [*parked, "road"][0],
            "dies": trouble,
            "no-start": "wiring-fault",
            "climbs": "stop-now",
            "not-shown": "not-shown",
        },
    )
    if parked:
        yield _heading("parked: what could be wrong with the car now")
    for name in parked:
        yield _parked(name, after[name], trouble)
    yield _heading("the road, and what it left behind")
    yield _part(
        "road",
        "road-by-gates",
        {
            "clean": "hot" if hot else "codes-after",
            "trouble": trouble,
            "stays-cold": "still-wrong",
            "too-hot": "tow",
            "no-control": "tow",
            "weak-brakes": "tow",
            "not-driven": "not-shown",
        },
        "Brake pedal, walking pace, quiet street, road: each gate opens the next.",
    )
    if hot:
        yield _part(
            "hot",
            "hot-restart",
            {
                "good": "codes-after",
                "dies": trouble,
                "no-start": "wiring-fault",
                "climbs": "stop-now",
                "idle-wrong": trouble,
                "no-charge": "wiring-fault",
                "not-done": "not-shown",
            },
            "Asks for the warm idle speed of this car, and holds the recorded idle against it.",
        )
    yield _part(
        "codes-after",
        "codes-after",
        {
            "settled": "complaint",
            "learn": trouble,
            "contact": "wiring-fault",
            "forbidden": "tow",
            "cleared": "not-shown",
            "not-shown": "not-shown",
        },
    )
    came = f" It was: {_sentence(plan.complaint)}" if plan.complaint else ""
    say = f"Run the car the way the complaint used to come, hot or cold.{came} Did it come?"
    yield COMPLAINT.replace("SAY", _quoted(say))
    if plan.relearn:
        yield RELEARN


def _parked(name: str, then: str, trouble: str) -> str:
    if name == "mixture":
        results = {"right": then, "leak": trouble, "wrong": trouble}
        return _part("mixture", "mixture", results, "Warm up, then the fuel trims.")
    if name == "pedal":
        results = {
            "follows": then,
            "no-response": "wiring-fault",
            "dies": trouble,
            "not-shown": "not-shown",
        }
        return _part("pedal", "pedal-steps", results, "First by foot and ear, then recorded.")
    own = {"leaks": LEAKS, "brakes": BRAKES, "charge": CHARGE}[name]
    return own.replace("THEN", then)


def _endings(plan: Plan) -> str:
    return ENDINGS.replace("RELEARN", RELEARN_ENDING if plan.relearn else "").replace(
        "\n\n\n", "\n\n"
    )


def _promises(plan: Plan) -> str:
    passed = ["fitted", "first-start", *(d for d in ("leaks", "brakes") if d in plan.dangers)]
    lines = [f"  - never: {{step: road, unless: {name}}}" for name in passed]
    if "revs" in plan.dangers:
        lines.append("  - never: {step: road, unless: pedal}")
    lines.append("  - before: {first: codes-after, then: complaint}")
    return (
        "# What must hold on every way through, whatever anybody answers. It is proven each time.\n"
        "# EDIT: add what your shop insists on.\n"
        "promises:\n" + "\n".join(lines) + "\n"
    )


def _without_owner(text: str) -> str:
    """The same without the lines for an owner at home, which nobody would see."""
    return re.sub(r"^    owner: (>-\n(      .*\n)+|.*\n)", "", text, flags=re.MULTILINE)
