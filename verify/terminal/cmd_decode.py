"""`keysback decode LINE …`: reads raw lines of a car's answers as people paste them.

Nothing is stored and nothing is sent to a car. A VIN is masked unless it is asked for.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from verify.car.answer import Answer
    from verify.car.decode import Decoded
    from verify.car.pasted import Leftover

HELP = "read raw lines of a car's answers, as pasted"

_MOST_BYTES = 32 * 1024 * 1024
_MANY = 40  # answers beyond which parameters are summed up
_SHOWN = 20  # remarks, and groups of lines not read, without --all
_WIDTH = 80


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Reads raw lines of services 01, 02, 03, 07, 09 and 0A: with or without "
        "header, length byte and spaces, several frames to an answer, bus logs. Says what was "
        "understood, what not, and why. Exit code 0 where any answer was read, 2 where none was.",
    )
    p.add_argument("line", nargs="*", metavar="LINE", help='a raw line, quoted; "-": from input')
    p.add_argument("--file", metavar="LOG", help='a text file of raw lines; "-": from input')
    p.add_argument("--all", action="store_true", help="each answer and line, however many")
    p.add_argument("--show-vin", action="store_true", help="show the whole VIN")
    p.add_argument("--json", action="store_true", help="the same as JSON, always all of it")
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError where there is nothing to read; the door prints it and exits with 2."""
    from verify.car.decode import decode

    text, note = _text(args.line, args.file)
    decoded = decode(text)
    if args.json:
        import json

        value = decoded.to_json(args.show_vin) | ({"note": note} if note else {})
        sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")
    else:
        _Page(args.show_vin, args.all).show(decoded, note)
    return 0 if any(a.kind != "asked" for a in decoded.answers) else 2


def _text(lines: Sequence[str], file: str | None) -> tuple[str, str]:
    """What to read, and what there is to say of how it was read."""
    from verify.errors import Problem, UserError

    if file is not None and lines:
        raise UserError(
            Problem(
                found="lines and a file",
                expected="one of them",
                next='give either --file LOG or "LINE"',
            )
        )
    if file is None and list(lines) == ["-"]:
        file = "-"
    if file is None:
        # Bytes typed without quotes reach us one by one.
        apart = len(lines) > 1 and all(len(word) in (2, 3) for word in lines)
        text, note = (" " if apart else "\n").join(lines), ""
    else:
        text, note = _bytes_to_text(_read(file))
    if not text.strip():
        raise UserError(
            Problem(
                found="nothing to read",
                expected="raw lines of a car's answers",
                next='write for example keysback decode "41 05 7B"',
                file=file or "",
            )
        )
    return text, note


