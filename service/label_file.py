"""The author's labels as an EPD file: written, and read back whole or not at all.

Opcodes: ``c0`` the structure, ``c1`` the holder, ``c2`` the reason, ``c5`` the
author and ``c6`` the moment of the last change; ``id`` is only for people.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import chess

from pawnlore.models.own_family import PREFIX, FamilyError, check_id
from pawnlore.service.store.label_shelf import REASON_LENGTH, GivenLabel, StoredLabel
from pawnlore.service.store.skeleton_key import SWAPPED, skeleton_key
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import Skeleton, SkeletonError, placement

MOST_BYTES = 16 << 20
MOST_LINES = 50_000
MOST_PROBLEMS = 1_000
"""Problems that are named one by one."""

_LONGEST_LINE = 12_000
_FEN_LENGTH = 200


class LabelFileError(ValueError):
    """A label file that is not taken; ``problems`` names every bad line."""

    def __init__(self, problems: Sequence[str], count: int | None = None) -> None:
        self.problems = tuple(problems)
        self.count = len(problems) if count is None else count
        more = self.count - len(self.problems)
        told = [*self.problems, *([f"and {more:,} more"] if more else [])]
        super().__init__("\n".join(told))


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
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = data[: error.start].count(b"\n") + 1
        raise LabelFileError([f"{source}, line {place}: no UTF-8 text"]) from None
    ids = {*known, UNSETTLED}
    found: list[GivenLabel] = []
    said: dict[str, tuple[int, str, str]] = {}
    problems: list[str] = []
    bad = 0
    lines = text.split("\n")
    if len(lines) > MOST_LINES:
        raise LabelFileError([f"{source}: more than {MOST_LINES:,} lines"])
    for number, line in enumerate(lines, start=1):
        line = line.rstrip("\r").strip(" \t")
        if not line or line.startswith("#"):
            continue
        try:
            label = _read(line, ids)
            key, swapped = skeleton_key(label.skeleton)
            holder = SWAPPED[label.holder] if swapped else label.holder
            before = said.setdefault(key, (number, label.structure, holder))
            if before[1:] != (label.structure, holder):
                raise ValueError(
                    f"line {before[0]} says something else of the same pawns ({before[1]})"
                )
            found.append(label)
        except ValueError as error:
            bad += 1
            if len(problems) < MOST_PROBLEMS:
                problems.append(f"{source}, line {number}: {error}")
    if problems:
        raise LabelFileError(problems, bad)
    return found


def _read(line: str, ids: set[str]) -> GivenLabel:
    if len(line) > _LONGEST_LINE:
        raise ValueError("the line is too long")
    try:
        # It also refuses pawns that cannot be, which python-chess takes.
        skeleton = skeleton_of_line(line)
    except SkeletonError as error:
        raise ValueError(f"no position ({error})") from None
    board = chess.Board(None)
    try:
        operations = board.set_epd(line)
    except (ValueError, IndexError) as error:
        raise ValueError(f"no EPD ({_plain(str(error))})") from None
    structure, holder = operations.get("c0"), operations.get("c1")
    if not isinstance(structure, str) or not structure:
        raise ValueError("there is no structure (c0)")
    if structure not in ids:
        try:
            if not structure.startswith(PREFIX):
                raise FamilyError("no family has this id")
            check_id(structure)
        except FamilyError:
            raise ValueError(f"{_plain(structure)!r} is no family (c0)") from None
    if holder not in SWAPPED:
        raise ValueError(f"{_plain(str(holder))!r} is no holder (c1): white, black or both")
    if structure == UNSETTLED and holder != "both":
        raise ValueError(f"'unsettled' goes with 'both', not {holder} (c1)")
    reason, author = str(operations.get("c2") or ""), str(operations.get("c5") or "")
    if len(reason) > REASON_LENGTH or "\0" in reason:
        raise ValueError(f"the reason (c2) has more than {REASON_LENGTH:,} characters or a null")
    if len(author) > 200 or not author.isprintable():
        raise ValueError("the author (c5) is no name of one line")
    return GivenLabel(
        (skeleton.white, skeleton.black),
        structure,
        str(holder),
        f"{placement(skeleton)} w - - 0 1" if len(board.fen()) > _FEN_LENGTH else board.fen(),
        reason,
        author.strip(),
    )


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
