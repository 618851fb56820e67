"""``pawnlore split``: one PGN file for each middlegame type of a repertoire."""

from __future__ import annotations

import argparse

HELP = "write one PGN file for each middlegame type, with the plan notes as comments"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.models_at_hand import add_model_option
    from pawnlore.service.notes_input import add_notes_option
    from pawnlore.service.repertoire_input import add_input_arguments, add_side_option

    add_input_arguments(parser)
    parser.add_argument(
        "-o",
        "--output",
        dest="folder",
        metavar="DIR",
        required=True,
        help="the folder to write into; it is made where it is missing",
    )
    add_notes_option(parser)
    parser.add_argument(
        "--tables",
        choices=("csv", "jsonl", "parquet"),
        help="also write tables of nodes, lines and groups into the folder",
    )
    add_side_option(parser)
    add_model_option(parser, taught=True)


def run(args: argparse.Namespace) -> int:
    """Split; 1 where some input was bad, each named on standard error."""
    import sys
    from pathlib import Path

    from pawnlore.service.cli import CannotStart
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.exports.split import split_files
    from pawnlore.service.exports.tables import check_format, write_tables
    from pawnlore.service.notes_input import notes_from_args
    from pawnlore.service.workbook import workbook_from_args

    folder = Path(args.folder)
    if args.tables:
        check_format(args.tables)
    given, notes_status = notes_from_args(args)
    notes = given or ()
    conditions = any(note.when for note in notes)
    work = workbook_from_args(args, with_fen=conditions)
    inputs = {Path(name).resolve() for name in args.pgn if name != "-"}
    files = list(split_files(work, notes))
    hit = [file.name for file in files if (folder / file.name).resolve() in inputs]
    if hit:
        raise CannotStart(f"{folder / hit[0]} is one of the inputs; choose another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        before = {path.name for path in folder.glob("*.pgn")}
        for file in files:
            write_output([file.text], folder / file.name)
        tables = write_tables(work, folder, args.tables) if args.tables else []
    except OSError as error:
        reason = error.strerror or str(error)
        raise CannotStart(f"{folder} cannot be written to: {reason}") from None

    width = max((len(file.name) for file in files), default=0)
    for file in files:
        told = f"{file.lines:,} line{'' if file.lines == 1 else 's'}"
        count = len(file.notes)
        if count:
            told += f", {count} plan note{'' if count == 1 else 's'}"
        print(f"{file.name:<{width}}  {file.title}: {told}")
    lines = sum(file.lines for file in files)
    print(f"{lines:,} lines in {len(files)} files, in {folder}.")
    for path in tables:
        print(f"Table: {path.name}")
    stale = sorted(before - {file.name for file in files})
    if stale:
        print(
            f"pawnlore split: {folder} also holds {', '.join(stale)}, not written by this run",
            file=sys.stderr,
        )
    silent = [note for note in notes if not any(note in file.notes for file in files)]
    for note in silent:
        print(f"pawnlore split: no line reaches the note {note.named()}", file=sys.stderr)
    return max(work.status, notes_status)
