"""`keysback ready`: would an emissions inspection turn the car away tomorrow.

From the car's own status bytes or from the boxes a reader shows. Nothing is stored, and nothing
here decides whether the keys go back.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verify.car.inspection import Inspection, LeftOpen
    from verify.car.inspection_rules import Car
    from verify.car.readiness import Status
    from verify.car.whole_counts import Span

HELP = "would an inspection turn the car away"
FOOT = (
    "This is no inspection and no statutory test; programmes differ and change. Readiness never "
    "bars hand-back: what is open is proof to follow."
)


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Says what an emissions inspection would make of the car's monitors, lamp and "
        "codes, why, from which rule, and what drive settles what is open. Exit code 0 for any "
        "answer, 2 for input that cannot be read. Nothing is stored.",
    )
    p.add_argument(
        "reply",
        nargs="*",
        metavar="REPLY",
        help='the reply to 01 01, such as "41 01 00 07 65 04"; several, where several modules '
        "answer",
    )
    p.add_argument("--year", required=True, metavar="YEAR", help="model year")
    p.add_argument(
        "--where",
        required=True,
        metavar="PLACE",
        help="whose rules: federal (US guidance), california, california-heavy",
    )
    p.add_argument(
        "--fuel",
        choices=["gasoline", "diesel"],
        help="default: as the reply or the monitors' names say (gasoline stands for gas and "
        "alcohol fuels too)",
    )
    p.add_argument(
        "--box",
        action="append",
        default=[],
        metavar="MONITOR=STATE",
        help='instead of a reply, a box as shown: --box catalyst=complete --box "evap=not '
        'complete"; what is not given is not read; may be repeated',
    )
    p.add_argument("--mil", choices=["on", "off"], help="with --box: the lamp as the reader says")
    p.add_argument("--codes", metavar="N", help="with --box: number of stored codes")
    p.add_argument("--lamp", choices=["lit", "dark"], help="the lamp, seen with engine running")
    p.add_argument("--key-on", choices=["lit", "dark"], help="the lamp, key on and engine off")
    p.add_argument("--connector", choices=["sound", "not"], help="the diagnostic connector")
    p.add_argument(
        "--permanent",
        action="append",
        metavar="CODE",
        help='permanent codes, or "none" if read and none there; not given: not read',
    )
    p.add_argument("--warm-ups", metavar="N", help="warm-ups since the codes were cleared (30)")
    p.add_argument("--distance", metavar="D", help='since the clear (31), such as "120 mi"')
    p.add_argument("--time", metavar="T", help='engine time since the clear (4E), such as "45 min"')
    p.add_argument("--json", action="store_true", help="the same as JSON")
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError for whatever cannot be read; the door prints it and exits with 2."""
    from verify.car.inspection import inspect, left_open

    status = _status(args)
    car = _car(args, status)
    answer = inspect(status, car, args.where)
    follow = left_open(status, car.permanent)
    if args.json:
        _print_json(status, car, answer, follow)
    else:
        _print_words(status, answer, follow)
    return 0


def _status(args: argparse.Namespace) -> Status:
    from verify.car.inspection_rules import FUELS
    from verify.car.readiness import (
        combine,
        ignition_of_boxes,
        status_from_boxes,
        status_from_text,
    )
    from verify.errors import Problem, UserError

    if args.reply and (args.box or args.mil or args.codes):
        raise UserError(
            Problem(
                found="a reply and boxes",
                expected="one of the two: the reply holds lamp, codes and monitors",
                next="leave out --box, --mil and --codes, or the reply",
            )
        )
    if args.reply:
        wrong: list[Problem] = []
        found = []
        for text in args.reply:
            try:
                found.append(status_from_text(text))
            except UserError as error:
                wrong += error.problems
        if wrong:
            raise UserError(*wrong)
        return combine(found)
    if not args.box:
        raise UserError(
            Problem(
                found="no reply and no box",
                expected="what the car says of its monitors",
                next='write for example: keysback ready "41 01 00 07 65 04" --year 2005 '
                "--where california",
            )
        )
    boxes: dict[str, str] = {}
    for item in args.box:
        name, sign, state = item.partition("=")
        if not sign or name.strip() in boxes:
            raise UserError(
                Problem(
                    found=f'"{item}"',
                    expected="a monitor once, =, and its state",
                    next='write for example --box "evaporative=not complete"',
                    field="--box",
                )
            )
        boxes[name.strip()] = state
    codes = None if args.codes is None else _whole(args.codes, "--codes", 127)
    try:
        ignition = FUELS[args.fuel] if args.fuel else ignition_of_boxes(boxes)
        return status_from_boxes(
            boxes,
            ignition,
            lamp_commanded=None if args.mil is None else args.mil == "on",
            stored_codes=codes,
        )
    except UserError as error:
        raise error.within(field="--box") from None


