"""`keysback flows draw`, as typed."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from verify.__main__ import main

FLOW = "battery-replaced-or-disconnected"


def test_svg_to_a_file_the_same_twice(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = []
    for name in ("a.svg", "b.svg"):
        assert main(["flows", "draw", FLOW, "-o", str(tmp_path / name)]) == 0
        made.append((tmp_path / name).read_bytes())
    assert made[0] == made[1]
    ElementTree.fromstring(made[0])
    assert "Picture written" in capsys.readouterr().out


def test_png_is_a_picture_of_the_same_shape(tmp_path: Path) -> None:
    png, svg = tmp_path / "a.png", tmp_path / "a.svg"
    assert main(["flows", "draw", FLOW, "--to", "png", "-o", str(png)]) == 0
    assert main(["flows", "draw", FLOW, "-o", str(svg)]) == 0
    data = png.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    across, down = int.from_bytes(data[16:20]), int.from_bytes(data[20:24])
    root = ElementTree.fromstring(svg.read_bytes())
    shape = float(root.get("height", "")) / float(root.get("width", ""))
    assert down / across == pytest.approx(shape, rel=0.01)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "no flow"),
        (["no-such-flow"], "no-such-flow"),
        (["engine-control-module", "--as", "owner"], "the owner's way"),
        ([FLOW, "-o", "/dev/null/x.svg"], "cannot be written"),
    ],
)
def test_what_cannot_be_drawn_is_said(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["flows", "draw", *words]) != 0
    assert said in capsys.readouterr().err
