"""The author's labels as an EPD file: written, and read back whole or not at all.

Opcodes: ``c0`` the structure, ``c1`` the holder, ``c2`` the reason, ``c5`` the
author and ``c6`` the moment of the last change; ``id`` is only for people.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import chess

from pawnlore.models.own_family import PREFIX, FamilyError, check_id
from pawnlore.service.store.label_shelf import REASON_LENGTH, GivenLabel, StoredLabel
from pawnlore.service.store.skeleton_key import skeleton_key
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import Skeleton, SkeletonError, placement
from pawnlore.structures.verdict import SWAPPED

MOST_BYTES = 16 << 20
MOST_LINES = 50_000
_LONGEST_LINE = 12_000
_FEN_LENGTH = 200


class LabelFileError(ValueError):
    """A label file that is not taken; ``problems`` names every fault, a string for each line."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problems))


class _BadLine(ValueError):
    """A line that is no label; ``faults`` names all that is wrong with it."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(faults))


def read_label_file(
    data: bytes, known: Iterable[str], *, source: str = "labels"
) -> list[GivenLabel]:
    """Read labels; ``known`` are the shipped families' ids.

    Empty lines and lines that begin with # are passed over. The same pawns may
    come twice only with the same structure and holder. Raises `LabelFileError`
    that names every bad line, so that a file is taken whole or not at all.
    """
    if len(data) > MOST_BYTES:
        raise LabelFileError([f"{source}: larger than {MOST_BYTES >> 20} MiB"])
    ids = {*known, UNSETTLED}
    found: list[GivenLabel] = []
    said: dict[str, tuple[int, str, str]] = {}
    problems: list[str] = []
    lines = data.removeprefix(b"\xef\xbb\xbf").split(b"\n")
    if len(lines) > MOST_LINES:
        raise LabelFileError([f"{source}: more than {MOST_LINES:,} lines"])
    for number, given in enumerate(lines, start=1):
        try:
            line = _text(given)
            if not line or line.startswith("#"):
                continue
            label = _read(line, ids)
            key, swapped = skeleton_key(label.skeleton)
            holder = SWAPPED[label.holder] if swapped else label.holder
            before = said.setdefault(key, (number, label.structure, holder))
            if before[1:] != (label.structure, holder):
                told = f"line {before[0]} says something else of the same pawns ({before[1]})"
                raise _BadLine([told])
            found.append(label)
        except _BadLine as error:
            problems.append(f"{source}, line {number}: {error}")
    if problems:
        raise LabelFileError(problems)
    return found


def _text(line: bytes) -> str:
    try:
        return line.decode("utf-8").rstrip("\r").strip(" \t")
    except UnicodeDecodeError:
        raise _BadLine(["no UTF-8 text"]) from None


def _read(line: str, ids: set[str]) -> GivenLabel:
    if len(line) > _LONGEST_LINE:
        raise _BadLine(["the line is too long"])
    try:
        # It also refuses pawns that cannot be, which python-chess takes.
        skeleton = skeleton_of_line(line)
    except SkeletonError as error:
        raise _BadLine([f"no position ({error})"]) from None
    board = chess.Board(None)
    try:
        operations = board.set_epd(line)
    except (ValueError, IndexError) as error:
        raise _BadLine([f"no EPD ({_plain(str(error))})"]) from None
    structure, holder = operations.get("c0"), operations.get("c1")
    reason, author = str(operations.get("c2") or ""), str(operations.get("c5") or "")
    faults = [
        *_structure_faults(structure, ids),
        *_holder_faults(structure, holder),
    ]
    if len(reason) > REASON_LENGTH or "\0" in reason:
        faults.append(f"the reason (c2) has more than {REASON_LENGTH:,} characters or a null")
    if len(author) > 200 or not author.isprintable():
        faults.append("the author (c5) is no name of one line")
    if faults:
        raise _BadLine(faults)
    return GivenLabel(
        (skeleton.white, skeleton.black),
        str(structure),
        str(holder),
        f"{placement(skeleton)} w - - 0 1" if len(board.fen()) > _FEN_LENGTH else board.fen(),
        reason,
        author.strip(),
    )


def _structure_faults(structure: object, ids: set[str]) -> Iterator[str]:
    if not isinstance(structure, str) or not structure:
        yield "there is no structure (c0)"
    elif structure not in ids:
        try:
            if not structure.startswith(PREFIX):
                raise FamilyError("no family has this id")
            check_id(structure)
        except FamilyError:
            yield f"{_plain(structure)!r} is no family (c0)"


def _holder_faults(structure: object, holder: object) -> Iterator[str]:
    if holder is None:
        yield "there is no holder (c1): white, black or both"
    elif holder not in SWAPPED:
        yield f"{_plain(str(holder))!r} is no holder (c1): white, black or both"
    elif structure == UNSETTLED and holder != "both":
        yield f"'unsettled' goes with 'both', not {holder} (c1)"


def _plain(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text)[:60]


def label_lines(labels: Iterable[StoredLabel]) -> Iterator[str]:
    """Labels as EPD lines, as `read_label_file` takes them."""
    for label in labels:
        board = chess.Board(None)
        holder = label.holder
        try:
            board.set_fen(label.fen)
            white = int(board.pawns & board.occupied_co[chess.WHITE])
            black = int(board.pawns & board.occupied_co[chess.BLACK])
            _, swapped = skeleton_key((white, black))
            holder = SWAPPED[holder] if swapped else holder
        except ValueError:
            board.set_board_fen(placement(Skeleton(*label.skeleton)))
        moment = label.changed.isoformat(timespec="seconds")
        yield board.epd(
            id=label.id,
            c0=label.structure,
            c1=holder,
            c2=label.reason,
            c5=label.author,
            c6=moment,
        )
