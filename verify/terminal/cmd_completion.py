"""`keysback completion SHELL`: completion scripts, made by shtab from the commands' own parsers."""

from __future__ import annotations

import argparse
import sys

HELP = "print shell completion for bash, zsh or tcsh"


def parser() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(description=HELP)
    p.add_argument("shell", choices=["bash", "zsh", "tcsh"])
    return p


def whole_parser() -> argparse.ArgumentParser:
    """One parser with every command below it, for completion only."""
    import importlib

    from verify.__main__ import COMMANDS

    whole = argparse.ArgumentParser(prog="keysback")
    commands = whole.add_subparsers()
    for name, (module, text) in COMMANDS.items():
        own = importlib.import_module(f"verify.terminal.{module}").parser()
        commands.add_parser(name, parents=[own], add_help=False, help=text)
    return whole


def run(args: argparse.Namespace) -> int:
    import shtab

    sys.stdout.write(shtab.complete(whole_parser(), shell=args.shell) + "\n")
    return 0
