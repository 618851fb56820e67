"""How a command reads repertoires: its arguments, its problems and whose they are."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from pawnlore.service.cli import CannotStart

if TYPE_CHECKING:
    from pawnlore.structures.repertoire import Repertoire
    from pawnlore.structures.repertoire_side import RepertoireSide


def add_input_arguments(parser: argparse.ArgumentParser) -> None:
    """The PGN files to read, as ``args.pgn``."""
    parser.add_argument("pgn", nargs="+", metavar="PGN", help="a PGN file; '-' is standard input")


def add_output_option(parser: argparse.ArgumentParser) -> None:
    """Where to write, as ``args.output``."""
    parser.add_argument("-o", "--output", metavar="OUT", help="write here, not to standard output")


def add_side_option(parser: argparse.ArgumentParser) -> None:
    """Whose repertoire it is, as ``args.side``."""
    parser.add_argument(
        "--side",
        choices=("white", "black", "mixed"),
        help="whose repertoire it is; else the side that answers with one move, said aloud",
    )


def check_input(args: argparse.Namespace) -> None:
    """Find out before the long work that files cannot be read or written.

    Raises `CannotStart`.
    """
    if args.pgn.count("-") > 1:
        raise CannotStart("standard input ('-') can be read only once")
    if getattr(args, "output", None) is None:
        return
    out = Path(args.output)
    if out.is_dir() or not out.parent.is_dir():
        raise CannotStart(f"{args.output} cannot be written: its folder is missing or it is one")
    for name in args.pgn:
        if name != "-" and out.exists() and Path(name).exists() and out.samefile(name):
            raise CannotStart(f"{args.output} is one of the inputs; choose another name")


def read_from_args(
    args: argparse.Namespace, *, with_fen: bool = False, with_keys: bool = False
) -> tuple[Repertoire, int]:
    """Read the files of ``args.pgn``; the exit status is 1 where some input was bad.

    Each problem is named on standard error. Raises `CannotStart` where no file
    could be opened.
    """
    from pawnlore.service.progress import progress_bar
    from pawnlore.structures.pgn_reader import read_repertoire

    with progress_bar("reading", _size(args.pgn)) as advance:
        book = read_repertoire(args.pgn, with_fen=with_fen, with_keys=with_keys, progress=advance)
    status = tell_problems(book, args.command)
    if not book.files:
        raise CannotStart("no file could be opened")
    return book, status


def tell_problems(book: Repertoire, command: str) -> int:
    """Name each problem on standard error; the exit status is 1 where some input was bad."""
    status = 0
    for problem in book.problems:
        if not problem.warning:
            status = 1
        print(f"pawnlore {command}: {problem}", file=sys.stderr)
    if book.unnamed_problems:
        status = 1
        print(f"pawnlore {command}: {book.unnamed_problems:,} further problems", file=sys.stderr)
    return status


def side_from_args(args: argparse.Namespace, book: Repertoire) -> RepertoireSide:
    """The side that ``--side`` names; else the one that the lines tell, said aloud."""
    from pawnlore.structures.repertoire_side import given_side, infer_side

    if args.side is not None:
        return given_side(book, args.side)
    side = infer_side(book)
    whose = {"white": "for White", "black": "for Black", "mixed": "of both sides"}[side.side]
    print(
        f"pawnlore {args.command}: taken as a repertoire {whose} ({side.reason}); "
        "--side says otherwise",
        file=sys.stderr,
    )
    return side


def _size(names: list[str]) -> int | None:
    total = 0
    for name in names:
        try:
            total += os.stat(name).st_size if name != "-" else 0
        except (OSError, ValueError):
            continue
    return total if "-" not in names else None
