"""``pawnlore repertoires``: the repertoires of the store, also while the service runs."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import asdict
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from pawnlore.service.cli import CannotStart
from pawnlore.service.models_at_hand import add_model_option

if TYPE_CHECKING:
    from pawnlore.service.repertoire_upload import Kept
    from pawnlore.service.store.repertoire_shelf import NodeChange
    from pawnlore.service.store.store import Store

HELP = "add, update, list, rename, give back and delete the repertoires of the store"

_SIDES = ("white", "black", "mixed")
_INFER = "inferred"
_PIECE = 1 << 20
_CHANGE_COLUMNS = (
    "what",
    "chapter",
    "moves",
    "structure_before",
    "holder_before",
    "structure",
    "holder",
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

    one = action("list", _list, "a line for each repertoire")
    _add_format(one, "a table for reading (the default), or a row for each repertoire")
    add_model_option(one)

    one = action("add", _add, "keep PGN files as a new repertoire, and print its id")
    _add_files(one)
    one.add_argument(
        "--name", default="", help="what to call it; else it is called after its files"
    )
    one.add_argument("--side", choices=_SIDES, default="", help="whose it is; else its lines tell")

    one = action("update", _update, "give a repertoire new PGN files, and tell what changed")
    _add_id(one)
    _add_files(one)
    one.add_argument("--name", default="", help="another name; else it keeps its own")
    one.add_argument("--side", choices=_SIDES, default="", help="another side; else as it was")

    one = action("rename", _rename, "give a repertoire another name, or another side")
    _add_id(one)
    one.add_argument("name", nargs="?", default="", metavar="NAME", help="what to call it")
    one.add_argument(
        "--side", choices=(*_SIDES, _INFER), help=f"whose it is; '{_INFER}': its lines tell"
    )

    one = action("show", _show, "tell what is known of a repertoire, and its files")
    _add_id(one)
    one.add_argument(
        "--format", choices=("table", "json"), default="table", help="for reading, or for programs"
    )
    add_model_option(one)

    one = action("pgn", _pgn, "give back a file as it was taken in, byte for byte")
    _add_id(one)
    one.add_argument(
        "--file", type=int, metavar="N", help="which of its files, where there are several"
    )
    one.add_argument("-o", "--output", metavar="FILE", help="write here, not to standard output")

    one = action("changes", _changes, "list the nodes that are new, gone, or in another structure")
    _add_id(one)
    one.add_argument(
        "--of",
        choices=("upload", "judging"),
        default="",
        help="what the last files or the last judging changed; else the later one",
    )
    _add_format(one, "a table for reading (the default), or a row for each node")

    one = action("delete", _delete, "delete a repertoire and the student links to it")
    _add_id(one)


def run(args: argparse.Namespace) -> int:
    """Do one of these; 1 where some of the PGN was bad, each piece named on standard error."""
    from pawnlore.service.store_input import store_from_args

    with store_from_args(args) as store:
        return int(args.act(args, store))


def _add_id(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", metavar="ID", help="the repertoire's id")


def _add_files(parser: argparse.ArgumentParser) -> None:
    from pawnlore.service.repertoire_input import add_input_arguments

    add_input_arguments(parser)
    add_model_option(parser)


def _add_format(parser: argparse.ArgumentParser, told: str) -> None:
    parser.add_argument("--format", choices=("table", "csv", "jsonl"), default="table", help=told)


def _list(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.api.values import stored_repertoire_value
    from pawnlore.service.classifier_from_store import classifier_in_use
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf

    kept = RepertoireShelf(store).list()
    used = classifier_in_use(args, store).digest
    if args.format != "table":
        _write_rows(args.format, [stored_repertoire_value(one, used) for one in kept], _columns())
        return 0
    for one in kept:
        side = one.side or "-"
        print(f"{one.id}  v{one.version:<4} {one.nodes:>9,}  {side:5}  {one.name}")
    print(f"{len(kept):,} repertoire{'' if len(kept) == 1 else 's'}", file=sys.stderr)
    return 0


def _columns() -> tuple[str, ...]:
    from pawnlore.service.api.repertoires import COLUMNS

    return COLUMNS


def _add(args: argparse.Namespace, store: Store) -> int:
    kept, status = _keep(args, store, None)
    print(kept.repertoire.id)
    print(
        f"{kept.repertoire.name}: {kept.repertoire.games:,} games, {kept.repertoire.nodes:,} nodes",
        file=sys.stderr,
    )
    return status


def _update(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf

    # Told at once, and not when all has been read.
    id = RepertoireShelf(store).get(args.id).id
    kept, status = _keep(args, store, id)
    changes, now = kept.changes, kept.repertoire
    print(f"{changes.added:,} added, {changes.gone:,} gone, {changes.moved:,} moved")
    print(
        f"{now.name} is at version {now.version}; 'pawnlore repertoires changes {now.id}' has each "
        "node",
        file=sys.stderr,
    )
    return status


def _keep(args: argparse.Namespace, store: Store, replaces: str | None) -> tuple[Kept, int]:
    """Read, judge and keep the files of ``args.pgn``; the exit status with it."""
    from pawnlore.service.classifier_from_store import classifier_in_use
    from pawnlore.service.progress import progress_bar
    from pawnlore.service.repertoire_input import tell_problems
    from pawnlore.service.repertoire_name import name_of_files
    from pawnlore.service.repertoire_upload import NothingToKeep, Upload, keep_upload
    from pawnlore.service.settings import ServiceLimits
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf
    from pawnlore.service.store.values import one_line

    limits = ServiceLimits()
    name = one_line(args.name, "the repertoire's name", needed=False)
    used = classifier_in_use(args, store)
    with _taken_in(args.pgn, limits.pgn_bytes) as (files, size):
        if not name and replaces is None:
            name = name_of_files([called for called, _ in files])
        upload = Upload(name, args.side, files, size, replaces)
        told = 0
        with progress_bar("reading", size) as advance:

            def progress(done: int) -> None:
                nonlocal told
                advance(done - told)
                told = done

            try:
                kept = keep_upload(
                    RepertoireShelf(store), lambda: used, upload, limits, progress=progress
                )
            except NothingToKeep as error:
                tell_problems(error.book, args.command)
                raise CannotStart("there is no game that can be read; nothing was kept") from None
    return kept, tell_problems(kept.book, args.command)


@contextmanager
def _taken_in(names: Sequence[str], most: int) -> Iterator[tuple[list[tuple[str, IO[bytes]]], int]]:
    """The files with their names, as copies that nobody changes meanwhile, and their size.

    Raises `CannotStart` where one cannot be read: a repertoire is not kept in part.
    """
    from pawnlore.service.repertoire_upload import MOST_FILES

    if names.count("-") > 1:
        raise CannotStart("standard input ('-') can be read only once")
    if len(names) > MOST_FILES:
        raise CannotStart(f"at most {MOST_FILES} files fit in one repertoire")
    files: list[tuple[str, IO[bytes]]] = []
    size = 0
    try:
        for name in names:
            files.append(_copy(name, most - size))
            size += files[-1][1].seek(0, 2)
            files[-1][1].seek(0)
            if size > most:
                raise CannotStart(f"at most {most >> 20} MiB fit in one repertoire")
        yield files, size
    finally:
        for _, stream in files:
            stream.close()


def _copy(name: str, most: int) -> tuple[str, IO[bytes]]:
    """A copy of a file, of at most a byte more than ``most``."""
    from pawnlore.service.repertoire_upload import spooled
    from pawnlore.service.settings import data_folder
    from pawnlore.service.store.repertoire_shelf import file_name

    try:
        # Closed by the block below.
        opened = nullcontext(sys.stdin.buffer) if name == "-" else Path(name).open("rb")  # noqa: SIM115
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CannotStart(f"{name} cannot be read: {reason}; nothing was kept") from None
    try:
        with opened as source:
            made = spooled(data_folder())
            try:
                left = most + 1
                while left and (part := source.read(min(left, _PIECE))):
                    made.write(part)
                    left -= len(part)
            except BaseException:
                made.close()
                raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise CannotStart(f"{name} cannot be copied: {reason}; nothing was kept") from None
    return file_name("" if name == "-" else name), made


def _rename(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf

    if not args.name and args.side is None:
        raise CannotStart("'rename' needs a NAME, a --side or both")
    side = "" if args.side == _INFER else args.side
    now = RepertoireShelf(store).rename(args.id, name=args.name, side=side)
    whose = {"": "the side that its lines tell", "mixed": "both sides"}.get(now.side, now.side)
    print(f"{now.id} is called {now.name}, for {whose}", file=sys.stderr)
    return 0


def _show(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.api.values import stored_repertoire_value
    from pawnlore.service.classifier_from_store import classifier_in_use
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf

    shelf = RepertoireShelf(store)
    kept = shelf.get(args.id)
    value = stored_repertoire_value(kept, classifier_in_use(args, store).digest)
    value["files"] = shelf.file_names(kept.id)
    if args.format == "json":
        print(json.dumps(value, ensure_ascii=False))
        return 0
    for key, told in value.items():
        if key == "files":
            for number, name in enumerate(told, 1):
                print(f"{f'file {number}':13} {name}")
        elif told is not None:
            shown = ("no", "yes")[told] if isinstance(told, bool) else told
            print(f"{key:13} {shown}".rstrip())
    return 0


def _pgn(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.exports.output import write_bytes
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf

    if args.output is not None:
        out = Path(args.output)
        if out.is_dir() or not out.absolute().parent.is_dir():
            raise CannotStart(
                f"{args.output} cannot be written: its folder is missing or it is one"
            )
    files = RepertoireShelf(store).files(args.id)
    if args.file is None and len(files) > 1:
        names = ", ".join(f"{number} {name}" for number, (name, _) in enumerate(files, 1))
        raise CannotStart(f"it has {len(files)} files, choose one with --file N: {names}")
    place = 1 if args.file is None else args.file
    if not 1 <= place <= len(files):
        raise CannotStart(f"it has {len(files)} files, so there is no file {place}")
    try:
        write_bytes(files[place - 1][1], args.output)
    except BrokenPipeError:
        raise
    except OSError as error:
        where = args.output or "standard output"
        raise CannotStart(f"{where} cannot be written: {error.strerror or error}") from None
    return 0


def _changes(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf

    found = RepertoireShelf(store).changes(args.id, of=args.of)
    if args.format != "table":
        _write_rows(args.format, [asdict(row) for row in found.rows], _CHANGE_COLUMNS)
    else:
        for row in found.rows:
            print(_told(row))
    counted = f"{found.added:,} added, {found.gone:,} gone, {found.moved:,} moved"
    more = found.added + found.gone + found.moved - len(found.rows)
    left = f"; {more:,} of them are counted only" if more else ""
    print(counted + left, file=sys.stderr)
    return 0


def _told(row: NodeChange) -> str:
    was, now = f"{row.structure_before} ({row.holder_before})", f"{row.structure} ({row.holder})"
    verdict = {"added": now, "gone": was}.get(row.what, f"{was} is now {now}")
    return f"{row.what:5}  {row.chapter}  {row.moves}: {verdict}"


def _delete(args: argparse.Namespace, store: Store) -> int:
    from pawnlore.service.store.repertoire_shelf import RepertoireShelf

    shelf = RepertoireShelf(store)
    kept = shelf.get(args.id)
    shelf.delete(kept.id)
    print(f"{kept.id} ({kept.name}) is deleted", file=sys.stderr)
    return 0


def _write_rows(form: str, rows: list[dict[str, Any]], columns: Sequence[str]) -> None:
    if form == "csv":
        table = csv.DictWriter(sys.stdout, columns, lineterminator="\n")
        table.writeheader()
        table.writerows(rows)
    else:
        for row in rows:
            print(json.dumps(row, ensure_ascii=False))
