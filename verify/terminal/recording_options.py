"""The options that say how recordings are read and what is known of the vehicle: one home.

`judge` and `compare` take the same ones, so that a recording means the same to both.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.errors import Problem
    from verify.evidence.recording import Recording
    from verify.quantity import SpecValue

NO_TIME = "no column with times"


def add_options(p: argparse.ArgumentParser) -> None:
    """--spec, --specs, --check, --every, --map, --units, --all, --json."""
    add_spec_options(p)
    p.add_argument(
        "--every",
        metavar="SECONDS",
        help="time between two rows, for a file without a time column",
    )
    p.add_argument(
        "--map",
        action="append",
        default=[],
        metavar="HEADER=CHANNEL",
        help='what a column is, with its unit where the file does not say it: "rpm=engine_speed", '
        '"v=vehicle_speed km/h", or "v=-" for none; may be repeated',
    )


def add_spec_options(p: argparse.ArgumentParser) -> None:
    """--spec, --specs, --check, --units, --all, --json: what a sound takes too."""
    p.add_argument(
        "--spec",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help='a number of this vehicle, such as idle_speed="700 rpm"; may be repeated',
    )
    p.add_argument(
        "--specs", metavar="FILE", help="a YAML file of such numbers, one NAME: VALUE a line"
    )
    p.add_argument(
        "--check",
        action="append",
        default=[],
        metavar="NAME",
        help="only this check; may be repeated (default: all)",
    )
    p.add_argument("--units", choices=["metric", "us"], default="metric", help="units shown")
    p.add_argument("--all", action="store_true", help="every check in full")
    p.add_argument("--json", action="store_true", help="the same as JSON")


def chosen_checks(typed: Sequence[str]) -> list[str] | None:
    """The checks asked for, None for all. Raises UserError for one that does not exist."""
    from verify.errors import UserError, unknown
    from verify.evidence.checks.catalogue import CATALOGUE

    wrong = [unknown(name, CATALOGUE, "check") for name in typed if name not in CATALOGUE]
    if wrong:
        raise UserError(*(p.within(field="--check") for p in wrong))
    return list(typed) or None


def fitting_checks(recordings: Sequence[Recording]) -> list[str]:
    """The checks that speak of such files at all: by ear of sounds, the others of the car's own
    data, every one where both are there."""
    from verify.evidence.checks.catalogue import CATALOGUE
    from verify.evidence.checks.ear import ENGINE_CHECKS, KEY_CHECK

    kinds = {recording.importer == "sound" for recording in recordings}
    by_ear = {*ENGINE_CHECKS, KEY_CHECK}
    return [name for name in CATALOGUE if (name in by_ear) in kinds]


def vehicle_specs(
    typed: Sequence[str], file: str | None
) -> tuple[dict[str, SpecValue], tuple[str, ...]]:
    """The vehicle's numbers by name, those typed before those of the file, and the names of the
    file that no check uses (it may hold torques too)."""
    from verify.errors import Problem, UserError, unknown
    from verify.evidence.checks.catalogue import SPEC_UNITS

    specs: dict[str, SpecValue] = {}
    unused: list[str] = []
    if file is not None:
        for name, own in _file_specs(file).items():
            if name in SPEC_UNITS:
                specs[name] = own
            else:
                unused.append(name)
    for item in typed:
        name, sign, text = item.partition("=")
        name = name.strip()
        if not sign or not text.strip():
            raise UserError(
                Problem(
                    found=f'"{item}"',
                    expected="a name, =, and a number with its unit",
                    next='write for example --spec idle_speed="700 rpm"',
                    field="--spec",
                )
            )
        if name not in SPEC_UNITS:
            raise UserError(unknown(name, SPEC_UNITS, "spec").within(field="--spec"))
        specs[name] = _spec(text, SPEC_UNITS[name], f"--spec {name}", "")
    return specs, tuple(unused)


def _spec(
    text: str, unit: str | None, field: str, file: str, source: str = "", detail: str = ""
) -> SpecValue:
    from verify.errors import UserError
    from verify.quantity import SpecValue, parse

    try:
        quantity = parse(text, expect=unit)
    except UserError as error:
        raise error.within(field=field, file=file) from None
    return SpecValue(quantity, source or "as typed", detail)


def _file_specs(file: str) -> dict[str, SpecValue]:
    """NAME: VALUE lines, or NAME: {value, source, detail}. Raises UserError naming file and key."""
    from pathlib import Path

    from ruamel.yaml import YAML
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    from verify.errors import Problem, UserError
    from verify.evidence.checks.catalogue import SPEC_UNITS
    from verify.terminal.library import read_text

    text = read_text(Path(file))
    shape = "one NAME: VALUE a line, such as idle_speed: 700 rpm"
    try:
        tree = YAML(typ="safe", pure=True).load(text)
    except YAMLError as error:
        mark = error.problem_mark if isinstance(error, MarkedYAMLError) else None
        raise UserError(
            Problem(
                found="text that is no YAML",
                expected=shape,
                next="mend the line",
                file=file,
                line=mark.line + 1 if mark else 0,
                column=mark.column + 1 if mark else 0,
            )
        ) from None
    except (RecursionError, ValueError):
        raise UserError(
            Problem(found="text that cannot be read as YAML", expected=shape, file=file)
        ) from None
    if not isinstance(tree, Mapping):
        raise UserError(Problem(found="no list of names and values", expected=shape, file=file))
    specs: dict[str, SpecValue] = {}
    for key, value in tree.items():
        name = str(key)
        parts: dict[str, Any] = dict(value) if isinstance(value, Mapping) else {"value": value}
        number = parts.get("value")
        if isinstance(number, bool) or not isinstance(number, str | int | float):
            raise UserError(
                Problem(
                    found=f'"{number}"',
                    expected="a number with its unit",
                    next=f"write for example {name}: 700 rpm",
                    file=file,
                    field=name,
                )
            )
        specs[name] = _spec(
            str(number),
            SPEC_UNITS.get(name),
            name,
            file,
            str(parts.get("source", "")),
            str(parts.get("detail", "")),
        )
    return specs


def column_mapping(typed: Sequence[str]) -> dict[str, str] | None:
    from verify.errors import Problem, UserError

    mapping: dict[str, str] = {}
    for item in typed:
        # A header may hold a "=", a channel never does.
        header, sign, channel = item.rpartition("=")
        if not sign or not header or not channel.strip():
            raise UserError(
                Problem(
                    found=f'"{item}"',
                    expected="a column's header, =, and a channel",
                    next='write for example --map "Engine RPM=engine_speed"',
                    field="--map",
                )
            )
        mapping[header] = channel.strip()
    return mapping or None


def row_interval_s(typed: str | None) -> float | None:
    from verify.errors import UserError
    from verify.quantity import parse

    if typed is None:
        return None
    try:
        return float(parse(typed, expect="s").to("s").value)
    except UserError as error:
        raise error.within(field="--every") from None


def read_file(path: str, mapping: Mapping[str, str] | None, interval_s: float | None) -> Recording:
    from pathlib import Path

    from verify.errors import Problem, UserError
    from verify.evidence.importers.port import read_recording
    from verify.terminal.big_file import keep_memory

    try:
        stream = Path(path).open("rb")  # noqa: SIM115  (the error below is the opening's alone)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UserError(
            Problem(
                found=f"a file that cannot be opened ({reason})",
                expected="a readable recording",
                next="check the name and the permissions",
                file=path,
            )
        ) from None
    with stream:
        keep_memory(stream)
        try:
            return read_recording(stream, path, mapping=mapping, interval_s=interval_s)
        except UserError as error:
            raise UserError(*(_with_options(p) for p in error.problems)) from None


def _with_options(problem: Problem) -> Problem:
    """The importer knows no options; who types the command needs them."""
    if problem.found != NO_TIME:
        return problem
    return problem._replace(next=f"{problem.next}: --map HEADER=(time), or --every SECONDS")


def recording_json(recording: Recording) -> dict[str, Any]:
    """What was read, and how: plain JSON values."""
    return {
        "name": recording.source_name,
        "sha256": recording.sha256,
        "importer": recording.importer,
        "importer_version": recording.importer_version,
        "rows": recording.rows,
        "seconds": recording.seconds,
        "channels": {
            name: {
                "unit": c.unit,
                "header": c.header,
                "readings": len(c.values),
                "rate_hz": c.rate_hz if c.rate_hz == c.rate_hz else None,
                "resolution": c.resolution,
            }
            for name, c in recording.channels.items()
        },
        "gaps": [list(gap) for gap in recording.gaps],
        "repairs": list(recording.repairs),
        "mapping": dict(recording.mapping),
        "unmapped": list(recording.unmapped),
    }