def _read(file: str) -> bytes:
    from pathlib import Path

    from verify.errors import Problem, UserError

    try:
        if file == "-":
            data = sys.stdin.buffer.read(_MOST_BYTES + 1)
        else:
            with Path(file).open("rb") as stream:
                data = stream.read(_MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UserError(
            Problem(
                found=f"a file that cannot be read ({reason})",
                expected="a readable text file",
                next="check the name and the permissions",
                file=file,
            )
        ) from None
    if len(data) > _MOST_BYTES:
        raise UserError(
            Problem(
                found="more than 32 MiB",
                expected="a text of raw lines",
                next="cut the log to the minutes that matter",
                file=file,
            )
        )
    return data


def _bytes_to_text(data: bytes) -> tuple[str, str]:
    """No byte is replaced: what is no Unicode text is read one byte a sign, which leaves every
    hexadecimal digit as it is."""
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        return data.decode(encoding), ""
    except UnicodeDecodeError:
        return data.decode("latin-1"), "The text is no UTF-8; it was read one byte a sign."


class _Page:
    """The words of one run, at most 80 columns wide."""

    def __init__(self, show_vin: bool, everything: bool) -> None:
        from rich.console import Console

        self.show_vin, self.everything, self.begun = show_vin, everything, False
        self.console = Console(highlight=False)
        self.width = min(self.console.width, _WIDTH) if self.console.is_terminal else _WIDTH

    def line(self, text: str = "", *, style: str = "", indent: int = 0) -> None:
        """One paragraph, folded at the page's width; an empty one only below something."""
        import textwrap

        from rich.text import Text

        if not text and not self.begun:
            return
        self.begun = True
        pad = " " * indent
        wrapped = textwrap.wrap(
            text, self.width, initial_indent=pad, subsequent_indent=pad, break_on_hyphens=False
        )
        for part in wrapped or [""]:
            self.console.print(Text(part, style=style), width=self.width)

    def row(self, left: str, name: str, says: str) -> None:
        """A short mark, a name, and what it says: on one line where it fits, else below."""
        head = f"{left:<8}{name}"
        if len(head) + 2 + len(says) <= self.width - 2:
            self.line(f"{head:<46}  {says}" if len(head) <= 46 else f"{head}  {says}", indent=2)
            return
        self.line(head, indent=2)
        self.line(says, indent=10)

    def show(self, decoded: Decoded, note: str) -> None:
        from verify.car.decode import without_vins

        if note:
            self.line(note, style="dim")
        summed = len(decoded.answers) > _MANY and not self.everything
        plain = [a for a in decoded.answers if not (summed and _can_be_summed(a))]
        source = None
        for answer in plain:
            if answer.source != source:
                source = answer.source
                self.line(f"from {source}" if source else "sender not named", style="bold")
            self.answer(answer)
        if summed:
            self.summary([a for a in decoded.answers if _can_be_summed(a)])
        recalled = {
            f"{a.pid:02X}" for a in decoded.answers if a.pid for v in a.values if v.sure != "S2"
        }
        if recalled:
            self.line()
            names = ", ".join(sorted(recalled))
            self.line(
                f"What these bytes mean is from memory, no list was seen: {names}", style="dim"
            )
        if decoded.remarks:
            self.line()
            self.line("Doubtful, missing or put right", style="bold")
            remarks = decoded.remarks if self.everything else decoded.remarks[:_SHOWN]
            for remark in remarks:
                self.line(f"line {remark.line}: {remark.text}", indent=2)
            self.more(len(decoded.remarks) - len(remarks), "remarks")
        if decoded.leftovers:
            self.line()
            self.line("Not read", style="bold")
            groups = _groups(decoded.leftovers, apart=self.everything)
            shown = groups if self.everything else groups[:_SHOWN]
            for group in shown:
                first = group[0]
                found = first.found if self.show_vin else without_vins(first.found)
                again = f" ({len(group)} such lines)" if len(group) > 1 else ""
                cut = found if len(found) <= 60 else f"{found[:57]} …"
                self.line(f"line {first.line}: {cut}{again}", indent=2)
                if not first.words:
                    self.line(first.why, style="dim", indent=4)
            self.more(sum(len(g) for g in groups[len(shown) :]), "lines")

    def more(self, count: int, what: str) -> None:
        if count:
            self.line(f"and {count} more {what}: --all shows each", style="dim", indent=2)

    def answer(self, answer: Answer) -> None:
        mark = "" if answer.pid is None else f"{answer.pid:02X}"
        if answer.freeze_frame is not None:
            mark += f" ff{answer.freeze_frame}"
        says = answer.shown(self.show_vin) or "nothing"
        if not answer.complete:
            says += "  (not complete)"
        if answer.kind == "codes" and answer.codes:
            from verify.car.codes import meaning

            self.row(mark, answer.title, "" if answer.complete else says)
            for code in answer.codes:
                self.row(code, meaning(code), "")
            return
        self.row(mark, answer.title, says)

    def summary(self, answers: Sequence[Answer]) -> None:
        """One line a parameter: how often, first, lowest, highest, last."""
        found: dict[tuple[str, str], list[Any]] = {}
        for answer in answers:
            for value in answer.values:
                found.setdefault((answer.source, value.name), []).append(value)
        self.line()
        self.line(f"{'parameter':<34}{'answers':>8}{'first':>9}{'low':>9}{'high':>9}{'last':>9}")
        source = ""
        for (sender, name), values in found.items():
            if sender != source:
                source = sender
                self.line(f"from {sender}", style="bold")
            low, high = min(values, key=_exact), max(values, key=_exact)
            cells = (values[0], low, high, values[-1])
            numbers = "".join(f"{v.text.removesuffix(' ' + v.unit):>9}" for v in cells)
            unit = "" if values[0].unit == "1" else f", {values[0].unit}"
            head = f"{name}{unit}"
            if len(head) > 33:
                self.line(head)
                head = ""
            self.line(f"{head:<34}{len(values):>8}{numbers}")


def _can_be_summed(answer: Answer) -> bool:
    return answer.kind == "parameter" and all(v.exact is not None for v in answer.values)


def _exact(value: Any) -> Any:
    return value.exact


def _groups(leftovers: Iterable[Leftover], *, apart: bool) -> list[list[Leftover]]:
    """Lines left over for the same reason and, where they are words, with the same text."""
    groups: dict[tuple[object, ...], list[Leftover]] = {}
    for left in leftovers:
        key = (left.line, left.found) if apart else (left.why, left.words and left.found)
        groups.setdefault(key, []).append(left)
    return list(groups.values())
