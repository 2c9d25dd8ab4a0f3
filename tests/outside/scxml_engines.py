"""Two interpreters of SCXML that know nothing of each other, and nothing of this project.

scion: npm `@scion-scxml/scxml` (Apache-2.0), in Node. python-statemachine: PyPI (MIT). Both are
given a document of ours and rows of events, and say in which state they stood.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from tests.outside.npm import npm_folder
from verify.flow.rehearse import RehearsedWalk

PACKAGE = "@scion-scxml/scxml@4.3.27"
PLAYER = """
const scxml = require("@scion-scxml/scxml");
const { chart, rows } = JSON.parse(require("fs").readFileSync(0, "utf8"));
scxml.documentStringToModel("chart.scxml", chart, (error, model) => {
  if (error) throw error;
  model.prepare((error, ready) => {
    if (error) throw error;
    console.log(JSON.stringify(rows.map((row) => {
      const engine = new scxml.core.Statechart(ready, {});
      return [engine.start(), ...row.map((name) => engine.gen({ name }))];
    })));
  });
});
"""


@cache
def _node_folder() -> Path:
    """Where the interpreter is installed, with what drives it."""
    folder = npm_folder(PACKAGE, "the SCXML interpreter")
    (folder / "play.js").write_text(PLAYER, encoding="utf-8")
    return folder


def by_scion(chart: str, rows: Sequence[Sequence[str]]) -> list[list[str]]:
    """For each row of events the states stood in, the first before any event."""
    folder = _node_folder()
    done = subprocess.run(
        ["node", "play.js"],
        input=json.dumps({"chart": chart, "rows": rows}),
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return [[_alone(states) for states in row] for row in json.loads(done.stdout)]


def by_python_statemachine(chart: str, rows: Sequence[Sequence[str]]) -> list[list[str]]:
    """As `by_scion`. Only documents written here are loaded: SCXML is a language that runs."""
    from statemachine.io import load

    kind = load(chart, format="scxml")
    found = []
    for row in rows:
        machine = kind()
        stood = [_alone([state.id for state in machine.configuration])]
        for event in row:
            machine.send(event)
            stood.append(_alone([state.id for state in machine.configuration]))
        found.append(stood)
    return found


def events_of(walk: RehearsedWalk) -> list[str]:
    """A rehearsed walk as events of its chart."""
    return [walk.board.chart.event(t.step, t.outcomes[0]) for t in walk]


def _alone(states: Sequence[str]) -> str:
    assert len(states) == 1, states
    return states[0]
