"""``pawnlore groups``: the lines of a repertoire by middlegame type, and other views of them."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pawnlore.service.workbook import Workbook

HELP = "group lines by middlegame type; show where they meet, move orders, reminders and load"

VIEWS = ("groups", "joins", "move-order", "reminders", "load")
"""What ``--show`` takes."""

_LONGEST_PATH = 16_384


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
        "--show",
        choices=VIEWS,
        default="groups",
        help="groups: lines by middlegame type (the default); joins: where lines meet, stop short "
        "or contradict one another; move-order: which of our moves must come first; reminders: "
        "reminders, bad moves and only moves; load: how much there is to remember",
    )
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl"),
        default="table",
        help="table: a digest for reading (the default); csv or jsonl: a row for every group, "
        "join, pair of moves, reminder or part",
    )
    parser.add_argument(
        "--lines",
        action="store_true",
        help="with --show groups: a row for every line instead (csv and jsonl)",
    )
    parser.add_argument(
        "--compare",
        metavar="MOVES",
        help="with --show load: the alternatives after these moves side by side, for example "
        "'1. d4 d5 2. c4'",
    )
    add_side_option(parser)
    add_output_option(parser)
    add_model_option(parser, taught=True)


def run(args: argparse.Namespace) -> int:
    """Show one view; 1 where some input was bad, each named on standard error."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.exports.table_text import shown
    from pawnlore.service.workbook import workbook_from_args

    if args.lines and args.show != "groups":
        raise CannotStart("--lines goes with --show groups")
    if args.lines and args.format == "table":
        raise CannotStart("--lines goes with --format csv or jsonl")
    if args.compare is not None and args.show != "load":
        raise CannotStart("--compare goes with --show load")
    if args.compare is not None and len(args.compare) > _LONGEST_PATH:
        raise CannotStart(f"the moves of --compare are longer than {_LONGEST_PATH:,} characters")
    work = workbook_from_args(args)
    pages = _load_pages(args, work) if args.show == "load" else _pages(args, work)
    # JSON escapes control characters by itself, and loses nothing.
    write_output(pages if args.format == "jsonl" else shown(pages), args.output)
    return work.status


def _pages(args: argparse.Namespace, work: Workbook) -> Iterator[str]:
    from pawnlore.service.exports import (
        group_table,
        join_table,
        move_order_table,
        reminder_table,
    )

    if args.lines:
        as_lines = {"csv": group_table.line_csv_rows, "jsonl": group_table.line_json_lines}
        return as_lines[args.format](work)
    writers = {
        "groups": (group_table.digest, group_table.csv_rows, group_table.json_lines),
        "joins": (join_table.digest, join_table.csv_rows, join_table.json_lines),
        "move-order": (
            move_order_table.digest,
            move_order_table.csv_rows,
            move_order_table.json_lines,
        ),
        "reminders": (reminder_table.digest, reminder_table.csv_rows, reminder_table.json_lines),
    }
    table, as_csv, as_jsonl = writers[args.show]
    return {"table": table, "csv": as_csv, "jsonl": as_jsonl}[args.format](work)


def _load_pages(args: argparse.Namespace, work: Workbook) -> Iterator[str]:
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports import load_table
    from pawnlore.structures.move_path import PathProblem, nodes_after

    found = None
    if args.compare is not None:
        try:
            node = nodes_after(work.book, args.compare)[0]
        except PathProblem as problem:
            raise CannotStart(f"--compare: {problem}") from None
        try:
            found = load_table.counter_of(work).compare_everywhere(node)
        except ValueError:
            played = load_table.moves_from(work, node)
            raise CannotStart(
                f"--compare: there is nothing to compare after these moves: {played}"
            ) from None
    if args.format == "csv":
        return load_table.csv_rows(work, found)
    if args.format == "jsonl":
        return load_table.json_lines(work, found)
    return load_table.digest(work) if found is None else load_table.comparison(work, found)
