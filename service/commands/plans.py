"""``pawnlore plans``: what to do in a position."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pawnlore.models.classifier import Classifier
    from pawnlore.service.lookup import Lookup
    from pawnlore.structures.query_position import QueryPosition

HELP = "look a position up: its structure and why, the plans for it, and a repertoire's moves"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.notes_input import add_notes_option
    from pawnlore.service.repertoire_input import add_output_option
    from pawnlore.service.store_input import add_database_option

    parser.add_argument(
        "fen",
        nargs="?",
        default="",
        metavar="FEN",
        help="a FEN or EPD in quotes, or the placement of the pawns alone; without it, a game's "
        "beginning",
    )
    parser.add_argument(
        "--moves", default="", metavar="MOVES", help="moves to play from there, as in '1. d4 d5'"
    )
    parser.add_argument(
        "--repertoire",
        dest="pgn",
        action="append",
        default=[],
        metavar="PGN",
        help="a repertoire's file, to tell which moves it plays here; may be given several times",
    )
    parser.add_argument(
        "--chapter", default="", metavar="NAME", help="the chapter in which the reader stands"
    )
    add_notes_option(parser)
    add_database_option(parser)
    parser.add_argument(
        "--format",
        choices=("text", "json"),
        default="text",
        help="text: for reading (the default); json: what /api/plans answers",
    )
    add_output_option(parser)
    add_model_option(parser)


def run(args: argparse.Namespace) -> int:
    """Look it up; 1 where a note or some of the repertoire was bad, each named."""
    from pawnlore.models.explanation import explain
    from pawnlore.models.labels import learnt_labels
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports.explanation_text import explanation_lines
    from pawnlore.service.exports.lookup_text import places_text, plans_text
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.models_at_hand import chosen_classifier
    from pawnlore.service.played_line import play_line
    from pawnlore.service.position_places import PositionPlaces
    from pawnlore.service.repertoire_input import check_input, read_from_args
    from pawnlore.structures.line_text import family_name, naming
    from pawnlore.structures.skeleton import SkeletonError

    try:
        line = play_line(args.fen, args.moves)
    except SkeletonError as error:
        shown = args.fen if len(args.fen) <= 80 else args.fen[:80] + "…"
        raise CannotStart(f"{shown!r} is no position: {error}") from None
    if line.fault:
        played = f" after {' '.join(line.numbered())}" if line.moves else ""
        raise CannotStart(f"--moves: {line.fault}{played}")
    check_input(args)
    classifier = chosen_classifier(args)
    position = line.position
    found, by, classifier, names, status = _looked_up(args, classifier, position)
    if args.format == "json":
        write_output([_json(found, by), "\n"], args.output)
        return status
    told: list[str] = []
    if by == "label":
        verdict = found.verdict
        name = family_name(verdict.structure, names)
        told.append(f"{name}, held by {verdict.holder}: by your label\n")
    else:
        why = explain(classifier, position.skeleton, learnt_labels(classifier.catalogue))
        lines = explanation_lines(why, classifier.catalogue, own_names=names)
        told += [f"{text}\n" for text in lines]
    told += plans_text(found, naming(names))
    if args.pgn and line.board is not None:
        book, bad = read_from_args(args, with_keys=True)
        told += places_text(PositionPlaces(book).of(line.board))
        status = max(status, bad)
    write_output(told, args.output)
    return status


def _json(found: Lookup, by: str) -> str:
    from pawnlore.service.cli import CannotStart

    try:
        from pawnlore.service.api.values import lookup_value
    except ImportError as error:
        raise CannotStart(
            f"--format json needs the extra 'serve' (pip install 'pawnlore[serve]'): {error}"
        ) from None
    return json.dumps(lookup_value(found, by), ensure_ascii=False)


def _looked_up(
    args: argparse.Namespace, classifier: Classifier, position: QueryPosition
) -> tuple[Lookup, str, Classifier, Mapping[str, str], int]:
    """The answer, who decided, the classifier, the names of own families, an exit status.

    It is looked up among a folder's notes, else the store's; with the store the
    classifier is the one in use there, where ``--model`` names none.
    """
    from pawnlore.service.lookup import lookup
    from pawnlore.service.note_index import NoteIndex
    from pawnlore.service.notes_input import notes_from_args
    from pawnlore.service.verdict_memory import VerdictMemory

    notes, status = notes_from_args(args)
    if notes is None and (args.database or _has_store()):
        from pawnlore.service.lookups_at_hand import Lookups
        from pawnlore.service.store_input import store_from_args

        with store_from_args(args) as store:
            from pawnlore.service.classifier_from_store import classifier_in_use
            from pawnlore.service.taught_at_hand import names_in_store

            used = classifier if args.model else classifier_in_use(args, store)
            found, by = Lookups(store, used).lookup(position, args.chapter)
            names = names_in_store(store, used)
        return found, by, used, names, status
    judge = VerdictMemory(classifier.classify)
    found = lookup(position, judge, NoteIndex.of(notes or ()), args.chapter)
    return found, "core" if found.verdict.core else "classifier", classifier, {}, status


def _has_store() -> bool:
    """Whether there is a store to read; none is made for a question."""
    from pathlib import Path

    from pawnlore.service.settings import data_folder, database_url

    url = database_url(data_folder())
    return not url.startswith("sqlite:///") or Path(url.removeprefix("sqlite:///")).is_file()
