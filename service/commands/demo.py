"""``pawnlore demo``: the main job, end to end, on the invented repertoire."""

from __future__ import annotations

import argparse
from pathlib import Path

from pawnlore.service.cli import CannotStart

HELP = "do the main job on the invented repertoire, into a folder"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        default=Path("pawnlore-demo"),
        metavar="FOLDER",
        help="where to write (default: pawnlore-demo)",
    )


def run(args: argparse.Namespace) -> int:
    """Tag the demo repertoire, write every format, and print a digest."""
    from importlib.resources import as_file, files

    from pawnlore.models.classifier import shipped_classifier
    from pawnlore.service.exports.node_table import csv_rows, digest
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.exports.pgn import write_repertoire
    from pawnlore.service.exports.tag_comments import with_tags
    from pawnlore.structures.distinct_verdicts import distinct_verdicts
    from pawnlore.structures.pgn_reader import read_repertoire
    from pawnlore.structures.verdict import NONE

    folder: Path = args.output
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CannotStart(f"{folder}: the folder cannot be made ({error.strerror})") from None
    with as_file(files("pawnlore.labelled_demo").joinpath("repertoire")) as source:
        book = read_repertoire([str(path) for path in sorted(source.glob("*.pgn"))], with_fen=True)
    verdicts = distinct_verdicts(book, shipped_classifier().classify)
    write_output(csv_rows(book, verdicts), str(folder / "nodes.csv"))
    write_output(write_repertoire(book, with_tags(book, verdicts)), str(folder / "tagged.pgn"))
    write_output(digest(book, verdicts), None)
    settled = int((verdicts.verdicts.family[verdicts.inverse] != NONE).sum())
    print()
    print(f"{len(book)} nodes tagged, {settled} of them with a structure.")
    print(f"Every node, with its FEN:        {folder / 'nodes.csv'}")
    print(f"The repertoire with the tags in: {folder / 'tagged.pgn'}")
    return 0
