"""``pawnlore notes``: the plan notes of the store, also while the service runs."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pawnlore.structures.plan_note import PlanNote

if TYPE_CHECKING:
    from pawnlore.service.store.note_shelf import NoteShelf, StoredNote

HELP = "list, show, change, import and export the plan notes of the store"

ACTIONS = (
    "list",
    "show",
    "add",
    "change",
    "delete",
    "restore",
    "revisions",
    "import",
    "export",
)

_COLUMNS = ("id", "revision", "name", "structure", "holder", "side", "title", "changed")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.store_input import add_database_option

    parser.add_argument("action", choices=ACTIONS, help="what to do; see below for what it takes")
    parser.add_argument(
        "what",
        nargs="?",
        metavar="NAME",
        help="show, change, delete, restore and revisions: a note's id or file name; add: a file, "
        "or - for standard input; import and export: a folder",
    )
    parser.add_argument(
        "file", nargs="?", metavar="FILE", help="change: the new text, or - for standard input"
    )
    parser.add_argument("--search", default="", metavar="WORDS", help="list: only notes with these")
    parser.add_argument(
        "--structure", default="", metavar="ID", help="list: only notes on this structure"
    )
    parser.add_argument(
        "--format",
        choices=("table", "csv", "jsonl"),
        default="table",
        help="list: a table for reading (the default), or a row for each note",
    )
    parser.add_argument(
        "--revision",
        type=int,
        metavar="N",
        help="show and restore: an older revision instead of the newest",
    )
    parser.add_argument(
        "--expect",
        type=int,
        metavar="N",
        help="change, delete and restore: only where the note is at this revision",
    )
    parser.add_argument(
        "--author", default="", metavar="NAME", help="who is noted as the author of a change"
    )
    shown = parser.add_mutually_exclusive_group()
    shown.add_argument(
        "--draft", action="store_true", help="add, import and change: keep it from students"
    )
    shown.add_argument(
        "--publish", action="store_true", help="change: let students read a note that was a draft"
    )
    add_database_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do one of these; 1 where some note was bad, each named on standard error."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.store_input import store_from_args

    if (args.what is None) != (args.action == "list"):
        needed = "takes no NAME" if args.action == "list" else "needs a NAME after it"
        raise CannotStart(f"'{args.action}' {needed}; see 'pawnlore notes --help'")
    if (args.file is not None) != (args.action == "change"):
        needed = "needs a FILE after the NAME" if args.file is None else "takes one NAME only"
        raise CannotStart(f"'{args.action}' {needed}; see 'pawnlore notes --help'")
    with store_from_args(args) as store:
        from pawnlore.service.store.note_shelf import NoteShelf

        return int(_DOES[args.action](args, NoteShelf(store)))


def _list(args: argparse.Namespace, shelf: NoteShelf) -> int:
    notes = shelf.list(search=args.search, structure=args.structure)
    if args.format == "csv":
        rows = csv.DictWriter(sys.stdout, _COLUMNS, lineterminator="\n")
        rows.writeheader()
        rows.writerows(_row(note) for note in notes)
    elif args.format == "jsonl":
        for note in notes:
            print(json.dumps(_row(note), ensure_ascii=False))
    else:
        width = max((len(note.structure) for note in notes), default=0)
        for note in notes:
            print(f"{note.id}  {note.structure:{width}}  {note.holder:5}  {note.title}")
        print(f"{len(notes):,} notes", file=sys.stderr)
    return 0


def _row(note: StoredNote) -> dict[str, Any]:
    row = {column: getattr(note, column) for column in _COLUMNS}
    return {**row, "changed": note.changed.isoformat()}


def _show(args: argparse.Namespace, shelf: NoteShelf) -> int:
    from pawnlore.service.store.errors import NotFound

    note = _named(args, shelf)
    text = note.text
    if args.revision is not None:
        found = [old.text for old in shelf.revisions(note.id) if old.revision == args.revision]
        if not found:
            raise NotFound(f"there is no revision {args.revision} of this note")
        (text,) = found
    # Byte for byte: no line end is translated.
    sys.stdout.flush()
    sys.stdout.buffer.write(text.encode())
    sys.stdout.buffer.flush()
    return 0


def _named(args: argparse.Namespace, shelf: NoteShelf) -> StoredNote:
    """The note of that file name or id; a deleted one by its id, to be restored."""
    named = [note for note in shelf.list() if note.name == args.what]
    again = args.action in ("restore", "revisions")
    return named[0] if named else shelf.get(args.what, deleted=again)


def _add(args: argparse.Namespace, shelf: NoteShelf) -> int:
    name = "" if args.what == "-" else Path(args.what).name

    def keep(text: str) -> StoredNote:
        return shelf.create(text, name=name, author=args.author, published=not args.draft)

    print(_kept(args.what, keep).id)
    return 0


def _change(args: argparse.Namespace, shelf: NoteShelf) -> int:
    note = _named(args, shelf)
    published = False if args.draft else True if args.publish else None
    changed = _kept(
        args.file,
        lambda text: shelf.change(
            note.id,
            text,
            expected_revision=_expected(args, note),
            author=args.author,
            published=published,
        ),
    )
    print(f"{changed.id} is at revision {changed.revision}", file=sys.stderr)
    return 0


def _delete(args: argparse.Namespace, shelf: NoteShelf) -> int:
    note = _named(args, shelf)
    shelf.delete(note.id, expected_revision=_expected(args, note), author=args.author)
    print(f"{note.id} is deleted; 'pawnlore notes restore {note.id}'", file=sys.stderr)
    return 0


def _restore(args: argparse.Namespace, shelf: NoteShelf) -> int:
    note = _named(args, shelf)
    restored = shelf.restore(
        note.id,
        revision=args.revision,
        expected_revision=_expected(args, note),
        author=args.author,
    )
    print(f"{restored.id} is at revision {restored.revision}", file=sys.stderr)
    return 0


def _revisions(args: argparse.Namespace, shelf: NoteShelf) -> int:
    for one in shelf.revisions(_named(args, shelf).id):
        shown = "published" if one.published else "draft"
        made = one.made.isoformat(timespec="seconds")
        print(f"{one.revision:4}  {one.what:8}  {made}  {shown:9}  {one.author}".rstrip())
    return 0


def _expected(args: argparse.Namespace, note: StoredNote) -> int:
    return note.revision if args.expect is None else int(args.expect)


def _kept(place: str, keep: Callable[[str], StoredNote]) -> StoredNote:
    """Keep the text of a file, or of standard input; raises `CannotStart` with what is wrong."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.notes_folder import read_note_text
    from pawnlore.structures.plan_note import NoteError

    try:
        if place == "-":
            text = sys.stdin.buffer.read(1 << 20).decode("utf-8")
        else:
            text = read_note_text(Path(place))
        return keep(text)
    except NoteError as error:
        for message in error.messages:
            print(f"pawnlore notes: {place}: {message}", file=sys.stderr)
        raise CannotStart("the note was not kept") from None
    except UnicodeDecodeError:
        raise CannotStart("the note is not UTF-8; it was not kept") from None


