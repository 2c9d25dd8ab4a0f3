"""`keysback flows reference`: everything a flow file can say, as a page."""

from __future__ import annotations

import argparse
import sys
from typing import Any


def add(words: Any) -> None:
    words.add_parser("reference", help="print what every field of a flow file means")


def run(args: argparse.Namespace) -> int:
    from verify.flow.reference import page
    from verify.job.catalogue import catalogue

    sys.stdout.write(page(catalogue()))
    return 0
