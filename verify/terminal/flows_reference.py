"""`keysback flows reference`: everything a flow file can say, as a page."""

from __future__ import annotations

import argparse
import sys
from typing import Any


def add(words: Any) -> None:
    words.add_parser("reference", help="print what every field of a flow file means")


def run(args: argparse.Namespace) -> int:
    from verify.flow.reference import page

    sys.stdout.write(page())
    return 0