def _import(args: argparse.Namespace, shelf: NoteShelf) -> int:
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.notes_folder import FolderError, read_notes_folder

    try:
        folder = read_notes_folder(args.what)
    except FolderError as error:
        raise CannotStart(str(error)) from None
    done = shelf.take_in(folder.notes, author=args.author, published=not args.draft)
    for problem in folder.problems:
        print(f"pawnlore notes: {problem}", file=sys.stderr)
    counts = ", ".join(f"{len(notes):,} {how}" for how, notes in done.items())
    print(f"notes: {counts}", file=sys.stderr)
    return 1 if folder.problems else 0


def _export(args: argparse.Namespace, shelf: NoteShelf) -> int:
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.notes_folder import write_notes_folder

    # A note whose family is known no more is written like any other.
    notes = [
        PlanNote(note.text, note.structure, note.holder, note.side, note.title, "", name=note.name)
        for note in shelf.list()
    ]
    try:
        written = write_notes_folder(notes, args.what)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CannotStart(f"the notes cannot be written to {args.what}: {reason}") from None
    print(f"{len(written):,} notes written to {args.what}", file=sys.stderr)
    return 0


_DOES = {
    "list": _list,
    "show": _show,
    "add": _add,
    "change": _change,
    "delete": _delete,
    "restore": _restore,
    "revisions": _revisions,
    "import": _import,
    "export": _export,
}
