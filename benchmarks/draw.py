"""How long a picture of a flow takes, and how that grows.

    python benchmarks/draw.py

Made-up flows as in benchmarks/prove.py. Goal: 100 steps in at most 1 s (SVG; the PNG is told beside
it). Baseline: writing as many bytes of XML as the picture has with the library's own ElementTree.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from benchmarks.prove import long_flow
from verify.flow.draw_plan import picture_of
from verify.flow.draw_svg import picture_svg
from verify.terminal.flows_draw import png_of

ROUNDS = 5
GOAL_S = 1.0
SIZES = (100, 1000, 10_000)


def seconds(work: Callable[[], object]) -> float:
    """Median of the clock over ROUNDS."""
    found = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return statistics.median(found)


def main() -> int:
    met = True
    last = 0.0
    for steps in SIZES:
        graph = long_flow(steps)
        svg = picture_svg(picture_of(graph))
        tree = ElementTree.fromstring(svg)
        own = seconds(lambda graph=graph: picture_svg(picture_of(graph)))
        base = seconds(lambda tree=tree: ElementTree.tostring(tree))
        grown = f", {own / last:.1f} x for ten times the steps" if last else ""
        print(
            f"{steps:,} steps: {own:.3f} s, {own / base:.2f} x writing its "
            f"{len(svg):,} bytes of XML{grown}"
        )
        last = own
        if steps == SIZES[0]:
            met = own <= GOAL_S
            png = seconds(lambda svg=svg: png_of(svg))
            print(f"  goal {GOAL_S:g} s: {'met' if met else 'NOT met'}; PNG {png:.2f} s")
    return 0 if met else 1


if __name__ == "__main__":
    raise SystemExit(main())
