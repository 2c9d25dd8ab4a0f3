"""How the time of a printed rehearsal step grows with the flow, and the library as a whole.

    python benchmarks/rehearse.py            1,000 and 10,000 steps: seconds for a printed step
    python benchmarks/rehearse.py --library  the library: walks, least, coverage; every script is
                                             played, every outcome in a session, and every walk in
                                             two interpreters of SCXML (needs Node and npm)

A printed step is one step of one walk, found, written into its script and counted. The ratio of the
two sizes is held to 2. The collector of reference cycles runs as it does for everybody.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from benchmarks.prove import CHECKS, long_flow
from tests.outside.scxml_engines import by_python_statemachine, by_scion, events_of
from tests.terminal.rehearsed import (
    claimed,
    play_outcomes,
    play_script,
    proven_flow,
)
from verify.flow.machine import compile_flow, draft_machine
from verify.flow.proof import ProvenFlow, prove
from verify.flow.rehearse import rehearse
from verify.flow.scxml import chart_to_scxml, state_ids
from verify.job.catalogue import catalogue
from verify.terminal.library import flow_names
from verify.terminal.rehearse_answers import AnswerBook
from verify.terminal.rehearse_script import ScriptWriter

SIZES = (1000, 10_000)
MOST_GROWTH = 2.0


def measure(steps: int) -> dict[str, object]:
    """Rehearses and writes every script of a made-up flow; the proof is not counted."""
    proven = prove(long_flow(steps), CHECKS)
    assert isinstance(proven, ProvenFlow)
    begin = time.process_time()
    found = rehearse(proven, CHECKS)
    searched = time.process_time() - begin
    writer = ScriptWriter(AnswerBook(proven.graph), "made-up", len(found.walks))
    printed = length = 0
    for walk in found.walks:
        script = writer.write(walk)
        printed += script.steps
        length += len(script.text)
        assert not script.unplayable
    taken = time.process_time() - begin
    return {
        "walks": len(found.walks),
        "at_least": found.at_least,
        "coverage": round(found.coverage, 2),
        "printed_steps": printed,
        "printed_MB": round(length / 1e6, 1),
        "seconds_searching": round(searched, 2),
        "seconds": round(taken, 2),
        "microseconds_a_step": round(taken / printed * 1e6, 2),
    }


def library() -> dict[str, object]:
    """Every script of every flow, played; how near the sets come to the least there can be."""
    rows: dict[str, object] = {}
    for name in flow_names():
        proven = proven_flow(name)
        begin = time.process_time()
        found = rehearse(proven, catalogue(), stops=True)
        taken = time.process_time() - begin
        runs, plays = compile_flow(proven), draft_machine(proven.graph)
        writer = ScriptWriter(AnswerBook(proven.graph), name, len(found.walks))
        with tempfile.TemporaryDirectory() as folder, redirect_stdout(StringIO()):
            for walk in found.walks:
                script = writer.write(walk)
                assert play_script(script, Path(folder), plays, walk.audience) == claimed(walk)
                assert play_outcomes(walk, runs) == claimed(walk)
        plain = rehearse(proven, catalogue())
        for board in found.boards:
            walks = [walk for walk in found.walks if walk.board is board]
            text, ids = chart_to_scxml(board.chart), state_ids(board.chart)
            of = dict(zip((s.name for s in board.chart.states), ids, strict=True))
            stood = [[of[state] for state in walk.states] for walk in walks]
            for engine in (by_scion, by_python_statemachine):
                assert engine(text, [events_of(walk) for walk in walks]) == stood
        rows[name] = {
            "walks": len(plain.walks),
            "at_least": plain.at_least,
            "with_stops": len(found.walks),
            "infeasible": len(plain.infeasible),
            "coverage": plain.coverage,
            "seconds": round(taken, 2),
        }
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--library", action="store_true", help="play all scripts of the library")
    parser.add_argument("--json", action="store_true", help="print figures only")
    options = parser.parse_args()
    if options.library:
        found: dict[str, object] = library()
        good = True
    else:
        sizes = {steps: measure(steps) for steps in SIZES}
        each = [float(str(sizes[n]["microseconds_a_step"])) for n in SIZES]
        ratio = round(each[1] / each[0], 2)
        found = {str(n): figures for n, figures in sizes.items()}
        found |= {"ratio": ratio, "ratio_allowed": MOST_GROWTH}
        good = ratio <= MOST_GROWTH
    if options.json:
        print(json.dumps(found))
    else:
        for name, value in found.items():
            print(f"{name:>36}: {value}")
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
