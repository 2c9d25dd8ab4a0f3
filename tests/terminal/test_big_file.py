"""What a command sets for its own process: threads, garbage, and memory that is kept."""

from __future__ import annotations

import io
import os
import platform
import subprocess
import sys

import pytest

from tests.conftest import ROOT
from verify.terminal.big_file import BIG_BYTES, keep_memory


def told(code: str, **more: str) -> str:
    env = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
    ran = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env={**env, **more},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return ran.stdout.splitlines()[-1]


DOOR = """
import gc, os, sys
sys.argv = ["keysback", "--version"]
from verify.__main__ import main
main({words})
print(os.environ.get("OPENBLAS_NUM_THREADS"), gc.get_threshold()[0] > 700,
      sys.getswitchinterval() < 0.001)
"""


def test_a_command_sums_in_one_thread_and_seldom_looks_for_garbage() -> None:
    assert told(DOOR.format(words="")) == "1 True True"


def test_who_said_how_many_threads_is_heard() -> None:
    assert told(DOOR.format(words=""), OPENBLAS_NUM_THREADS="3") == "3 True True"


def test_a_program_that_calls_a_command_keeps_its_own_settings() -> None:
    assert told(DOOR.format(words="sys.argv[1:]")) == "None False False"


@pytest.mark.parametrize("size", [0, 10, BIG_BYTES - 1])
def test_a_stream_stands_at_its_start_afterwards(size: int) -> None:
    stream = io.BytesIO(bytes(size))
    stream.read(5)
    keep_memory(stream)
    assert stream.tell() == 0


FAULTS = """
import resource, sys
import numpy as np
from verify.terminal.big_file import BIG_BYTES, keep_memory
class Big:
    seekable = lambda self: True
    seek = lambda self, at, whence=0: BIG_BYTES if whence else 0
if sys.argv[1:] == ["keep"]:
    keep_memory(Big())
def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(3):
    arrays = [np.ones(1_000_000) for _ in range(6)]
    del arrays
before = faults()
for _ in range(20):
    arrays = [np.ones(1_000_000) for _ in range(6)]
    del arrays
print(faults() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="a setting of glibc")
def test_memory_that_was_freed_is_not_asked_for_again() -> None:
    code = FAULTS.replace("sys.argv[1:]", '["keep"]')
    assert 10 * int(told(code)) < int(told(FAULTS))
