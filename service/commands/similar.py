"""``pawnlore similar``: the nearest skeletons in a repertoire."""

from __future__ import annotations

import argparse

HELP = "find the nearest pawn positions in a repertoire and the lines that lead there"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.repertoire_input import add_input_arguments, add_output_option

    parser.add_argument(
        "fen", metavar="FEN", help="a FEN or EPD in quotes, or the placement of the pawns alone"
    )
    add_input_arguments(parser)
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl"),
        default="table",
        help="table: a page for reading (the default); csv or jsonl: a row for every way in",
    )
    parser.add_argument(
        "--count",
        type=_count,
        default=5,
        metavar="N",
        help="how many pawn positions to show; 5 is the default",
    )
    parser.add_argument(
        "--mirrored",
        action="store_true",
        help="the same pawns with colours reversed count as the same",
    )
    add_output_option(parser)
    add_model_option(parser, taught=True)


def run(args: argparse.Namespace) -> int:
    """Find them; 1 where some of the repertoire was bad, each named on standard error."""
    from pawnlore.service.exports import similar_table
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.models_at_hand import chosen_classifier, own_names
    from pawnlore.service.query_input import query_from_args
    from pawnlore.service.repertoire_input import check_input, read_from_args
    from pawnlore.structures.line_text import naming
    from pawnlore.structures.similar import SimilarIndex
    from pawnlore.structures.skeleton import pack

    asked = query_from_args(args).skeleton
    check_input(args)
    classifier = chosen_classifier(args)
    book, status = read_from_args(args)
    index = SimilarIndex(book)
    found = index.nearest(asked, count=args.count, mirrored=args.mirrored)
    answer = similar_table.Answer(
        asked,
        found,
        classifier.classify(pack([asked, *(near.skeleton for near in found)])),
        book,
        {node: index.lines_below(node) for near in found for node in near.entries},
        len(index),
        naming(own_names(classifier)),
    )
    writers = {
        "table": similar_table.digest,
        "csv": similar_table.csv_rows,
        "jsonl": similar_table.json_lines,
    }
    write_output(writers[args.format](answer), args.output)
    return status


def _count(text: str) -> int:
    number = int(text) if text.isdecimal() and len(text) < 8 else 0
    if not 1 <= number <= 10_000:
        raise argparse.ArgumentTypeError("a number from 1 to 10000 is wanted")
    return number
