"""``pawnlore restore``: a copy of the store put back."""

from __future__ import annotations

import argparse
import sys

HELP = "put a file of 'pawnlore backup' back into the store, all of it or nothing"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.store_input import add_database_option

    parser.add_argument("file", metavar="FILE", help="the file that 'pawnlore backup' wrote")
    parser.add_argument(
        "--replace", action="store_true", help="let it take the place of what the store holds"
    )
    add_database_option(parser)


def run(args: argparse.Namespace) -> int:
    """Put the copy back and say what it held."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.commands.backup import told_rows
    from pawnlore.service.store_input import store_from_args

    with store_from_args(args) as store:
        from pawnlore.service.store.backup import is_empty, restore

        if not args.replace and not is_empty(store):
            raise CannotStart(
                "the store holds something already, which would be lost; say --replace, "
                "best after a 'pawnlore backup' of it"
            )
        facts = restore(store, args.file)
    print(f"put back: {told_rows(facts.rows)}", file=sys.stderr)
    return 0