def _car(args: argparse.Namespace, status: Status) -> Car:
    from verify.car.inspection_rules import FUELS, Car
    from verify.car.whole_counts import ONE_BYTE_FULL, TWO_BYTES_FULL, counter_span
    from verify.errors import Problem, UserError

    year = _whole(args.year, "--year", 9999)
    if not 1980 <= year <= 2039:
        raise UserError(
            Problem(
                found=str(year),
                expected="a model year from 1980 to 2039",
                next="write it with four digits, such as 2005",
                field="--year",
            )
        )
    fuel = args.fuel or next(f for f, i in FUELS.items() if i is status.ignition)
    warm_ups: Span | None = None
    if args.warm_ups is not None:
        count = _whole(args.warm_ups, "--warm-ups", ONE_BYTE_FULL)
        # A count is exact, but at its end it says only "at least".
        warm_ups = counter_span(count, ONE_BYTE_FULL) if count == ONE_BYTE_FULL else _exact(count)
    return Car(
        year,
        fuel,
        _permanent(args.permanent),
        None if args.lamp is None else args.lamp == "lit",
        None if args.key_on is None else args.key_on == "lit",
        None if args.connector is None else args.connector == "sound",
        warm_ups,
        _since(args.distance, "km", TWO_BYTES_FULL, "--distance"),
        _since(args.time, "min", TWO_BYTES_FULL, "--time"),
    )


def _exact(value: int) -> Span:
    from verify.car.whole_counts import Span

    return Span(float(value), float(value))


def _since(typed: str | None, unit: str, full: int, field: str) -> Span | None:
    from verify.car.whole_counts import counter_span, typed_span
    from verify.errors import Problem, UserError
    from verify.quantity import parse

    if typed is None:
        return None
    try:
        quantity = parse(typed, expect=unit)
    except UserError as error:
        raise error.within(field=field) from None
    value = quantity.to(unit).value
    if not 0 <= value <= full + 1:
        raise UserError(
            Problem(
                found=f'"{typed}"',
                expected=f"0 to {full} {unit}, all that the car counts",
                next="read it again",
                field=field,
            )
        )
    return counter_span(full, full) if value >= full else typed_span(quantity, unit)


def _whole(text: str, field: str, most: int) -> int:
    from verify.errors import Problem, UserError

    plain = text.strip()
    if not (plain.isascii() and plain.isdigit() and len(plain) <= 6 and int(plain) <= most):
        raise UserError(
            Problem(
                found=f'"{text}"',
                expected=f"a whole number from 0 to {most}",
                next="give the number alone",
                field=field,
            )
        )
    return int(plain)


def _permanent(typed: Sequence[str] | None) -> tuple[str, ...] | None:
    from verify.car.codes import parse_codes, says_none
    from verify.errors import Problem, UserError

    if typed is None:
        return None
    text = " ".join(typed)
    parsed = parse_codes(text)
    if parsed.rest or (not parsed.codes and not says_none(text)):
        raise UserError(
            Problem(
                found=f'"{text}"',
                expected='fault codes, or "none" where they were read and there is none',
                next="write for example --permanent P0420",
                field="--permanent",
            )
        )
    return tuple(parsed.codes)


def _print_json(status: Status, car: Car, answer: Inspection, follow: LeftOpen) -> None:
    import json

    value = {
        **answer.to_json(),
        "model_year": car.model_year,
        "fuel": car.fuel,
        "permanent": "not read" if car.permanent is None else list(car.permanent),
        "status": status.to_json(),
        "hand_back": {
            "bars": False,
            "ending": follow.ending.value,
            "items": [{"open": what, "settle": how} for what, how in follow.items],
        },
    }
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def _print_words(status: Status, answer: Inspection, follow: LeftOpen) -> None:
    from textwrap import wrap

    def row(label: str, text: str) -> None:
        capital = text[:1].upper() + text[1:]
        lines = wrap(capital if capital.endswith((".", "?", "!")) else capital + ".", 64) or [""]
        for i, line in enumerate(lines):
            print(f"  {label if i == 0 else '':<13} {line}")

    print(f"{answer.answer.value.upper()}  {answer.where}")
    if answer.sure:
        row(
            "how sure",
            f"the least sure of these rules is {answer.sure}"
            + ("" if answer.sure == "text seen" else ": check it before you rely on it"),
        )
    for text in answer.why:
        row("why", text)
    for text in answer.settle:
        row("settles it", text)
    for text in answer.provided:
        row("provided", f"{text} (nobody has looked)")
    for title, drive in answer.to_drive:
        row("not complete", f"{title}: {drive}")
    for note in answer.notes:
        row("note", note)
    rules = {f.rule.name: f.rule for f in answer.findings if f.rule.asks != "connector"}
    for rule in rules.values():
        row("rule", f"{rule.says} ({rule.source}; {rule.date}; {rule.sure})")
    if status.cycle:
        row("note", "the reply tells of this driving cycle, not of the time since the clear")
    row("hand-back", _hand_back(follow))
    print()
    print("\n".join(wrap(FOOT, 79)))


def _hand_back(follow: LeftOpen) -> str:
    if follow.lamp_on:
        return "The lamp is on: the codes decide, not readiness."
    if not follow.items:
        return "Readiness leaves nothing open."
    return f"not barred by this; proof to follow: {'; '.join(what for what, _ in follow.items)}"
