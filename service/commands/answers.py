"""``pawnlore answers``: what a survey says, alone and beside a repertoire."""

from __future__ import annotations

import argparse
import math
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Any

HELP = "tell what a survey says: frequencies, scores, breaks, and what a repertoire leaves open"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.repertoire_input import add_side_option
    from pawnlore.service.store_input import add_database_option

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
    parser.add_argument(
        "--keep",
        default="",
        metavar="NAME",
        help="keep the answers in the store under this name, for the pages and the API; what was "
        "there under it is replaced",
    )
    parser.add_argument(
        "--beside",
        nargs="+",
        default=[],
        metavar="REPERTOIRE",
        help="with --keep: set the survey beside these repertoires of the store too, named by id "
        "or name",
    )
    add_database_option(parser)
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

    if args.beside and not args.keep:
        raise CannotStart("--beside sets a survey that is kept beside repertoires: name it: --keep")
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
    if args.keep:
        _keep(args, place, told, found)
    return status


def _keep(args: argparse.Namespace, place: Any, told: dict[str, Any], found: Any) -> None:
    """Keep the answers in the store."""
    from pawnlore.service.store_input import store_from_args

    with store_from_args(args) as store:
        from pawnlore.service.store.survey_shelf import SurveyShelf
        from pawnlore.service.survey.kept_answers import description_to_keep, set_beside

        besides = []
        if args.beside:
            desk = _desk(args, store)
            ids = [_repertoire(desk.shelf, word, told) for word in args.beside]
            besides = set_beside(place, desk, ids)
        shelf = SurveyShelf(store)
        gone = {one.repertoire for one in shelf.besides() if one.survey_name == args.keep.strip()}
        kept = shelf.keep(args.keep, found.games, description_to_keep(told), found.tables, besides)
    print(f"kept as {kept.name!r}, {kept.id}", file=sys.stderr)
    for one in besides:
        print(
            f"beside {one.repertoire}: {one.followed:,} of {one.games:,} games go with it",
            file=sys.stderr,
        )
    if left := len(gone - {one.repertoire for one in besides}):
        print(
            f"pawnlore answers: the survey that was kept under this name stood beside {left:,} "
            "other repertoires; name them after --beside to set this one beside them too",
            file=sys.stderr,
        )


def _desk(args: argparse.Namespace, store: Any) -> Any:
    from pawnlore.service.classifier_from_store import classifier_in_use
    from pawnlore.service.lookups_at_hand import Lookups
    from pawnlore.service.repertoire_desk import RepertoireDesk
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf

    classifier = classifier_in_use(args, store)
    labels = Lookups(store, classifier).labels
    return RepertoireDesk(RepertoireShelf(store), classifier.classify, labels)


def _repertoire(shelf: Any, word: str, told: dict[str, Any]) -> str:
    """The id of the repertoire that a word names."""
    from pawnlore.service.cli import CannotStart

    known = shelf.list()
    named = [one for one in known if one.id == word] or [one for one in known if one.name == word]
    if len(named) != 1:
        many = f"{len(named)} repertoires have the name" if named else "no repertoire has the name"
        raise CannotStart(
            f"--beside: {many} or id {word[:80]!r}; 'pawnlore repertoires list' tells their ids"
        )
    if named[0].model != told.get("model"):
        print(
            f"pawnlore answers: the survey was made with another model than {named[0].name!r} was "
            "judged with; their structures may not fit together",
            file=sys.stderr,
        )
    return str(named[0].id)


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


def _label(row: dict[str, Any]) -> str:
    from pawnlore.service.survey.answer_figures import row_label

    return row_label(row)


def _figure(value: float) -> str:
    """A number of a hundred, five letters wide; a dash where there are no games to tell it."""
    return "    –" if math.isnan(value) else f"{value:5.1f}"


def _print_structures(rows: list[dict[str, Any]], most: int = 15) -> None:
    print("\nin a hundred games   White's score      draws   structure")
    for row in rows[:most]:
        bounds = (row["score_high"] - row["score_low"]) * 50
        within = "      " if math.isnan(row["score"]) else f" ±{bounds:4.1f}"
        print(
            f"{row['share'] * 100:6.1f}               {_figure(row['score'] * 100)}{within}     "
            f"{_figure(row['draws'] * 100)}   {_label(row)}"
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
        print(f"   {_figure(row['in_a_hundred'])}                {row['lines']:5,}   {_label(row)}")
    if beside.tables["unanswered_structures"]:
        print("\nin a hundred            structures that no line has")
        for row in beside.tables["unanswered_structures"][:most]:
            print(f"   {_figure(row['in_a_hundred'])}                {_label(row)}")
    if beside.tables["unanswered_moves"]:
        print("\ngames   score   moves that no line answers")
        for row in beside.tables["unanswered_moves"][:most]:
            where = f"after {row['line']}" if row["line"] else "at the start"
            print(f"{row['games']:5,}   {_figure(row['score'] * 100)}   {row['move']} {where}")
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


def _plots(tables: dict[str, list[dict[str, Any]]]) -> dict[str, str]:
    from pawnlore.service.survey.answer_figures import (
        frequency_figure,
        group_figure,
        score_figure,
    )

    plots = {
        "frequencies": frequency_figure(tables["structures"]),
        "scores": score_figure(tables["structures"]),
    }
    groups = tables.get("repertoire_groups")
    if groups:
        plots["repertoire_groups"] = group_figure(groups)
    return plots
