"""Reading a measurement file in a process of its own.

The library that reads MDF works on the bytes of a file with compiled code that trusts them: a
damaged file can bring its process down, or keep it busy for ever. Neither may happen to a session
in which a car is being closed out. So it reads in a child, which gets the file's bytes and gives
back a layout, a recording or problems; what it prints goes nowhere.
"""

from __future__ import annotations

import io
import pickle
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from verify.errors import UserError
from verify.evidence.importers.port import Layout, refusal
from verify.evidence.recording import Recording

_START = (
    "import pickle, sys; sys.path[:] = pickle.load(sys.stdin.buffer);"
    "from verify.evidence.importers.mdf_child import main; main()"
)
_LEAST_S = 60.0
_S_A_MB = 1.0  # a hundred times what a file needs that is in order


def apart(what: str, raw: bytes, source_name: str, said: Mapping[str, str]) -> Layout | Recording:
    """`mdf.look_here` or `mdf.read_here` in a child. what: "look" or "read".

    Raises UserError where the file cannot be read, or brings the child down.
    """
    child = subprocess.Popen(
        [sys.executable, "-W", "ignore", "-c", _START],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    asked = pickle.dumps(sys.path) + pickle.dumps((what, raw, source_name, dict(said)))
    try:
        answer, _ = child.communicate(asked, timeout=_LEAST_S + _S_A_MB * len(raw) / 1e6)
    except subprocess.TimeoutExpired:
        child.kill()
        child.communicate()
        answer = b""
    try:
        found, problems = pickle.loads(answer if child.returncode == 0 else b"")
    except (EOFError, pickle.UnpicklingError):
        raise refusal(
            "an MDF file that is damaged, or cannot be read to its end",
            source_name,
            next="export the recording again, with fewer channels",
        ) from None
    if problems:
        raise UserError(*problems)
    if isinstance(found, Recording):
        # Arrays come out of the child writeable; made anew, a channel protects its own.
        return replace(found, channels={n: replace(c) for n, c in found.channels.items()})
    return found  # type: ignore[no-any-return]


def main() -> None:
    """The child: one question on the standard input, one answer on the standard output."""
    from verify.evidence.importers import mdf

    out = sys.stdout.buffer
    sys.stdout = io.StringIO()
    what, raw, source_name, said = pickle.load(sys.stdin.buffer)
    found: Any = None
    problems: tuple[Any, ...] = ()
    try:
        if what == "look":
            found = mdf.look_here(raw, source_name)
        else:
            found = mdf.read_here(raw, source_name, said)
    except UserError as error:
        problems = error.problems
    out.write(pickle.dumps((found, problems)))
    out.flush()
