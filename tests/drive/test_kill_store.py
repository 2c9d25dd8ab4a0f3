"""kill -9 at random instants: what was accepted is there, once and whole, and nothing is locked."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import ROOT

KILLS = 200
SEED = 20260304


@pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL")
def test_a_store_survives_200_kills_at_random_instants(tmp_path: Path) -> None:
    # In a process of its own: it forks, and may have no threads.
    done = subprocess.run(
        [sys.executable, "-m", "tests.drive.store_kills", tmp_path, str(KILLS), str(SEED)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    account = json.loads(done.stdout)
    assert account["kills"] == KILLS
    # The kills must have met what they are for, or they show nothing.
    assert account["acknowledged"] > KILLS / 4, account
    assert account["undone"] > 0, account
    assert account["half_evidence"] > 0, account
