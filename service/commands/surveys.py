"""``pawnlore surveys``: the answers of surveys that are kept in the store."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pawnlore.service.store.store import Store

HELP = (
    "list, show and delete the answers of surveys that 'pawnlore answers --keep' put in the store"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.store_input import add_database_option

    store = argparse.ArgumentParser(add_help=False)
    add_database_option(store)
    actions = parser.add_subparsers(
        dest="action", metavar="ACTION", required=True, help="what to do with them"
    )

    def action(name: str, act: object, told: str) -> argparse.ArgumentParser:
        made = actions.add_parser(name, help=told, description=told, parents=[store])
        made.set_defaults(act=act)
        return made

    action("list", _list, "a line for each survey")

    one = action("show", _show, "tell what is known of a survey, or write one of its tables")
    _add_name(one)
    one.add_argument(
        "--table",
        default="",
        metavar="TABLE",
        help="the table to write: structures, by_ply, by_rating, by_year, by_opening, breaks or "
        "transitions; beside a repertoire: groups, chapters, unanswered_structures, "
        "unanswered_moves or unplayed_lines",
    )
    one.add_argument(
        "--plot",
        choices=("frequencies", "scores"),
        help="write a plot (SVG) instead: how often, or how it scores; with --structure of that "
        "one by half-move, or by rating",
    )
    one.add_argument(
        "--structure", default="", metavar="ID", help="only what is about this structure"
    )
    one.add_argument(
        "--holder",
        choices=("white", "black", "both"),
        default="",
        help="with --plot and --structure: whose it is; else the more frequent",
    )
    one.add_argument(
        "--beside", default="", metavar="ID", help="the table beside the repertoire of this id"
    )
    one.add_argument(
        "--format", choices=("csv", "jsonl"), default="csv", help="how to write it; else csv"
    )
    one.add_argument(
        "-o", "--output", metavar="OUT", type=Path, help="the file to write; else standard output"
    )

    one = action("delete", _delete, "take a survey out of the store")
    _add_name(one)


def run(args: argparse.Namespace) -> int:
    """Do it."""
    from pawnlore.service.store_input import store_from_args

    with store_from_args(args) as store:
        return int(args.act(args, store))


def _add_name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("survey", metavar="NAME", help="the survey's name or id")


def _list(_args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.store.survey_shelf import SurveyShelf

    found = SurveyShelf(store).list()
    for one in found:
        print(f"{one.id}  {one.made:%Y-%m-%d}  {one.games:>13,} games  {one.name}")
    if not found:
        print("there is none; 'pawnlore answers SURVEY --keep NAME' keeps one", file=sys.stderr)
    return 0


def _show(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.store.survey_shelf import KeptTable, SurveyShelf
    from pawnlore.service.survey.kept_figures import kept_figure

    shelf = SurveyShelf(store)
    kept = shelf.named(args.survey)
    table = KeptTable([])
    if args.plot:
        written: Iterable[str] = [
            kept_figure(shelf, kept.id, args.plot, args.structure, args.holder)
        ]
    elif not args.table:
        written = _facts(shelf, kept)
    elif args.beside:
        table = shelf.beside_table(kept.id, args.beside, args.table)
        rows = [row for row in table.rows if args.structure in ("", row.get("structure"))]
        written = _text(rows, args.format)
    else:
        table = shelf.table(kept.id, args.table, args.structure)
        written = _text(table.rows, args.format)
    try:
        write_output(written, args.output)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise CannotStart(f"{args.output} cannot be written: {error.strerror}") from None
    if table.left_out:
        print(
            f"pawnlore surveys: {table.left_out:,} rows with fewer games were not kept; "
            "'pawnlore answers -o' writes all",
            file=sys.stderr,
        )
    return 0


def _facts(shelf: Any, kept: Any) -> Iterator[str]:
    facts: dict[str, Any] = {
        "id": kept.id,
        "name": kept.name,
        "kept": f"{kept.made:%Y-%m-%d %H:%M} UTC",
        "games": f"{kept.games:,}",
        **kept.described,
    }
    for key, value in facts.items():
        if isinstance(value, (list, dict)):
            value = json.dumps(value, ensure_ascii=False)
        yield f"{key:17} {value}\n"
    for name, rows in shelf.sizes(kept.id).items():
        yield f"{name:17} {rows:,} rows\n"
    for one in shelf.besides(survey=kept.id):
        stale = "" if one.current else ", which has changed since"
        yield (
            f"{'beside':17} {one.repertoire} {one.repertoire_name}, version {one.version}{stale}: "
            f"{one.followed:,} of {one.games:,} games go with it\n"
        )


def _text(rows: list[dict[str, Any]], format: str) -> Iterator[str]:
    from pawnlore.service.survey.answer_files import csv_lines, json_lines

    return csv_lines(rows) if format == "csv" else json_lines(rows)


def _delete(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.store.survey_shelf import SurveyShelf

    shelf = SurveyShelf(store)
    kept = shelf.named(args.survey)
    shelf.delete(kept.id)
    print(f"{kept.name} is deleted", file=sys.stderr)
    return 0
