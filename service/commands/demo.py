"""``pawnlore demo``: the main job, end to end, on the invented repertoire."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from pawnlore.service.cli import CannotStart

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pawnlore.service.workbook import Workbook
    from pawnlore.structures.debt import Debt
    from pawnlore.structures.plan_note import PlanNote

HELP = "do the main job on the invented repertoire, into a folder"

_TYPES = 8
"""Middlegame types that the closing screen names."""
_WIDTH = 96


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
    """Tag, group, list what is owed, split and print the booklet; then say what came of it."""
    from importlib.resources import as_file, files

    from pawnlore.models.classifier import shipped_classifier
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.notes_folder import read_notes_folder
    from pawnlore.service.workbook import make_workbook
    from pawnlore.structures.owed import owed
    from pawnlore.structures.pgn_reader import read_repertoire
    from pawnlore.structures.repertoire_side import infer_side

    folder: Path = args.output
    with as_file(files("pawnlore.labelled_demo")) as source:
        paths = sorted(str(path) for path in (source / "repertoire").glob("*.pgn"))
        book = read_repertoire(paths, with_fen=True, with_keys=True)
        notes = read_notes_folder(source / "notes").notes
    work = make_workbook(book, shipped_classifier().classify, infer_side(book))
    debts = owed(book, work.verdicts, work.paths, work.groups, work.side, notes)
    try:
        written = list(_write(folder, work, notes, debts))
    except OSError as error:
        reason = error.strerror or str(error)
        raise CannotStart(f"{folder} cannot be written to: {reason}") from None
    write_output(_screen(work, notes, debts), None)
    print(f"\nWritten to the folder {folder}:")
    width = max(len(name) for name, _ in written)
    for name, what in written:
        print(f"  {name:<{width}}  {what}")
    return 0


def _write(
    folder: Path, work: Workbook, notes: Sequence[PlanNote], debts: Sequence[Debt]
) -> Iterator[tuple[str, str]]:
    """Write every format; the name of each file and what is in it."""
    from pawnlore.models.classifier import shipped_classifier
    from pawnlore.service.exports import group_table, node_table, owed_table
    from pawnlore.service.exports.booklet import booklet
    from pawnlore.service.exports.output import write_output
    from pawnlore.service.exports.pgn import write_repertoire
    from pawnlore.service.exports.split import split_files
    from pawnlore.service.exports.tag_comments import with_tags

    book, distinct = work.book, work.distinct
    types = folder / "types"
    types.mkdir(parents=True, exist_ok=True)
    pages: dict[str, tuple[Iterable[str], str]] = {
        "booklet.html": (
            booklet(
                work,
                shipped_classifier().classify,
                notes,
                title="The Quiet Lever",
            ),
            "the study booklet, to read or to print",
        ),
        "groups.txt": (
            group_table.digest(work),
            "the middlegame types and how the lines get there",
        ),
        "groups.csv": (group_table.csv_rows(work), "the same, a row for each type"),
        "lines.csv": (group_table.line_csv_rows(work), "a row for each line"),
        "owed.txt": (
            owed_table.digest(work, debts, len(notes), every=True),
            "what the course still lacks, all of it",
        ),
        "owed.csv": (owed_table.csv_rows(work, debts), "the same, a row each"),
        "structures.txt": (
            node_table.digest(book, distinct),
            "where each line changes from one structure to another",
        ),
        "nodes.csv": (
            node_table.csv_rows(book, distinct),
            "every node with its structure and its FEN",
        ),
        "tagged.pgn": (
            write_repertoire(book, with_tags(book, distinct)),
            "the repertoire with the structures as comments",
        ),
    }
    for name, (text, what) in pages.items():
        write_output(text, folder / name)
        yield name, what
    split = list(split_files(work, notes))
    for file in split:
        write_output([file.text], types / file.name)
    yield "types/", f"{len(split)} PGN files, one for each type, with the plan notes in"


def _screen(work: Workbook, notes: Sequence[PlanNote], debts: Sequence[Debt]) -> Iterator[str]:
    """What a coach wants to know first: the types to teach, and what to do next."""
    import textwrap

    from pawnlore.service.exports.group_table import whose
    from pawnlore.service.exports.owed_table import TITLES
    from pawnlore.structures.debt import counted

    lines, found = len(work.paths), work.groups.groups
    types = [group for group in found if group.settled]
    yield (
        f"{counted(lines, 'line')} in {counted(len(work.book.games), 'chapter')} lead to "
        f"{counted(len(types), 'middlegame type')}. The largest:\n\n"
    )
    shown = types[:_TYPES]
    width = max(len(work.name_of(group.structure)) for group in shown)
    for group in shown:
        yield (
            f"  {work.name_of(group.structure):<{width}}  {whose(group):<11}  "
            f"{counted(len(group.lines), 'line'):>8}\n"
        )
    held = sum(len(group.lines) for group in shown)
    yield f"\nThese {len(shown)} hold {held / lines:.0%} of all lines.\n"
    yield (
        f"\nWith {counted(len(notes), 'plan note')}, {counted(len(debts), 'thing')} "
        f"{'is' if len(debts) == 1 else 'are'} still owed. The heaviest of each kind:\n"
    )
    for kind, title in TITLES.items():
        found_here = [debt for debt in debts if debt.kind == kind]
        if not found_here:
            continue
        debt = found_here[0]
        yield f"\n  {title} ({len(found_here)})\n"
        place = f"{debt.chapter}: {debt.moves}" if debt.moves else debt.file
        for text in (debt.what, place):
            yield from (
                line + "\n"
                for line in textwrap.wrap(
                    text,
                    _WIDTH,
                    initial_indent=" " * 4,
                    subsequent_indent=" " * 6,
                    break_on_hyphens=False,
                )
            )
