"""``pawnlore groups``: the lines of a repertoire by middlegame type."""

from __future__ import annotations

import argparse

HELP = "group the lines of a repertoire by middlegame type and by whose it is"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.repertoire_input import (
        add_input_arguments,
        add_output_option,
        add_side_option,
    )

    add_input_arguments(parser)
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl"),
        default="table",
        help="table: a digest for reading (the default); csv or jsonl: a row for every group",
    )
    parser.add_argument(
        "--lines", action="store_true", help="a row for every line instead (csv and jsonl)"
    )
    add_side_option(parser)
    add_output_option(parser)
    add_model_option(parser)


def run(args: argparse.Namespace) -> int:
    """Group; 1 where some input was bad, each named on standard error."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports import group_table
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.workbook import workbook_from_args

    if args.lines and args.format == "table":
        raise CannotStart("--lines goes with --format csv or jsonl")
    work = workbook_from_args(args)
    writers = {
        ("table", False): group_table.digest,
        ("csv", False): group_table.csv_rows,
        ("jsonl", False): group_table.json_lines,
        ("csv", True): group_table.line_csv_rows,
        ("jsonl", True): group_table.line_json_lines,
    }
    write_output(writers[args.format, args.lines](work), args.output)
    return work.status
