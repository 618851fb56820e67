"""``pawnlore booklet``: the printable study booklet of a repertoire."""

from __future__ import annotations

import argparse

HELP = "write a study booklet: one HTML file, a section for each middlegame type"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.notes_input import add_notes_option
    from pawnlore.service.repertoire_input import add_input_arguments, add_side_option

    add_input_arguments(parser)
    parser.add_argument(
        "-o", "--output", metavar="OUT", required=True, help="the HTML file to write"
    )
    add_notes_option(parser)
    parser.add_argument("--title", default="Study booklet", help="what stands on the first page")
    parser.add_argument(
        "--no-owed",
        dest="with_owed",
        action="store_false",
        help="leave out what the author still owes, for a booklet that students get",
    )
    parser.add_argument(
        "--survey",
        metavar="FOLDER",
        default="",
        help="add what a finished survey of games says of each type: how often, score, breaks",
    )
    add_side_option(parser)
    add_model_option(parser, taught=True)


def run(args: argparse.Namespace) -> int:
    """Write the booklet; 1 where some input was bad, each named on standard error."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports.booklet import booklet
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.models_at_hand import chosen_classifier
    from pawnlore.service.notes_input import notes_from_args
    from pawnlore.service.repertoire_input import check_input
    from pawnlore.service.survey_input import survey_to_set_beside
    from pawnlore.service.workbook import workbook_from_args
    from pawnlore.structures.debt import counted

    check_input(args)
    # A survey that cannot be used is found out before the long work.
    survey = survey_to_set_beside(args.survey, "booklet") if args.survey else None
    notes, notes_status = notes_from_args(args)
    work = workbook_from_args(args, with_fen=True)
    classifier = chosen_classifier(args)
    surveyed = None if survey is None else survey.types(work, classifier.digest)
    try:
        pages = booklet(
            work,
            classifier.classify,
            notes,
            title=args.title,
            with_owed=args.with_owed,
            surveyed=surveyed,
        )
        write_output(pages, args.output)
    except OSError as error:
        reason = error.strerror or str(error)
        raise CannotStart(f"{args.output} cannot be written: {reason}") from None
    types = sum(group.settled for group in work.groups.groups)
    told = f"{counted(types, 'middlegame type')}, {counted(len(work.paths), 'line')}"
    print(f"{args.output}: {told}.")
    return max(work.status, notes_status)
