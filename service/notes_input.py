"""How a command reads a folder of plan notes: its option and its problems."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from pawnlore.service.cli import CannotStart

if TYPE_CHECKING:
    from pawnlore.structures.plan_note import PlanNote


def add_notes_option(parser: argparse.ArgumentParser) -> None:
    """The folder of plan notes, as ``args.notes``."""
    parser.add_argument("--notes", metavar="DIR", help="a folder of plan notes, one file a note")


def notes_from_args(args: argparse.Namespace) -> tuple[tuple[PlanNote, ...] | None, int]:
    """The notes of ``args.notes``, or none where it is not given, and an exit status.

    That is 1 where a note could not be used. Each problem is named on standard
    error. Raises `CannotStart` where there is no such folder.
    """
    from pawnlore.service.notes_folder import FolderError, read_notes_folder

    if args.notes is None:
        return None, 0
    try:
        folder = read_notes_folder(args.notes)
    except FolderError as error:
        raise CannotStart(str(error)) from None
    for problem in folder.problems:
        print(f"pawnlore {args.command}: {problem}", file=sys.stderr)
    return folder.notes, 1 if folder.problems else 0
