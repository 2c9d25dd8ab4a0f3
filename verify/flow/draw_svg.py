"""The picture of a flow as SVG: one file, no script, nothing fetched, the same bytes every time.

Takes places from `draw_plan`. Nothing is told by colour alone: every ending has its shape, its
letter and its word, an optional step a broken line, the main path a thick one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

from verify.flow.draw_plan import BACK, DOWN, ENDING, HERE, Block, Line, Picture
from verify.flow.draw_text import lines, shortened, width
from verify.flow.graph import Ending, Step
from verify.words import EndingKind, Group

FONT = "IBM Plex Sans, DejaVu Sans, Verdana, Arial, sans-serif"
INK, QUIET, FAINT, PAPER, MAIN = "#1b1f24", "#5b6470", "#c9d0d8", "#ffffff", "#0b4f8a"
MARGIN, INDENT, BOX, GAP = 28.0, 30.0, 270.0, 16.0
WORDS, PILL, ROW, PAD = 300.0, 206.0, 19.0, 9.0
TITLE, SMALL, HEAD = 13.0, 10.5, 20.0

KIND_WORDS = {
    "ask": "question",
    "card": "list",
    "do": "to do",
    "reading": "reading",
    "record": "recording",
    "codes": "fault codes",
    "fasten": "torque",
    "photo": "picture",
    "gate": "decided, nobody is asked",
}
ENDING_WORDS = {
    EndingKind.HAND_BACK: "hand back",
    EndingKind.PROOF_TO_FOLLOW: "hand back, proof to follow",
    EndingKind.RELEARN: "relearn",
    EndingKind.BACK_TO_DIAGNOSIS: "back to diagnosis",
    EndingKind.DO_NOT_DRIVE: "do not drive",
}
GROUP_WORDS = {
    Group.SAFE: "must pass: safe to drive",
    Group.COMPLAINT: "must pass: complaint gone",
    Group.LEARNING: "must pass: still learning",
}


@dataclass(slots=True)
class Canvas:
    """Elements as they are drawn; `bottom` and `right` grow with them."""

    parts: list[str] = field(default_factory=list)
    right: float = 0.0
    bottom: float = 0.0

    def path(
        self, d: str, *, colour: str, thick: float = 1.0, dash: str = "", fill: str = "none"
    ) -> None:
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<path d="{d}" fill="{fill}" stroke="{colour}" stroke-width="{thick:g}"{dashed}/>'
        )

    def words(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        bold: bool = False,
        colour: str = INK,
        anchor: str = "start",
    ) -> None:
        weight = ' font-weight="700"' if bold else ""
        at = f' text-anchor="{anchor}"' if anchor != "start" else ""
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" fill="{colour}"{weight}{at}>'
            f"{escape(text)}</text>"
        )
        if anchor == "start":
            self.right = max(self.right, x + width(text, size, bold=bold))
        self.bottom = max(self.bottom, y)

    def begin(self, kind: str, name: str, told: str) -> None:
        """A group that readers and screen readers can tell apart."""
        attribute = escape(name, {'"': "&quot;"})
        self.parts.append(
            f'<g class="{kind}" data-name="{attribute}"><title>{escape(told)}</title>'
        )

    def end(self) -> None:
        self.parts.append("</g>")


def picture_svg(picture: Picture) -> str:
    """The whole picture. Titles are escaped; control characters are left out."""
    canvas = Canvas()
    graph = picture.graph
    deepest = max((b.depth for b in picture.blocks), default=0)
    rows_x = MARGIN + BOX + GAP
    across = MARGIN + deepest * INDENT + BOX + GAP + WORDS + PILL + MARGIN
    y = _heading(canvas, picture, across)
    tops: dict[str, float] = {}
    bottoms: dict[str, float] = {}
    rails: list[tuple[str, float]] = []  # open main path: (name, y it left)
    part = ""
    above: list[tuple[float, float]] = []  # by depth: (x of the guide, y it starts at)
    for block in picture.blocks:
        x = MARGIN + block.depth * INDENT
        if block.depth == 0:
            if block.part and block.part != part:
                y = _part_heading(canvas, x, y, block.part)
            part = block.part
            if rails:
                name, left = rails.pop()
                y = _down(canvas, picture, name, block, left, y)
        elif above[: block.depth]:
            guide, start = above[block.depth - 1]
            middle = y + PAD + TITLE / 2
            colour = FAINT
            canvas.path(f"M{guide:.1f} {start:.1f}V{middle:.1f}H{x:.1f}", colour=colour, thick=1.4)
        height = _block(canvas, picture, block, x, y, rows_x + block.depth * INDENT, across)
        tops[block.step.name], bottoms[block.step.name] = y, y + height
        del above[block.depth :]
        above.append((x + 12.0, y + height))
        if picture.on_main(block.step.name):
            rails.append((block.step.name, y + height))
        y += height + 14.0
    if rails and picture.main_ending:
        name, left = rails.pop()
        y = _to_endings(canvas, picture, name, left, y)
    y = _endings(canvas, picture, y + 8.0, across)
    canvas.bottom = y
    return _document(canvas, across, y + MARGIN, graph.title, graph.repair)


def _document(canvas: Canvas, across: float, down: float, title: str, told: str) -> str:
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{across:.0f}" height="{down:.0f}" '
        f'viewBox="0 0 {across:.0f} {down:.0f}" role="img" font-family="{FONT}">'
    )
    body = "\n".join(
        [
            head,
            f"<title>{escape(_plain(title))}</title>",
            f"<desc>{escape(_plain(told))}</desc>",
            f'<rect width="100%" height="100%" fill="{PAPER}"/>',
            *canvas.parts,
            "</svg>",
        ]
    )
    return _plain(body) + "\n"


def _plain(text: str) -> str:
    """Without what XML 1.0 cannot hold (its production 2, Char)."""

    def holds(c: str) -> bool:
        return c in "\t\n\r" or "\x20" <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff"

    return "".join(c for c in text if holds(c))


def _heading(canvas: Canvas, picture: Picture, across: float) -> float:
    graph = picture.graph
    y = MARGIN + HEAD
    for row in lines(graph.title, HEAD, across - 2 * MARGIN, bold=True, most=2):
        canvas.words(MARGIN, y, row, HEAD, bold=True)
        y += HEAD * 1.25
    for row in lines(graph.repair, SMALL + 1.5, across - 2 * MARGIN, most=3):
        canvas.words(MARGIN, y, row, SMALL + 1.5, colour=QUIET)
        y += 17.0
    said = (
        "Thick line: the way of somebody for whom all goes well. "
        "Below a step, further in: where it leads otherwise. "
        "→ goes on at that number, ↺ goes back to it, a letter is an ending (at the bottom). "
        f"From every question STOP leads to {picture.letters[graph.on_stop]}."
    )
    for row in lines(said, SMALL, across - 2 * MARGIN):
        canvas.words(MARGIN, y, row, SMALL, colour=QUIET)
        y += 15.0
    return y + 14.0


def _part_heading(canvas: Canvas, x: float, y: float, part: str) -> float:
    canvas.words(x + 22.0, y + SMALL, f"part “{part}”", SMALL, colour=QUIET)
    return y + SMALL + 9.0


def _down(
    canvas: Canvas, picture: Picture, name: str, block: Block, left: float, y: float
) -> float:
    """The main path from the bottom of one step to the top of the next, with what leads there."""
    x = MARGIN + 12.0
    said = _down_lines(picture, name)
    top = y
    for row in said:
        canvas.words(x + 12.0, top + SMALL, row, SMALL, colour=MAIN)
        top += 14.0
    end = top + 10.0
    canvas.path(f"M{x:.1f} {left:.1f}V{end - 1:.1f}", colour=MAIN, thick=3.0)
    tip = f"M{x - 5:.1f} {end - 8:.1f}L{x:.1f} {end:.1f}L{x + 5:.1f} {end - 8:.1f}Z"
    canvas.path(tip, colour=MAIN, fill=MAIN)
    return end


def _down_lines(picture: Picture, name: str) -> list[str]:
    """What the branches that go down ask for, a line each; "" where nothing else can come of it."""
    block = picture.blocks[picture.number(name) - 1]
    if len(block.lines) == 1:
        return [""]
    words = [line.words for line in block.lines if line.kind == DOWN]
    return [shortened(w, SMALL, BOX + WORDS) for w in words]


def _to_endings(canvas: Canvas, picture: Picture, name: str, left: float, y: float) -> float:
    block = picture.blocks[picture.number(name) - 1]
    end = _down(canvas, picture, name, block, left, y)
    letter = picture.letters[picture.main_ending]
    ending = picture.graph.endings[picture.main_ending]
    words = shortened(f"{letter}  {ending.title}", SMALL, BOX + WORDS, bold=True)
    canvas.words(MARGIN + 26.0, end - 1, words, SMALL, bold=True, colour=MAIN)
    return end + 10.0


def _block(
    canvas: Canvas, picture: Picture, block: Block, x: float, y: float, rows_x: float, across: float
) -> float:
    """One step with its branches beside it. Returns its height."""
    step = block.step
    room = BOX - 2 * PAD - 26.0
    title = lines(step.title, TITLE, room, bold=True, most=3)
    under = lines(_under(step), SMALL, room, most=3)
    inner = len(title) * 16.0 + len(under) * 13.5
    side = [line for line in block.lines if line.kind != DOWN]
    # Branches often differ in their last words only, so none is cut short before it is a page.
    rows = [(line, lines(line.words, SMALL, WORDS - 14.0, most=9)) for line in side]
    tall = sum(max(1, len(text)) * 13.0 + 8.0 for _, text in rows)
    height = max(inner + 2 * PAD, tall + 2.0)
    canvas.begin("step", step.name, f"{block.number}. {step.title}: {_under(step)}")
    main = picture.on_main(step.name)
    outline = _rectangle(x, y, BOX, height, 6.0 if step.kind != "gate" else 0.0)
    canvas.path(
        outline,
        colour=MAIN if main else QUIET,
        thick=2.0 if main else 1.2,
        dash="" if step.required or step.kind == "gate" else "5 3",
        fill="#f3f6f9" if step.kind == "gate" else PAPER,
    )
    canvas.words(x + 22.0, y + PAD + 11.0, str(block.number), SMALL, colour=QUIET, anchor="end")
    text_y = y + PAD + 11.0
    for row in title:
        canvas.words(x + 30.0, text_y, row, TITLE, bold=True)
        text_y += 16.0
    for row in under:
        canvas.words(x + 30.0, text_y, row, SMALL, colour=QUIET)
        text_y += 13.5
    row_y = y + 3.0
    pill_x = across - MARGIN - PILL + 8.0
    for line, text in rows:
        _row(canvas, picture, line, text, (rows_x, row_y, pill_x))
        row_y += len(text) * 13.0 + 8.0
    canvas.end()
    return height


def _under(step: Step) -> str:
    words = KIND_WORDS[step.kind]
    if step.kind == "gate":
        return words
    if step.required and step.group is not None:
        return f"{words} · {GROUP_WORDS.get(step.group, step.group.value)}"
    return f"{words} · not required" if not step.required else words


def _rectangle(x: float, y: float, across: float, down: float, r: float) -> str:
    if r == 0.0:
        return f"M{x:.1f} {y:.1f}h{across:.1f}v{down:.1f}h{-across:.1f}z"
    a, d, turn = across - 2 * r, down - 2 * r, f"a{r:g} {r:g} 0 0 1"
    return (
        f"M{x + r:.1f} {y:.1f}h{a:.1f}{turn} {r:g} {r:g}v{d:.1f}{turn} {-r:g} {r:g}"
        f"h{-a:.1f}{turn} {-r:g} {-r:g}v{-d:.1f}{turn} {r:g} {-r:g}z"
    )


def _row(
    canvas: Canvas, picture: Picture, line: Line, text: list[str], at: tuple[float, float, float]
) -> None:
    """A branch: what it asks for, dots, and where it leads."""
    x, y, pill_x = at
    canvas.begin("branch", line.to, f"{line.words}: to {_thing(picture, line.to).title}")
    for number, row in enumerate(text):
        canvas.words(x, y + 11.0 + 13.0 * number, row, SMALL)
    end = x + width(text[-1], SMALL) + 6.0
    last_y = y + 8.0 + 13.0 * (len(text) - 1)
    if pill_x - 6.0 > end:
        canvas.path(
            f"M{end:.1f} {last_y:.1f}H{pill_x - 6.0:.1f}", colour=FAINT, dash="1 3", thick=1.2
        )
    middle = y + 7.0 + 13.0 * (len(text) - 1) / 2 if len(text) == 1 else last_y - 1.0
    if line.kind == ENDING:
        ending = picture.graph.endings[line.to]
        _badge(canvas, ending.kind, picture.letters[line.to], pill_x + 12.0, middle + 1.0)
        words = ending.title
    else:
        sign = "↺" if line.kind == BACK else "→"
        there = f"{sign} {picture.number(line.to)}"
        canvas.words(pill_x, middle + 4.0, there, SMALL, bold=line.kind == HERE)
        words = picture.graph.steps[line.to].title
    room = PILL - 42.0
    canvas.words(pill_x + 32.0, middle + 4.0, shortened(words, SMALL, room), SMALL, colour=QUIET)
    canvas.end()


def _thing(picture: Picture, name: str) -> Step | Ending:
    return picture.graph.steps.get(name) or picture.graph.endings[name]


def _badge(canvas: Canvas, kind: EndingKind, letter: str, x: float, y: float) -> None:
    """The letter of an ending in the shape of its kind."""
    canvas.path(_shape(kind, x, y, 11.0, 8.5), colour=INK, thick=1.3, fill=PAPER)
    if kind is EndingKind.PROOF_TO_FOLLOW:
        canvas.path(_shape(kind, x, y, 8.6, 6.2), colour=INK, thick=0.8)
    canvas.words(x, y + 3.6, letter, SMALL - 0.5, bold=True, anchor="middle")


def _shape(kind: EndingKind, x: float, y: float, a: float, b: float) -> str:
    """hand back and proof to follow: rounded (proof to follow twice); relearn: six corners; back to
    diagnosis: a box leaning over; do not drive: eight corners."""

    def through(points: Iterable[tuple[float, float]]) -> str:
        return "M" + "L".join(f"{x + u * a:.1f} {y + v * b:.1f}" for u, v in points) + "Z"

    if kind is EndingKind.RELEARN:
        return through([(-1.0, 0), (-0.5, -1), (0.5, -1), (1.0, 0), (0.5, 1), (-0.5, 1)])
    if kind is EndingKind.BACK_TO_DIAGNOSIS:
        return through([(-0.7, -1), (1.1, -1), (0.7, 1), (-1.1, 1)])
    if kind is EndingKind.DO_NOT_DRIVE:
        c = 0.42
        return through([(-1, -c), (-c, -1), (c, -1), (1, -c), (1, c), (c, 1), (-c, 1), (-1, c)])
    return _rectangle(x - a, y - b, 2 * a, 2 * b, min(a, b) - 0.1)


def _endings(canvas: Canvas, picture: Picture, y: float, across: float) -> float:
    """All endings together at the bottom, side by side."""
    canvas.path(f"M{MARGIN:.1f} {y:.1f}H{across - MARGIN:.1f}", colour=FAINT, thick=1.2)
    canvas.words(MARGIN, y + 22.0, "Endings", TITLE + 1, bold=True)
    y += 36.0
    gap, columns = 14.0, max(1, int((across - 2 * MARGIN) // 240))
    each = (across - 2 * MARGIN - gap * (columns - 1)) / columns
    endings = list(picture.graph.endings.values())
    for start in range(0, len(endings), columns):
        tall = 0.0
        for place, ending in enumerate(endings[start : start + columns]):
            x = MARGIN + place * (each + gap)
            tall = max(tall, _ending(canvas, picture, ending, x, y, each))
        y += tall + 12.0
    return y


def _ending(
    canvas: Canvas, picture: Picture, ending: Ending, x: float, y: float, each: float
) -> float:
    room = each - 40.0
    title = lines(ending.title, TITLE, room, bold=True, most=2)
    kind = ENDING_WORDS[ending.kind]
    canvas.begin("ending", ending.name, f"{kind}: {ending.title}")
    _badge(canvas, ending.kind, picture.letters[ending.name], x + 13.0, y + 10.0)
    text_y = y + 13.0
    for row in title:
        canvas.words(x + 32.0, text_y, row, TITLE, bold=True)
        text_y += 16.0
    canvas.words(x + 32.0, text_y, kind, SMALL, colour=QUIET)
    canvas.end()
    return text_y - y + 4.0
