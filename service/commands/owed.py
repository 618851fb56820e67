"""``pawnlore owed``: what the author of a repertoire still owes its readers."""

from __future__ import annotations

import argparse

HELP = "list what a repertoire and its plan notes still lack, the most pressing first"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.notes_input import add_notes_option
    from pawnlore.service.repertoire_input import (
        add_input_arguments,
        add_output_option,
        add_side_option,
    )

    add_input_arguments(parser)
    add_notes_option(parser)
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl"),
        default="table",
        help="table: a digest for reading (the default); csv or jsonl: a row for everything owed",
    )
    parser.add_argument(
        "--all", action="store_true", help="with --format table: all of it, not the first of a kind"
    )
    add_side_option(parser)
    add_output_option(parser)
    add_model_option(parser, taught=True)


def run(args: argparse.Namespace) -> int:
    """List what is owed; 1 where some input was bad, each named on standard error."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports import owed_table
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.notes_input import notes_from_args
    from pawnlore.service.workbook import workbook_from_args
    from pawnlore.structures.owed import owed

    if args.all and args.format != "table":
        raise CannotStart("--all goes with --format table; csv and jsonl hold everything")
    given, notes_status = notes_from_args(args)
    notes = None if args.notes is None else given
    work = workbook_from_args(args)
    verdicts, name_of = work.verdicts, work.name_of
    debts = owed(work.book, verdicts, work.paths, work.groups, work.side, notes, name_of=name_of)
    if args.format == "table":
        count = None if notes is None else len(notes)
        pages = owed_table.digest(work, debts, count, every=args.all)
    elif args.format == "csv":
        pages = owed_table.csv_rows(work, debts)
    else:
        pages = owed_table.json_lines(work, debts)
    write_output(pages, args.output)
    return max(work.status, notes_status)
