"""Help for the runner's tests: the small flow, recordings made on the spot, typed walks."""

from __future__ import annotations

import io
import math
import subprocess
import sys
from pathlib import Path

from tests.conftest import ROOT
from verify.flow.machine import compile_flow
from verify.job.bodies import opened_body
from verify.job.catalogue import catalogue
from verify.job.memory import MemoryJournal
from verify.terminal.clock import PlayingClock, read_stamp
from verify.terminal.desk import Desk, Secrets, proven_or_error
from verify.terminal.hands import PersonHands
from verify.terminal.library import load_flow
from verify.terminal.runner import Runner
from verify.terminal.ui_lines import LineUi
from verify.words import Audience

SMALL = Path(__file__).with_name("small_flow.yaml")
START = read_stamp("2031-03-04T08:00:00.000Z")


def idle_csv(path: Path, rpm: float = 750.0, seconds: int = 120, swing: float = 4.0) -> Path:
    """A warm, standing idle at 5 Hz; invented."""
    lines = ["time_s,engine_speed_rpm,vehicle_speed_kmh,coolant_degC,accelerator_pedal_percent"]
    for i in range(seconds * 5):
        t = i / 5
        wave = swing * math.sin(t * 1.7) + swing * 0.5 * math.sin(t * 7.3)
        lines.append(f"{t:.1f},{rpm + wave:.0f},0,90,0")
    path.write_text("\n".join(lines) + "\n")
    return path


def small_desk(
    audience: Audience = Audience.TECHNICIAN, units: str = "metric", flow: Path = SMALL
) -> Desk:
    loaded = load_flow(str(flow), catalogue())
    machine = compile_flow(proven_or_error(loaded.graph, flow.stem))
    journal = MemoryJournal()
    journal.put_edition(loaded.edition, loaded.content)
    desk = Desk(journal, "tester", machine, PlayingClock(START), "p-test")
    body = opened_body(
        machine, edition=loaded.edition, audience=audience, mode="as-work", units=units
    )
    desk.open(body, Secrets())
    return desk


def play(desk: Desk, *lines: str) -> str:
    """Types the lines into the plain line mode. Returns what was shown; a pause raises Paused."""
    shown = io.StringIO()
    source = io.StringIO("".join(line + "\n" for line in lines))
    play.shown = shown  # type: ignore[attr-defined]
    Runner(desk, PersonHands(LineUi(source, shown))).run()
    return shown.getvalue()


def keysback(*args: str, stdin: str = "", **kwargs: object) -> subprocess.CompletedProcess[str]:
    """The real command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "verify", *args],
        input=stdin,
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=120,
        **kwargs,  # type: ignore[arg-type]
    )
