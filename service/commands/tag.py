"""``pawnlore tag``: every node of a repertoire with its structure."""

from __future__ import annotations

import argparse
from collections.abc import Iterable

HELP = "tag every node of a repertoire with its structure, whose it is and how sure that is"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.repertoire_input import add_input_arguments, add_output_option

    add_input_arguments(parser)
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl", "pgn"),
        default="table",
        help=(
            "table: a digest for reading (the default); csv or jsonl: a row for every node; "
            "pgn: the repertoire with the tags as comments"
        ),
    )
    parser.add_argument("--fen", action="store_true", help="add each node's FEN (csv and jsonl)")
    parser.add_argument(
        "--every",
        action="store_true",
        help="with --format pgn: a tag on every node, not only where the structure changes",
    )
    parser.add_argument(
        "--remove-tags",
        action="store_true",
        help="with --format pgn: take the tags of an earlier run out again",
    )
    add_output_option(parser)
    add_model_option(parser, taught=True)


def run(args: argparse.Namespace) -> int:
    """Tag; 1 where some input was bad, each named on standard error."""
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.models_at_hand import chosen_classifier, own_names
    from pawnlore.service.repertoire_input import check_input, read_from_args
    from pawnlore.structures.distinct_verdicts import distinct_verdicts

    _check(args)
    check_input(args)
    # A model that cannot be used is found out before the long work.
    classifier = None if args.remove_tags else chosen_classifier(args)
    book, status = read_from_args(args, with_fen=args.fen)

    pages: Iterable[str]
    if classifier is None:
        from pawnlore.service.exports.pgn import write_repertoire
        from pawnlore.service.exports.tag_comments import without_tags

        pages = write_repertoire(book, without_tags(book))
    else:
        verdicts = distinct_verdicts(book, classifier.classify)
        if args.format == "pgn":
            from pawnlore.service.exports.pgn import write_repertoire
            from pawnlore.service.exports.tag_comments import with_tags

            pages = write_repertoire(book, with_tags(book, verdicts, every=args.every))
        else:
            from pawnlore.service.exports import node_table

            if args.format == "table":
                pages = node_table.digest(book, verdicts, own_names(classifier))
            else:
                as_lines = {"csv": node_table.csv_rows, "jsonl": node_table.json_lines}
                pages = as_lines[args.format](book, verdicts)
    write_output(pages, args.output)
    return status


def _check(args: argparse.Namespace) -> None:
    from pawnlore.service.cli import CannotStart

    if args.fen and args.format not in ("csv", "jsonl"):
        raise CannotStart("--fen goes with --format csv or jsonl")
    for option, given in (("--every", args.every), ("--remove-tags", args.remove_tags)):
        if given and args.format != "pgn":
            raise CannotStart(f"{option} goes with --format pgn")
    if args.every and args.remove_tags:
        raise CannotStart("--every puts tags in and --remove-tags takes them out: give one")
