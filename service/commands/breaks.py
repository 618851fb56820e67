"""``pawnlore breaks``: where a structure can go."""

from __future__ import annotations

import argparse

HELP = "show where a structure can go: each side's pawn breaks and what they lead to"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.repertoire_input import add_output_option

    parser.add_argument(
        "fen", metavar="FEN", help="a FEN or EPD in quotes, or the placement of the pawns alone"
    )
    parser.add_argument(
        "pgn",
        nargs="*",
        metavar="PGN",
        help="a repertoire, to count how often its lines go that way; '-' is standard input",
    )
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl"),
        default="table",
        help="table: a page for reading (the default); csv or jsonl: a row for every outcome",
    )
    add_output_option(parser)
    add_model_option(parser, taught=True)


def run(args: argparse.Namespace) -> int:
    """Tell the breaks; 1 where some of the repertoire was bad, each named on standard error."""
    from pawnlore.service.exports import break_table
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.models_at_hand import chosen_classifier, own_names
    from pawnlore.service.query_input import query_from_args
    from pawnlore.service.repertoire_input import check_input, read_from_args
    from pawnlore.structures.breaks import break_tree
    from pawnlore.structures.distinct_verdicts import distinct_verdicts
    from pawnlore.structures.line_text import naming

    query = query_from_args(args)
    check_input(args)
    classifier = chosen_classifier(args)
    status, book, verdicts = 0, None, None
    if args.pgn:
        book, status = read_from_args(args)
        verdicts = distinct_verdicts(book, classifier.classify)
    tree = break_tree(query, classifier.classify, book, verdicts)
    if args.format == "table":
        pages = break_table.digest(tree, book, naming(own_names(classifier)))
    else:
        as_lines = {"csv": break_table.csv_rows, "jsonl": break_table.json_lines}
        pages = as_lines[args.format](tree, book)
    write_output(pages, args.output)
    return status
