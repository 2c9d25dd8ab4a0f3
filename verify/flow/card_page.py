"""A card as one HTML page for printing: no script, no picture, no font from elsewhere, and nothing
that black and white would lose. A step is never torn apart between two pages where it fits on one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from html import escape

from verify.flow.card import Block, Card, Row, Way
from verify.flow.card_style import STYLE
from verify.flow.card_words import number
from verify.flow.graph import CANNOT, Ending, Spec, Step, recorded_checks
from verify.quantity import convert, convert_span, shown_unit
from verify.words import Audience, EndingKind, Group

PAPERS = {"a4": "A4", "letter": "letter"}

_GROUPS = {
    Group.SAFE: "needed before driving",
    Group.COMPLAINT: "needed: complaint gone",
    Group.LEARNING: "needed: learned",
}
_ENDINGS = {
    EndingKind.HAND_BACK: "The keys can go back",
    EndingKind.PROOF_TO_FOLLOW: "The keys can go back, with proof to follow",
    EndingKind.RELEARN: "Relearn first; the keys stay here",
    EndingKind.BACK_TO_DIAGNOSIS: "Back to diagnosis; the keys stay here",
    EndingKind.DO_NOT_DRIVE: "Do not drive",
}
_BOX = '<span class="box" role="img" aria-label="box to tick"></span>'


@dataclass(frozen=True, slots=True)
class Wording:
    """What a flow only names, in words. cautions: hazard → (title, measure); checks: check → what
    it asks; flow: how to name the flow when the card is typed in; edition: its SHA-256."""

    cautions: Mapping[str, tuple[str, str]]
    checks: Mapping[str, str]
    flow: str
    edition: str


def card_to_html(card: Card, wording: Wording, *, units: str = "metric", paper: str = "a4") -> str:
    """The whole page. units: "metric" or "us"; paper: one of PAPERS."""
    page = _Page(card, wording, units)
    title = f"{card.graph.title}: close-out card"
    style = STYLE.replace("PAPER", PAPERS[paper]).replace(
        "EDITION", f"{card.graph.flow_id}, edition {wording.edition[:16]}"
    )
    body = "\n".join(
        [
            page.head(),
            page.stop(),
            page.how(),
            page.specs(),
            "<h2>The way</h2>",
            *map(page.block, card.main),
            *(["<h2>Only where a step sends you here</h2>"] if card.aside else []),
            *map(page.block, card.aside),
            "<h2>Where it ends</h2>",
            '<div class="endings">',
            *(page.ending(letter, ending) for letter, ending in card.endings.items()),
            "</div>",
            page.signatures(),
        ]
    )
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n<main>\n"
        f"{body}\n</main>\n</body>\n</html>\n"
    )


def _line(label: str, size: int = 1) -> str:
    """A label with a line to write on; size: its share of the row."""
    return f'<span class="line s{size}"><span>{escape(label)}</span></span>'


def _fields(*lines: str) -> str:
    return f'<div class="fields">{"".join(lines)}</div>'


class _Page:
    def __init__(self, card: Card, wording: Wording, units: str) -> None:
        self.card, self.wording, self.units = card, wording, units
        self.numbers = {b.step.name: b.number for b in card.blocks()}

    # The head

    def head(self) -> str:
        graph = self.card.graph
        who = "the owner" if self.card.audience is Audience.OWNER else "the technician"
        return (
            f'<header><p class="kind">Close-out card for {who}</p><h1>{escape(graph.title)}</h1>'
            f"<p>{escape(graph.repair)}</p></header>"
            + _fields(_line("Car (plate or VIN)", 2), _line("Year, model, engine", 2))
            + _fields(
                _line("Name", 2),
                _line("Date"),
                _line(f"Odometer, {shown_unit('km', self.units)}"),
                _line("Job no."),
            )
        )

    def stop(self) -> str:
        ending = self.card.graph.endings[self.card.graph.on_stop]
        letter = self.card.letters[self.card.graph.on_stop]
        return (
            '<section class="stop"><strong>STOP</strong><p>Not safe, at whatever step: engine off, '
            f"do not drive. Write down what was not safe, and go to ending {letter}. "
            f"{escape(self._ending_advice(ending))}</p></section>"
        )

    def how(self) -> str:
        lines = [
            "Go from 1 downwards. Tick one answer a step, and go where its arrow points: to a "
            "step by its number, to an ending by its letter. What no arrow points to is left out.",
            "Sent back to a step? Leave the first answer as it is and write 2 beside the second. "
            "Strike out a slip once, so that it can still be read, with your initials.",
            "What was recorded is judged when this card is typed in. Where the way on depends on "
            "it, type the card in as far as that step first.",
            "This card judges nothing and lets no car go. Only the job it is typed into does.",
        ]
        return '<ul class="how">' + "".join(f"<li>{line}</li>" for line in lines) + "</ul>"

    def specs(self) -> str:
        asked = self._asked_specs()
        if not asked:
            return ""
        rows = []
        for name, spec in asked.items():
            unit = shown_unit(spec.unit, self.units)
            usual = f"Usual, if nothing is found: {escape(spec.default)}. " if spec.default else ""
            at = ", ".join(str(n) for n in self._where(name))
            rows.append(
                f"<tr><th scope=row>{escape(spec.title)} <small>for step {at}</small></th>"
                f'<td class="write">{escape(unit)}</td><td class="write"></td></tr>'
                f'<tr class="say"><td colspan=3>{usual}{escape(spec.say)}</td></tr>'
            )
        return (
            '<section class="specs"><h2>Numbers of this car</h2><table><thead><tr>'
            "<th scope=col>Number</th><th scope=col>Value</th><th scope=col>Where it is from "
            f"(document, page)</th></tr></thead><tbody>{''.join(rows)}</tbody></table></section>"
        )

    def _asked_specs(self) -> dict[str, Spec]:
        asked = {n for b in self.card.blocks() for n in b.step.detail.get("specs", ())}
        return {n: spec for n, spec in self.card.graph.specs.items() if n in asked}

    def _where(self, spec: str) -> list[int]:
        return [b.number for b in self.card.blocks() if spec in b.step.detail.get("specs", ())]

    # A step

    def block(self, block: Block) -> str:
        step = block.step
        if step.kind == "gate":
            return self._gate(block)
        owner = self.card.audience is Audience.OWNER
        say = step.owner if owner and step.owner else step.say
        need = _GROUPS[step.group] if step.required and step.group else ""
        parts = [
            f'<h3><span class="no">{block.number}</span> {escape(step.title)}'
            + (f'<span class="need">{need}</span>' if need else "")
            + "</h3>",
            self._cautions(step),
            f'<p class="say">{escape(say)}</p>',
        ]
        why = [step.why] if step.why else []
        why += [] if step.required else [f"Not required: {step.optional_reason}"]
        if why:
            parts.append(f'<p class="why">{escape(" ".join(why))}</p>')
        parts += [self._to_write(step), self._answers(block)]
        if step.later:
            settle, by = step.later
            parts.append(
                f'<p class="why">If it stays open, it may follow {escape(by)}: {escape(settle)}</p>'
            )
        return f'<section class="step">{"".join(parts)}</section>'

    def _gate(self, block: Block) -> str:
        ways = block.rows[0].ways
        return (
            f'<section class="step gate"><h3><span class="no">{block.number}</span> '
            f"{escape(block.step.title)}<span class=need>no question: look back</span></h3>"
            f'<div class="ways">{"".join(self._way(w, tick=True) for w in ways)}</div></section>'
        )

    def _cautions(self, step: Step) -> str:
        found = [
            f'<p class="caution"><span class="sign" aria-hidden="true">!</span><span>'
            f"<strong>{escape(title)}.</strong> {escape(measure)}</span></p>"
            for title, measure in (self.wording.cautions[h] for h in step.hazards)
        ]
        return f'<div class="cautions">{"".join(found)}</div>' if found else ""

    def _to_write(self, step: Step) -> str:
        """What is written down at a step besides the answer."""
        match step.kind:
            case "do" if "wait_s" in step.detail:
                minutes = number(Fraction(step.detail["wait_s"]) / 60)
                return _fields(
                    f'<span class="line s1"><b>Wait {minutes} min.</b></span>',
                    _line("From (time)"),
                    _line("To (time)"),
                )
            case "ask" if "answers" not in step.detail:
                return '<div class="text"></div><div class="text"></div>'
            case "reading":
                unit = shown_unit(step.detail["unit"], self.units)
                accuracy = self._span(step.detail["accuracy"], step.detail["unit"])
                return _fields(
                    _line(f"Read, {unit}"), _line(f"Instrument (good to ± {accuracy})", 2)
                ) + self._limits(step)
            case "codes":
                return self._codes(step)
            case "fasten":
                share = number(step.detail["tolerance"])
                title = escape(self.card.graph.specs[step.detail["spec"]].title)
                order = step.detail["order_spec"]
                return (
                    f'<p class="limits">Torque: “{title}” as above, ± {share} %.'
                    + (f" Order: {escape(order)}" if order else "")
                    + "</p>"
                    + _fields(
                        _line(f"Tightened to, {shown_unit('N·m', self.units)}"),
                        _line("Wrench (scale, accuracy)", 2),
                        f'<span class="line s1 plain">{_BOX} in the order given</span>',
                    )
                )
            case "record":
                return self._record(step)
            case "photo":
                return _fields(_line("Name of the picture’s file", 2))
            case "card":
                rows = "".join(
                    f"<tr><td>{escape(text)}</td><td>{_BOX}</td><td>{_BOX}</td></tr>"
                    for text in step.detail["items"].values()
                )
                return (
                    '<table class="items"><thead><tr><th scope=col></th><th scope=col>so</th>'
                    f"<th scope=col>not so</th></tr></thead><tbody>{rows}</tbody></table>"
                )
        return ""

    def _record(self, step: Step) -> str:
        asked = " ".join(
            f"<li>{escape(self.wording.checks.get(c, c))}</li>" for c in recorded_checks(step)
        )
        told = step.detail.get("told")
        question = f'<p class="say">Not recorded: {escape(told["question"])}</p>' if told else ""
        return (
            _fields(_line("Name of the recording’s file", 2), _line("From (time)"), _line("To"))
            + f'<p class="limits">The recording is asked:</p><ul class="checks">{asked}</ul>'
            + question
        )

    def _codes(self, step: Step) -> str:
        modules = ", ".join(step.detail["modules"])
        unit = shown_unit("km", self.units)
        lines = [
            _fields(_line("Stored", 2), _line("Pending", 2), _line("Permanent", 2)),
            _fields(_line(f"Modules read (at least: {modules})", 2)),
        ]
        if step.detail.get("since_clear"):
            lines.append(
                _fields(
                    _line(f"Since the clear: {unit}"),
                    _line("minutes"),
                    _line("warm-ups"),
                    _line(f"Driven since: {unit}"),
                )
            )
        if step.detail.get("readiness"):
            lines.append(_fields(_line("Monitors not complete", 2)))
        return (
            "".join(lines)
            + '<p class="limits">Write “none” only where it was read and showed none; else “not '
            "read”. What a code counts as: <code>keysback code CODE</code></p>"
        )

    def _limits(self, step: Step) -> str:
        limits = step.detail.get("limits")
        if not limits:
            return ""
        unit, source = step.detail["unit"], escape(limits["source"])
        if limits["spec"]:
            title = escape(self.card.graph.specs[limits["spec"]].title)
            ends = [
                f"not {way} it" if limits[end] == 0 else f"{to} {self._span(limits[end], unit)}"
                for end, way, to in (
                    ("minus", "below", "down to −"),
                    ("plus", "above", "up to +"),
                )
                if limits[end] is not None
            ]
            band = f"“{title}” as above, {', '.join(ends)}"
        else:
            band = " and ".join(
                f"{words} {self._value(limits[name], unit)}"
                for name, words in (("lower", "at least"), ("upper", "at most"))
                if limits[name] is not None
            )
        near = self._span(step.detail["accuracy"], unit)
        return (
            f'<p class="limits">Limits: {band} <small>({source})</small>. Nearer to a limit than '
            f"{near} is too near to say.</p>"
        )

    def _value(self, value: Fraction, unit: str) -> str:
        shown = shown_unit(unit, self.units)
        return f"{_short(convert(value, unit, shown))} {escape(shown)}"

    def _span(self, value: Fraction, unit: str) -> str:
        shown = shown_unit(unit, self.units)
        return f"{_short(convert_span(value, unit, shown), 2)} {escape(shown)}"

    # Answers

    def _answers(self, block: Block) -> str:
        """Answers that lead to the same places stand together, with the way said once."""
        groups: dict[tuple[Way, ...], list[Row]] = {}
        for row in block.rows:
            groups.setdefault(row.ways, []).append(row)
        return "".join(
            f'<div class="group"><div class="ticks{" many" if len(rows) > 3 else ""}">'
            + "".join(self._tick(row) for row in rows)
            + '</div><div class="ways">'
            + "".join(self._way(w) for w in ways)
            + "</div></div>"
            for ways, rows in groups.items()
        )

    @staticmethod
    def _tick(row: Row) -> str:
        blank = '<span class="blank"></span>' if row.label == CANNOT else ""
        kind = "tick cannot" if blank else "tick"
        return f'<p class="{kind}">{_BOX}<span>{escape(row.words)}</span>{blank}</p>'

    def _way(self, way: Way, *, tick: bool = False) -> str:
        box = _BOX if tick else ""
        if not way.when:
            return f"<p>{box}<span>{self._target(way.to)}</span></p>"
        when = "".join(
            f"<br>{'or if' if place else 'if'} {escape(words)}"
            for place, words in enumerate(way.when)
        )
        return f"<p>{box}<span>{self._target(way.to)}<small>{when}</small></span></p>"

    def _target(self, name: str) -> str:
        if name in self.card.letters:
            ending = self.card.graph.endings[name]
            return f"<b>→ {self.card.letters[name]}</b> {escape(ending.title)}"
        return f"<b>→ {self.numbers[name]}</b> {escape(self.card.graph.steps[name].title)}"

    # The end

    def _ending_advice(self, ending: Ending) -> str:
        owner = self.card.audience is Audience.OWNER
        return ending.owner if owner and ending.owner else ending.advice

    def ending(self, letter: str, ending: Ending) -> str:
        who = f'<p class="why">Who can do it: {escape(ending.who)}</p>' if ending.who else ""
        follow = ""
        if ending.kind is EndingKind.PROOF_TO_FOLLOW:
            follow = _fields(
                _line("Still open: steps", 2), _line("to be proven by (date or distance)", 2)
            )
        stop = " stopped" if ending.kind is EndingKind.DO_NOT_DRIVE else ""
        return (
            f'<section class="step ending{stop}"><h3><span class="no">{letter}</span> '
            f"{escape(ending.title)}</h3><p class=need>{_ENDINGS[ending.kind]}</p>"
            f'<p class="tick">{_BOX}<span>{escape(self._ending_advice(ending))}</span></p>{who}'
            f"{follow}</section>"
        )

    def signatures(self) -> str:
        return (
            '<section class="signatures"><h2>Who stands for it</h2>'
            + _fields(_line("Done by", 2), _line("Signature", 2), _line("Date, time"))
            + _fields(_line("Looked at by a second person", 2), _line("Signature", 2),
                      _line("Date, time"))
            + _fields(_line("Notes", 2))
            + '<p class="why">Typed in afterwards with <code>keysback open '
            f"{escape(self.wording.flow)} --mode afterwards</code>; the job then says that it was "
            "written down afterwards. Keep this paper with the job card. This is no statutory "
            f"roadworthiness test. Flow edition {self.wording.edition}.</p></section>"
        )  # fmt: skip


def _short(value: Fraction, figures: int = 4) -> str:
    """As many digits as a person reads: exact where that is short, else so many figures."""
    exact = number(value)
    return exact if Fraction(exact) == value and len(exact) <= 6 else f"{float(value):.{figures}g}"
