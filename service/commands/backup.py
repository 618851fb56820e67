"""``pawnlore backup``: a copy of the whole store."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

HELP = "copy the whole store into one file, also while the service runs"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.store_input import add_database_option

    parser.add_argument(
        "-o", "--output", required=True, metavar="FILE", help="the file to write; it is replaced"
    )
    add_database_option(parser)


def run(args: argparse.Namespace) -> int:
    """Write the copy and say what it holds."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.store_input import store_from_args

    out = Path(args.output)
    if out.is_dir() or not out.absolute().parent.is_dir():
        raise CannotStart(f"{args.output} cannot be written: its folder is missing or it is one")
    with store_from_args(args) as store:
        from pawnlore.service.store.backup import back_up

        facts = back_up(store, out)
    print(f"{args.output}: {told_rows(facts.rows)}", file=sys.stderr)
    return 0


def told_rows(rows: dict[str, int]) -> str:
    """What a backup holds, in words."""
    return (
        f"{rows['notes']:,} notes, {rows['repertoires']:,} repertoires, "
        f"{rows['labels']:,} labels, {rows['surveys']:,} surveys"
    )
