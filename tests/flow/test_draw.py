"""The picture of a flow: everything once, nothing over anything, the good way straight down."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.flow.random_flows import random_flow
from tests.flow.small import closing, go, step
from verify.flow.draw_plan import Picture, picture_of
from verify.flow.draw_svg import ENDING_WORDS, picture_svg
from verify.flow.draw_text import lines, width
from verify.flow.good_way import good_way
from verify.flow.graph import Graph
from verify.words import EndingKind

SVG = "{http://www.w3.org/2000/svg}"
NASTY = (
    "<script>alert(1)</script>",
    "]]> & \"quotes\" 'and' <!-- a comment",
    "W" * 400,
    "בדיקה של המנוע לפני המסירה",
    "🚗🔧" * 20,
    "a\x00b\x0bc\ufffe\ud800d",
    "",
)
Box = tuple[float, float, float, float]  # left, top, right, bottom


def drawn(graph: Graph) -> tuple[Picture, ElementTree.Element]:
    picture = picture_of(graph)
    return picture, ElementTree.fromstring(picture_svg(picture))


def groups(root: ElementTree.Element, kind: str) -> list[ElementTree.Element]:
    return [g for g in root.iter(f"{SVG}g") if g.get("class") == kind]


def box_of(group: ElementTree.Element) -> Box:
    """Of a step: from the outline, which is its first path."""
    path = group.find(f"{SVG}path")
    assert path is not None
    d = path.get("d", "")
    begin = re.match(r"M([\d.]+) ([\d.]+)h([\d.]+)", d)
    down = re.search(r"v([\d.]+)", d)
    assert begin is not None
    assert down is not None
    x, y, across = (float(n) for n in begin.groups())
    turn = re.search(r"a([\d.]+) ", d)
    r = float(turn[1]) if turn else 0.0
    return x - r, y, x + across + r, y + float(down[1]) + 2 * r


def texts(root: ElementTree.Element) -> list[Box]:
    found = []
    for text in root.iter(f"{SVG}text"):
        said, size = text.text or "", float(text.get("font-size", "0"))
        x, y = float(text.get("x", "")), float(text.get("y", ""))
        wide = width(said, size, bold=text.get("font-weight") is not None)
        left = {"end": x - wide, "middle": x - wide / 2}.get(text.get("text-anchor", ""), x)
        found.append((left, y - 0.7 * size, left + wide, y))
    return found


def overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def assert_clear(boxes: list[Box]) -> None:
    boxes = sorted(boxes, key=lambda box: box[1])
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            if other[1] >= one[3]:
                break
            assert not overlap(one, other), (one, other)


def assert_whole(graph: Graph) -> None:
    picture, root = drawn(graph)
    steps, endings = groups(root, "step"), groups(root, "ending")
    assert sorted(str(g.get("data-name")) for g in steps) == sorted(graph.steps)
    assert sorted(str(g.get("data-name")) for g in endings) == sorted(graph.endings)
    down = sum(line.kind == "down" for block in picture.blocks for line in block.lines)
    branches = sum(len(s.branches) for s in graph.steps.values())
    assert len(groups(root, "branch")) + down == branches
    boxes = [box_of(g) for g in steps]
    assert_clear(boxes)
    assert_clear(texts(root))
    # Everything within the sheet, and the endings below all steps.
    across, tall = (float(n) for n in root.get("viewBox", "").split()[2:])
    assert all(b[0] >= 0 and b[2] <= across and b[3] <= tall for b in [*boxes, *texts(root)])
    lowest = max(b[3] for b in boxes)
    assert all(box[1] > lowest for g in endings for box in texts(g))
    # The good way: one below the other, at the same left edge.
    place = {str(g.get("data-name")): box_of(g) for g in steps}
    way = [place[name] for name in picture.main]
    assert [b[1] for b in way] == sorted(b[1] for b in way)
    assert len({b[0] for b in way}) == 1


@given(st.integers(0, 100_000), st.booleans())
def test_everything_once_and_nothing_over_anything(seed: int, gates: bool) -> None:
    assert_whole(random_flow(seed, gates=gates))


def small() -> Graph:
    tidy = step("do", "tidy", go("done", "gone"), go("cannot", "diagnosis"))
    return closing(tidy, endings=("handed-back", "diagnosis", "tow"))


@pytest.mark.parametrize("title", NASTY, ids=range(len(NASTY)))
def test_nasty_titles_stay_text(title: str) -> None:
    graph = small()
    graph = replace(
        graph,
        title=title,
        repair=title,
        steps={n: replace(s, title=title) for n, s in graph.steps.items()},
        endings={n: replace(e, title=title) for n, e in graph.endings.items()},
    )
    assert_whole(graph)
    _, root = drawn(graph)
    assert {e.tag.removeprefix(SVG) for e in root.iter()} <= {
        *("svg", "title", "desc", "rect", "g", "path", "text")
    }
    assert not any(a.startswith("on") or "href" in a for e in root.iter() for a in e.attrib)


def test_the_same_bytes_every_time_and_words_for_screen_readers() -> None:
    graph = small()
    text = picture_svg(picture_of(graph))
    assert text == picture_svg(picture_of(graph))
    _, root = drawn(graph)
    assert [root[0].tag, root[1].tag] == [f"{SVG}title", f"{SVG}desc"]
    assert root[0].text == graph.title
    assert root[1].text == graph.repair
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")


def test_each_kind_of_ending_has_a_shape_and_a_word_of_its_own() -> None:
    assert len(set(ENDING_WORDS.values())) == len(EndingKind)
    shapes = {}
    for kind in EndingKind:
        graph = small()
        endings = {n: replace(e, kind=kind) for n, e in graph.endings.items()}
        _, root = drawn(replace(graph, endings=endings))
        ending = groups(root, "ending")[0]
        d = [p.get("d", "") for p in ending.iter(f"{SVG}path")]
        shapes[kind] = tuple(re.sub(r"[\d.-]+", "", one) for one in d), len(d[0].split("L"))
        assert ENDING_WORDS[kind] in [t.text for t in ending.iter(f"{SVG}text")]
    assert len(set(shapes.values())) == len(EndingKind)


def test_the_good_way_of_a_small_flow() -> None:
    graph = small()
    steps, ending = good_way(graph, graph.audiences[0])
    assert steps[0] == graph.start
    assert graph.endings[ending].kind.lets_go


def test_lines_keep_all_words_and_stay_in_their_room() -> None:
    said = "Fasteners, torque and order " + "x" * 90
    rows = lines(said, 13.0, 120.0, most=50)
    assert "".join(rows).replace(" ", "") == said.replace(" ", "")
    assert all(width(row, 13.0) <= 120.0 for row in rows)
    assert lines(said, 13.0, 120.0, most=2)[-1].endswith("…")
