"""The command line: ``pawnlore COMMAND …``.

Exit status: 0 all good, 1 finished but some input was bad (each named on
standard error), 2 could not start.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version

from pawnlore.service.argument_parser import ArgumentParser

COMMANDS = (
    "demo",
    "classify",
    "tag",
    "groups",
    "owed",
    "split",
    "booklet",
    "plans",
    "breaks",
    "similar",
    "diagram",
    "train",
    "evaluate",
    "teach",
    "notes",
    "repertoires",
    "judge",
    "serve",
    "access",
    "backup",
    "restore",
    "survey",
    "answers",
    "surveys",
)
"""Every command, in the order in which ``--help`` lists them."""


class CannotStart(Exception):
    """A command cannot begin its work; the message is meant for people."""


def build_parser() -> argparse.ArgumentParser:
    """The parser with every command's options."""
    parser = ArgumentParser(
        prog="pawnlore",
        description="Tags every node of an opening repertoire by its pawn structure.",
        epilog="'pawnlore COMMAND --help' explains one command.",
    )
    parser.add_argument("--version", action="version", version=f"pawnlore {version('pawnlore')}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        module = import_module(f"pawnlore.service.commands.{name}")
        command = commands.add_parser(name, help=module.HELP, description=module.HELP)
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give back its exit status."""
    args = build_parser().parse_args(arguments)
    try:
        return int(args.run(args))
    except CannotStart as error:
        print(f"pawnlore {args.command}: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print(f"pawnlore {args.command}: interrupted", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of our output has gone (for example 'head'); that is no error.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


if __name__ == "__main__":
    sys.exit(main())
