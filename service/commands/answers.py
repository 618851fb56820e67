"""``pawnlore answers``: what a survey says, alone and beside a repertoire."""

from __future__ import annotations

import argparse
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Any

HELP = "tell what a survey says: frequencies, scores, breaks, and what a repertoire leaves open"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.repertoire_input import add_side_option

    parser.add_argument("survey", metavar="SURVEY", help="the folder of a finished survey")
    parser.add_argument(
        "-o", "--output", metavar="FOLDER", type=Path, help="write all tables and plots here"
    )
    parser.add_argument(
        "--against",
        nargs="+",
        dest="pgn",
        default=[],
        metavar="PGN",
        help="set the survey beside this repertoire",
    )
    parser.add_argument(
        "--format",
        choices=("csv", "jsonl", "parquet"),
        default="csv",
        help="how to write the tables; csv is the default",
    )
    add_side_option(parser)
    add_model_option(parser)


def run(args: argparse.Namespace) -> int:
    """Tell; 1 where some of the repertoire was bad, each named on standard error."""
    from pawnlore.service.cli import CannotStart

    if find_spec("pyarrow") is None or find_spec("fsspec") is None:
        raise CannotStart("this needs pyarrow and fsspec: install pawnlore[survey]")
    from pawnlore.service.survey.answers import answers
    from pawnlore.service.survey.place import Place
    from pawnlore.service.survey.survey_parts import NoSurvey, description

    place = Place(args.survey)
    status = 0
    try:
        told = description(place)
        beside = None
        if args.pgn:
            beside, status = _beside(args, place, told)
        found = answers(place)
    except NoSurvey as error:
        raise CannotStart(str(error)) from None
    tables = dict(found.tables)
    if beside is not None:
        tables |= {f"repertoire_{name}": rows for name, rows in beside.tables.items()}
    print(f"{found.games:,} games")
    _print_structures(tables["structures"])
    if beside is not None:
        _print_beside(beside)
    if args.output is not None:
        _write(tables, args.output, args.format)
    return status


def _beside(args: argparse.Namespace, place: Any, told: dict[str, Any]) -> tuple[Any, int]:
    from pawnlore.service.models_at_hand import chosen_classifier
    from pawnlore.service.repertoire_input import read_from_args, side_from_args
    from pawnlore.service.survey.against import against
    from pawnlore.service.workbook import make_workbook

    classifier = chosen_classifier(args)
    if classifier.digest != told.get("model"):
        print(
            "pawnlore answers: the survey was made with another model; its structures and the "
            "repertoire's may not fit together",
            file=sys.stderr,
        )
    book, status = read_from_args(args, with_keys=True)
    work = make_workbook(book, classifier.classify, side_from_args(args, book), status=status)
    return against(place, work), status


def _name(structure: str) -> str:
    from pawnlore.structures.line_text import family_name

    return family_name(structure)


def _label(row: dict[str, Any]) -> str:
    holder = "" if row["holder"] == "both" else f" ({row['holder']})"
    return _name(row["structure"]) + holder


def _print_structures(rows: list[dict[str, Any]], most: int = 15) -> None:
    print("\nin a hundred games   White's score      draws   structure")
    for row in rows[:most]:
        print(
            f"{row['share'] * 100:6.1f}               "
            f"{row['score'] * 100:5.1f} ±{(row['score_high'] - row['score_low']) * 50:4.1f}     "
            f"{row['draws'] * 100:5.1f}   {_label(row)}"
        )
    if len(rows) > most:
        print(f"and {len(rows) - most:,} more")


def _print_beside(beside: Any, most: int = 10) -> None:
    print(
        f"\n{beside.followed:,} of {beside.games:,} games go with the repertoire's side "
        "as long as they are in it"
    )
    print("\nin a hundred of these   lines   the repertoire's groups")
    for row in beside.tables["groups"][:most]:
        print(f"{row['in_a_hundred']:8.1f}                {row['lines']:5,}   {_label(row)}")
    if beside.tables["unanswered_structures"]:
        print("\nin a hundred            structures that no line has")
        for row in beside.tables["unanswered_structures"][:most]:
            print(f"{row['in_a_hundred']:8.1f}                {_label(row)}")
    if beside.tables["unanswered_moves"]:
        print("\ngames   score   moves that no line answers")
        for row in beside.tables["unanswered_moves"][:most]:
            line = row["line"] or "at the start"
            print(f"{row['games']:5,}   {row['score'] * 100:5.1f}   {row['move']} after {line}")
    unplayed = beside.tables["unplayed_lines"]
    if unplayed:
        print(f"\n{len(unplayed):,} lines to whose end no game comes")


def _write(tables: dict[str, list[dict[str, Any]]], folder: Path, format: str) -> None:
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.survey.answer_files import write_rows

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, rows in tables.items():
            write_rows(rows, folder / f"{name}.{format}", format)
        for name, plot in _plots(tables).items():
            write_output([plot], folder / f"{name}.svg")
    except OSError as error:
        raise CannotStart(f"{folder} cannot be written: {error.strerror}") from None


def _plots(tables: dict[str, list[dict[str, Any]]], most: int = 20) -> dict[str, str]:
    from pawnlore.service.survey.answer_plots import Bar, bar_plot

    top = tables["structures"][:most]
    plots = {
        "frequencies": bar_plot(
            "How often games hold a structure",
            [
                Bar(_label(r), r["share"], r["share_low"], r["share_high"], f"{r['games']:,} games")
                for r in top
            ],
            axis="share of all games",
        ),
        "scores": bar_plot(
            "White's score",
            [
                Bar(
                    _label(r),
                    r["score"],
                    r["score_low"],
                    r["score_high"],
                    f"{r['decided']:,} games",
                )
                for r in top
            ],
            axis="score",
            middle=0.5,
        ),
    }
    groups = tables.get("repertoire_groups")
    if groups:
        plots["repertoire_groups"] = bar_plot(
            "What students will meet",
            [
                Bar(
                    _label(r),
                    r["in_a_hundred"] / 100,
                    r["in_a_hundred_low"] / 100,
                    r["in_a_hundred_high"] / 100,
                    f"{r['games']:,} games",
                )
                for r in groups[:most]
            ],
            axis="share of the games that go with the repertoire",
        )
    return plots
