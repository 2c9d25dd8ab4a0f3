"""`keysback judge RECORDING`: puts checks to one recording and shows what they say.

Nothing is stored. The exit code says whether it could be judged at all, not what came of it: a
verdict has three answers and an exit code two.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from verify.terminal.recording_options import (
    add_options,
    chosen_checks,
    column_mapping,
    fitting_checks,
    read_file,
    recording_json,
    row_interval_s,
    vehicle_specs,
)

if TYPE_CHECKING:
    from verify.evidence.recording import Recording
    from verify.evidence.verdict import CheckResult
    from verify.terminal.complaint_words import DriveProof

HELP = "put checks to a recording of the car's own data"


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(
        description="Puts checks to a recording of the car's own data and shows verdicts with "
        "number, limits and doubt: first what failed, then what is open and what settles it, then "
        "what passed. Exit code 0 for any verdict, 2 for input that cannot be judged. Nothing is "
        "stored.",
    )
    p.add_argument("recording", metavar="RECORDING", help="the file")
    p.add_argument(
        "--complaint",
        metavar="HOW OFTEN",
        help='how often it came, such as "every 60 km", "twice a day", "1 in 20 presses": says '
        "what this drive proves against it, and how much more would",
    )
    add_options(p)
    return p


def run(args: argparse.Namespace) -> int:
    """Raises UserError for whatever cannot be judged; the door prints it and exits with 2."""
    from verify.evidence.checks.catalogue import judge

    names = chosen_checks(args.check)
    specs, unused = vehicle_specs(args.spec, args.specs)
    complaint = None
    if args.complaint is not None:
        from verify.terminal.complaint_words import complaint_of

        complaint = complaint_of(args.complaint)
    recording = read_file(args.recording, column_mapping(args.map), row_interval_s(args.every))
    fitting = None if args.all or args.json else fitting_checks([recording])
    results = judge([recording], specs, names or fitting)
    proof = None
    if complaint is not None:
        from verify.terminal.complaint_words import proof_of

        proof = proof_of(complaint, [recording], results)
    if args.json:
        _print_json(recording, results, proof)
    else:
        _print_words(recording, results, proof, unused, args.units, args.all or names is not None)
    return 0


def _print_json(
    recording: Recording, results: Sequence[CheckResult], proof: DriveProof | None
) -> None:
    import json

    value = {
        "recording": recording_json(recording),
        "checks": [r.to_json() for r in results],
        **({"complaint": proof.to_json()} if proof is not None else {}),
    }
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def _print_words(
    recording: Recording,
    results: Sequence[CheckResult],
    proof: DriveProof | None,
    unused: Sequence[str],
    system: str,
    full: bool,
) -> None:
    """full: every result in full, with the channels and the trace."""
    from rich.text import Text

    from verify.terminal.screen import Printer
    from verify.terminal.show_verdict import summary_line, trace_plot, verdict_block
    from verify.terminal.verdict_list import arranged, tally
    from verify.words import Verdict

    show = Printer()
    show(*head_of(recording, full=full))
    if unused:
        show(Text(f"  No check uses these specs: {', '.join(unused)}.", style="dim"))
    for block in (
        [verdict_block(r, system=system) for r in results] if full else arranged(results, system)
    ):
        show("", block)
    if proof is not None:
        show("", proof.block())
    plot = trace_plot(recording, results, width=show.width - 2) if full else None
    if plot is not None:
        show("", plot)
    short = summary_line(results) if full else tally(results)
    if short is not None:
        show("", short)
    last = "This judges the recording, and lets no car go."
    if not full and any(r.verdict is Verdict.PASS and r.uncertainty is not None for r in results):
        last = f"± is twice the standard uncertainty. {last}"
    show(Text(last, style="dim"))


def head_of(recording: Recording, *, full: bool) -> list[Any]:
    """What was read, and what was mended on the way. full: with a line for each channel."""
    from rich.padding import Padding
    from rich.text import Text

    from verify.terminal.show_verdict import sentence

    lines: list[Any] = [
        Text(recording.source_name, style="bold", overflow="fold"),
        f"{recording.rows} rows, {recording.seconds:.0f} s, SHA-256 {recording.sha256[:12]}…",
    ]
    dim: list[str] = []
    if full:
        lines.append("")
        for name, c in recording.channels.items():
            step = f"steps of {c.resolution:.3g} {c.unit}" if c.resolution > 0 else ""
            lines.append(Text(f"  {name:<18}{_rate(c.rate_hz):<18}{step}"))
    else:
        lines.append(_channels_line(recording))
    # One that begins with a column's name keeps it as the file has it.
    dim += [
        sentence(repair) if ":" not in repair.split(" ")[0] else repair
        for repair in recording.repairs
    ]
    if recording.unmapped:
        names = ", ".join(recording.unmapped[:8])
        more = f" and {len(recording.unmapped) - 8} more" if len(recording.unmapped) > 8 else ""
        dim.append(f"Not used: {names}{more}. Say what a column is with --map.")
    return lines + [Padding(Text(text, style="dim"), (0, 0, 0, 2)) for text in dim]


def _channels_line(recording: Recording) -> str:
    """The channels by how often they were read, the slowest last."""
    by_rate: dict[str, list[str]] = {}
    for name, c in sorted(recording.channels.items(), key=lambda item: _slow(item[1].rate_hz)):
        by_rate.setdefault(_rate(c.rate_hz), []).append(name)
    return "; ".join(f"{', '.join(names)}: {rate}" for rate, names in by_rate.items())


def _slow(rate_hz: float) -> float:
    return -rate_hz if rate_hz == rate_hz else 0.0


def _rate(rate_hz: float) -> str:
    if rate_hz != rate_hz:
        return "read once"
    return f"{rate_hz:.0f} per second" if rate_hz >= 10.0 else f"{rate_hz:.2g} per second"
